"""Reasons not to trust a mat that was found: folded, another layout's, or at odds with a second mat in the picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.mat_camera import log_scale, project, unproject
from vision.mat_markers import FoundMarker
from vision.mat_pose import scale_u95_rel
from vision.mat_view import MatView

SAG_MM = 5.0
_OFF_MM, _OFF_PX = 0.4, 0.5
_LEFT_OUT_SHARE, _LEFT_OUT_LEAST = 0.15, 3
_FAT_SHARE, _FAT_PX = 0.03, 0.4
_RIM = np.stack(np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 9)), -1).reshape(-1, 2)


def doubt(view: MatView, found: Sequence[FoundMarker], others: Sequence[MatView]) -> str | None:
    """Why the scale of this view must not be used, None where nothing speaks against it.

    found : every marker of its layout that was read; others : views of further mats in the same photograph
    """
    return _squares(view) or _off_place(view, found) or _curled(view) or _second_mat(view, others)


def _squares(view: MatView) -> str | None:
    """Squares too large or small for their distances: no ink spreads that far."""
    side = float(np.median([m.side_mm for m in view.layout.markers]))
    if abs(view.spread_mm) <= _FAT_SHARE * side + _FAT_PX * view.mm_per_px or len(view.markers) < 2:
        return None
    seen = 1 + 2 * view.spread_mm / side
    return (
        f"the markers are {seen:.0%} as large as layout {view.layout.name} says for their distances; "
        "name the layout file of this mat with --mat"
    )


def _off_place(view: MatView, found: Sequence[FoundMarker]) -> str | None:
    kept = {(m.dictionary, m.id) for m in view.markers}
    out = [m for m in found if (m.dictionary, m.id) not in kept]
    enough = len(out) >= _LEFT_OUT_LEAST and len(out) >= _LEFT_OUT_SHARE * len(found)
    allowed = max(_OFF_MM, _OFF_PX * view.mm_per_px)
    if not enough and view.residual_mm <= allowed:
        return None
    advice = "lay it flat without folds, or name its own layout file with --mat"
    if not enough:
        return f"the markers lie {view.residual_mm:.1f} mm off their places on layout {view.layout.name}; {advice}"
    corners = view.layout.marker_corners_mm
    off = [float(np.linalg.norm(view.to_mm(m.corners_px) - corners[m.dictionary, m.id], axis=1).max()) for m in out]
    return (
        f"{len(out)} of {len(found)} markers lie up to {max(off):.0f} mm off their places on layout "
        f"{view.layout.name}: the mat is folded or another one; {advice}"
    )


def sag_mm(view: MatView) -> float:
    """How far the page's lowest and highest points lie apart over the bend that was fitted."""
    depth = view.pose.frame.bend_basis(_RIM * view.layout.page_mm) @ view.pose.params[12:15]
    return float(np.ptp(depth))


def _curled(view: MatView) -> str | None:
    """A bend that the corners tell, not one that stays at its prior."""
    sag = sag_mm(view)
    if sag <= SAG_MM:
        return None
    return f"the mat is folded or curled by {sag:.0f} mm; lay it flat on a hard table"


def _second_mat(view: MatView, others: Sequence[MatView]) -> str | None:
    """Two mats on one table have one scale at one place of the picture."""
    for other in others:
        mine, theirs = ({(m.dictionary, m.id) for m in v.markers} for v in (view, other))
        if other.layout.name == view.layout.name or mine & theirs:
            continue
        between = np.mean([np.mean([m.corners_px.mean(0) for m in v.markers], axis=0) for v in (view, other)], axis=0)
        a, b = (_scale_at(v, between) for v in (view, other))
        if abs(np.log(a[0] / b[0])) > np.hypot(a[1], b[1]):
            return (
                f"two mats lie in the picture and disagree ({view.layout.name}: {a[0]:.4f} mm a pixel, "
                f"{other.layout.name}: {b[0]:.4f}); take one away, or lay both flat and check their check bars"
            )
    return None


def _scale_at(view: MatView, px: np.ndarray) -> tuple[float, float]:
    """mm per px at a place of the picture and its relative U95."""
    params, frame = view.pose.params, view.pose.frame
    mm = unproject(params, frame, px[None])[0]
    back = project(params, frame, mm[None])[0]
    if not np.allclose(back, px, atol=1.0):
        return view.mm_per_px, 1.0  # beyond what the lens or the page's bend can be followed to
    fit = scale_u95_rel(view.pose, mm, 0.0)
    return float(np.exp(log_scale(params, frame, mm, 0.0))), float(np.hypot(fit, view.layout.print_u95_rel))
