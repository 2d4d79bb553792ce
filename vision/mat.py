"""Finds the printed mat in a photograph: which layout explains its markers, and whether that may be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.layout import MatLayout
from vision.mat_camera import RVEC
from vision.mat_codes import Reading
from vision.mat_doubt import doubt
from vision.mat_markers import FoundMarker, find_markers, refined
from vision.mat_pose import scale_u95_rel, solve_pose
from vision.mat_view import MatView, rectify, straight_picture, visible_page_mm
from vision.reading import Photo
from vision.screen_photo import why_a_screen

__all__ = ["MatView", "NoMat", "find_mat", "rectify", "straight_picture", "visible_page_mm"]

WORST_RESIDUAL_MM = 1.5
_MIN_MARKERS_QUICK = 3
_SHARP_PX = 1.0


@dataclass(frozen=True)
class NoMat:
    """Why no mat could be used. on_screen : the picture shows a screen, so that no scale at all would hold."""

    reason: str
    on_screen: bool = False


def find_mat(photo: Photo, layouts: Sequence[MatLayout]) -> MatView | NoMat:
    """The layout that explains most of the markers in the photograph, with its pose; or why there is none."""
    if not layouts:
        return NoMat("no layout was given to look for")
    grey = cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY)
    dictionaries = tuple(dict.fromkeys(m.dictionary for layout in layouts for m in layout.markers))
    found, mirrored = find_markers(grey, dictionaries)
    view = _best_view(photo, found, layouts)
    if view is None or len(view.markers) < _MIN_MARKERS_QUICK:
        more, mirrored = find_markers(grey, dictionaries, thorough=True)
        second = _best_view(photo, more, layouts)
        if second and (view is None or len(second.markers) > len(view.markers)):
            view = second
        found = more if len(more) > len(found) else found
    if view is None:
        return NoMat(_why_none(found, mirrored, layouts))
    view = _drawn_or_photographed(photo, grey, view)
    beside = _other_views(photo, found, layouts, view)
    reason = doubt(view, _of_layout(found, view.layout), beside)
    if reason:
        return NoMat(reason)
    screen = why_a_screen(photo, view)
    return NoMat(screen, on_screen=True) if screen else replace(view, beside=tuple(beside))


def _drawn_or_photographed(photo: Photo, grey: np.ndarray, view: MatView) -> MatView:
    """Very sharp edges may come from a drawing program, which mixes encoded values: keep what explains more."""
    if len(view.markers) < _MIN_MARKERS_QUICK or view.blur_px is None or view.blur_px > _SHARP_PX:
        return view
    other = _view(photo, view.layout, refined(grey, view.markers, "encoded"))
    return other if other and other.residual_mm < view.residual_mm else view


def _of_layout(found: Sequence[FoundMarker], layout: MatLayout) -> list[FoundMarker]:
    return [m for m in found if (m.dictionary, m.id) in layout.marker_corners_mm]


def _other_views(photo: Photo, found: list[FoundMarker], layouts: Sequence[MatLayout], view: MatView) -> list[MatView]:
    """Views of further mats by the markers that the chosen layout does not have."""
    rest = [m for m in found if (m.dictionary, m.id) not in view.layout.marker_corners_mm]
    if len(rest) < _MIN_MARKERS_QUICK:
        return []
    others = ((layout, _of_layout(rest, layout)) for layout in layouts)
    views = (_view(photo, layout, mine) for layout, mine in others if len(mine) >= _MIN_MARKERS_QUICK)
    return [v for v in views if v is not None]


def _best_view(photo: Photo, found: list[FoundMarker], layouts: Sequence[MatLayout]) -> MatView | None:
    """The best-explained layout; the first three by number of matching markers are tried."""
    matches = [(layout, _of_layout(found, layout)) for layout in layouts]
    ranked = sorted((pair for pair in matches if pair[1]), key=lambda pair: -len(pair[1]))[:3]
    views = [view for layout, markers in ranked if (view := _view(photo, layout, markers))]
    return max(views, key=lambda v: (len(v.markers), -v.residual_mm), default=None)


def _view(photo: Photo, layout: MatLayout, markers: Sequence[FoundMarker]) -> MatView | None:
    corners = layout.marker_corners_mm
    mm = np.concatenate([corners[m.dictionary, m.id] for m in markers])
    px = np.concatenate([m.corners_px for m in markers])
    pose = solve_pose(mm, px, (photo.width_px, photo.height_px), photo.focal_35mm, layout.page_mm)
    if pose is None:
        return None
    whole = pose.inliers.reshape(-1, 4).sum(1) >= 3
    kept = tuple(m for m, ok in zip(markers, whole, strict=True) if ok)
    rotation = cv2.Rodrigues(pose.params[RVEC])[0]
    # the camera must look at the printed face
    if not kept or rotation[2, 2] <= 0:
        return None
    tilt = float(np.degrees(np.arccos(min(1.0, rotation[2, 2]))))
    view = MatView(layout, pose, kept, 0.0, 0.0, tilt)
    seen = mm + view.spread_mm * np.tile([[-1, -1], [1, -1], [1, 1], [-1, 1]], (len(markers), 1))
    error = (view.to_mm(px) - seen)[pose.inliers]
    residual = float(np.sqrt((error**2).sum(1).mean()))
    if residual > WORST_RESIDUAL_MM:
        return None
    return replace(view, residual_mm=residual, u95_rel=_u95_rel(view))


def _u95_rel(view: MatView) -> float:
    """Of the scale at the middle of the visible part: what the markers tell, and how true the print is."""
    return float(np.hypot(scale_u95_rel(view.pose, view.middle_mm), view.layout.print_u95_rel))


def _why_none(found: list[FoundMarker], mirrored: list[Reading], layouts: Sequence[MatLayout]) -> str:
    known = {key for layout in layouts for key in layout.marker_corners_mm}
    ids = sorted({m.id for m in found})
    shown = ", ".join(map(str, ids[:8])) + (", ..." if len(ids) > 8 else "")
    if any((m.dictionary, m.id) in known for m in found):
        return f"the markers seen (ids {shown}) do not lie as on any known mat; lay the page flat and try again"
    if any((m.dictionary, m.id) in known for m in mirrored):
        return "the mat is mirrored; print it from the original file and send photographs that are not flipped"
    if found:
        return f"markers were seen (ids {shown}) but they belong to no known mat; name its layout file with --mat"
    return "no marker was seen; lay the assembly on the mat with at least three markers in view"
