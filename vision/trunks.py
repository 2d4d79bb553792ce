"""Trunks beneath coverings: how wide they are, and how many wires they may hold where none can be followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.bundles import BundleGraph
from vision.findings import Count, Measure
from vision.measure import height_factor
from vision.packing import WRAPS, wires_within
from vision.parts import Part
from vision.recognise import Scene
from vision.regions import extent_along
from vision.sight import FirstLook
from vision.uncertainty import EDGES, PARALLAX, Budget, Source
from vision.wire_counts import Trace, directions, wires_beside

_STEP_MM = 0.1
_REACH_MM = 35.0
_EDGES_U95_MM = 0.7
"""Both outer edges of a covering, half a millimetre each: the outline is smoothed over two canvas pixels."""
_LEAST_POINTS = 5
_BESIDE_MM = (2.0, 12.0)
"""Where a bundle that leaves a covering is measured."""


@dataclass(frozen=True)
class Trunk:
    """The bundle beneath one covering. width_mm : None where no bundle was traced there; wires : None where unknown."""

    width_mm: Measure | None
    wires: Count | None


def trunk_beneath(look: FirstLook, scene: Scene, part: Part, traced: Sequence[Trace]) -> Trunk:
    """Width and wires of the bundle that a covering hides."""
    assert part.mask is not None
    s = look.canvas.px_per_mm
    ys, xs = np.nonzero(part.mask[::4, ::4])
    xy = np.stack([xs, ys], axis=1) * 4.0
    feet = extent_along(scene.graph, xy, s).feet
    width = _width(look, scene.graph, feet)
    if width is None or part.kind not in WRAPS:
        return Trunk(width, None)
    seen, diameters = wires_beside(traced, xy, scene.graph, s)
    if not diameters:
        diameters = [wire.diameter_mm for wire in traced if wire.diameter_mm is not None]
    return Trunk(width, wires_within(width, part.kind, diameters, seen, _bare_ends(look, scene.graph, feet)))


def _bare_ends(look: FirstLook, graph: BundleGraph, feet: np.ndarray) -> list[Measure]:
    """Widths of the bundle where it goes in and where it comes out; none unless it does so once each.

    Where a branch leaves beneath, or an end lies there, wires need not run on.
    """
    arms = graph.arms(np.unique(feet), *_BESIDE_MM)
    if len(arms) != 2 or (graph.degree[np.concatenate([*arms, feet])] > 2).any():
        return []
    widths = [_width(look, graph, arm) for arm in arms]
    found = [width for width in widths if width is not None]
    return found if len(found) == len(arms) else []


def _width(look: FirstLook, graph: BundleGraph, feet: np.ndarray) -> Measure | None:
    """Median width across a bundle, as seen from above; the widest part lies half of it above the mat."""
    if len(feet) < _LEAST_POINTS:
        return None
    across = widths_across(look.foreground.filled, graph.points[feet], directions(graph)[feet], look.canvas.px_per_mm)
    across = across[np.isfinite(across)]
    if len(across) < _LEAST_POINTS:
        return None
    seen = float(np.median(across))
    spread = 1.4826 * float(np.median(np.abs(across - seen)))
    value = seen * height_factor(look, seen / 2)
    sources = (
        Source.of_u95(EDGES, _EDGES_U95_MM),
        Source.of_u95("width along the covering", 2 * spread),
        Source.of_u95(PARALLAX, seen - value),
    )
    return Budget(value, sources).measure()


def widths_across(mask: np.ndarray, points: np.ndarray, angle: np.ndarray, px_per_mm: float) -> np.ndarray:
    """(N,) mm that a mask reaches across each point, NaN where the point lies outside it.

    mask : (H, W) bool; points : (N, 2) canvas px; angle : (N,) rad, of the run at each
    """
    n = round(_REACH_MM / _STEP_MM)
    t = np.arange(-n, n + 1) * _STEP_MM * px_per_mm
    x = (points[:, :1] - np.sin(angle)[:, None] * t).astype(np.float32)
    y = (points[:, 1:] + np.cos(angle)[:, None] * t).astype(np.float32)
    share = cv2.remap(mask.view(np.uint8) * np.uint8(255), x, y, cv2.INTER_LINEAR, borderValue=0)
    on = share > 127
    left = np.where(on[:, n::-1].all(axis=1), n + 1, on[:, n::-1].argmin(axis=1))
    right = np.where(on[:, n:].all(axis=1), n + 1, on[:, n:].argmin(axis=1))
    return np.where(on[:, n], (left + right - 1) * _STEP_MM, np.nan)
