"""Finds the printed mat in a photograph and turns pixels into millimetres, and back.

Mat frame: mm, origin at the page's top-left, x right, y down, heights above the page. Pixels: x right, y down, centres
at integers. How true the page was printed is part of the scale's uncertainty (`vision.print_scale`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from vision.layout import MatLayout
from vision.mat_camera import RVEC, SPREAD, TVEC, log_scale, project, unproject
from vision.mat_codes import Reading
from vision.mat_markers import FoundMarker, find_markers, refined
from vision.mat_pose import Pose, scale_u95_rel, solve_pose
from vision.reading import Photo

WORST_RESIDUAL_MM = 1.5
_MIN_MARKERS_QUICK = 3
_SHARP_PX = 1.0


@dataclass(frozen=True)
class NoMat:
    """Why no mat could be used."""

    reason: str


@dataclass(frozen=True, eq=False)
class MatView:
    """How the camera saw the page. Angles in degrees; `u95_rel` is the scale's relative 95 % uncertainty."""

    layout: MatLayout
    pose: Pose
    markers: tuple[FoundMarker, ...]
    residual_mm: float
    u95_rel: float
    tilt_deg: float

    @property
    def K(self) -> np.ndarray:
        """(3, 3) camera matrix, px."""
        return self.pose.K

    @property
    def k1(self) -> float:
        """Radial distortion, second order."""
        return float(self.pose.params[1])

    @property
    def k2(self) -> float:
        """Radial distortion, fourth order."""
        return float(self.pose.params[2])

    @property
    def rvec(self) -> np.ndarray:
        """(3,) rotation from page axes (x right, y down, z into the page) to camera axes."""
        return self.pose.params[RVEC]

    @property
    def tvec(self) -> np.ndarray:
        """(3,) mm, the page's origin in camera axes."""
        return self.pose.params[TVEC]

    @property
    def spread_mm(self) -> float:
        """How far the edges of black print appear outside their place (ink, blooming, tone curve); negative: inside."""
        return float(self.pose.params[SPREAD])

    @cached_property
    def _rotation(self) -> np.ndarray:
        return cv2.Rodrigues(self.rvec)[0]

    @cached_property
    def camera_mm(self) -> np.ndarray:
        """(3,) x, y and height above the page of the camera, mm."""
        x, y, into = -self._rotation.T @ self.tvec
        return np.array([x, y, -into])

    def to_px(self, mm: np.ndarray, height_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """(N, 2) mm at a height (one, or one each) above the page to (N, 2) px."""
        mm = np.asarray(mm, float).reshape(-1, 2)
        return project(self.pose.params, self.pose.frame, mm, height_mm) if len(mm) else mm

    def to_mm(self, px: np.ndarray, height_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """(N, 2) px to (N, 2) mm of the points at a height above the page that appear there."""
        px = np.asarray(px, float).reshape(-1, 2)
        return unproject(self.pose.params, self.pose.frame, px, height_mm) if len(px) else px

    @cached_property
    def middle_mm(self) -> np.ndarray:
        """(2,) mm, the middle of the part of the page in view: the page's centre when all of it is."""
        low, high = visible_page_mm(self)
        return (low + high) / 2

    @cached_property
    def mm_per_px(self) -> float:
        """On the page, at the middle of its visible part."""
        return self.mm_per_px_at(self.middle_mm)

    def mm_per_px_at(self, mm: np.ndarray, height_mm: float = 0.0) -> float:
        """Around one (2,) point at a height above the page: geometric mean over directions."""
        return float(np.exp(log_scale(self.pose.params, self.pose.frame, np.asarray(mm, float), height_mm)))

    @property
    def blur_px(self) -> float | None:
        """Sigma of the blur at the markers' edges (median), None where none was measured."""
        seen = [m.blur_px for m in self.markers if m.blur_px is not None]
        return float(np.median(seen)) if seen else None


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
        found = found or more
    return _drawn_or_photographed(photo, grey, view) if view else NoMat(_why_none(found, mirrored, layouts))


def _drawn_or_photographed(photo: Photo, grey: np.ndarray, view: MatView) -> MatView:
    """Very sharp edges may come from a drawing program, which mixes encoded values: keep what explains more."""
    if len(view.markers) < _MIN_MARKERS_QUICK or view.blur_px is None or view.blur_px > _SHARP_PX:
        return view
    other = _view(photo, view.layout, refined(grey, view.markers, "encoded"))
    return other if other and other.residual_mm < view.residual_mm else view


def _best_view(photo: Photo, found: list[FoundMarker], layouts: Sequence[MatLayout]) -> MatView | None:
    """The best-explained layout; the first three by number of matching markers are tried."""
    matches = [(layout, [m for m in found if (m.dictionary, m.id) in layout.marker_corners_mm]) for layout in layouts]
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


def rectify(
    photo: Photo, view: MatView, px_per_mm: float, height_mm: float = 0.0
) -> tuple[np.ndarray, tuple[float, float]]:
    """The page seen straight from above: (H, W, 3) BGR and the (x, y) mm of its first pixel's outer corner.

    Pixel (i, j) shows mm origin + (i + 0.5, j + 0.5) / px_per_mm, for things `height_mm` above the page. Cut to the
    visible part of the page; what lies outside the photograph is black.
    """
    low, high = visible_page_mm(view, height_mm)
    low = np.floor(low * px_per_mm) / px_per_mm  # on the grid of the layout's raster
    width, height = (max(1, int(n)) for n in np.ceil((high - low) * px_per_mm))
    return straight_picture(photo, view, low, px_per_mm, (width, height), height_mm), (float(low[0]), float(low[1]))


def straight_picture(
    photo: Photo, view: MatView, low: np.ndarray, px_per_mm: float, size: tuple[int, int], height_mm: float
) -> np.ndarray:
    """(H, W, 3) BGR, the plane at a height seen straight, `size` (w, h) from the mm `low` on; black outside the photo.

    Places are exact every 16 px and linear between, reckoned a few rows at a time.
    """
    step = 16
    nx, ny = (-(-n // step) + 2 for n in size)
    # cv2.resize puts sample k of the coarse grid at (k + 0.5) step - 0.5; one more sample around keeps it from clamping
    gx, gy = np.meshgrid((np.arange(nx) - 0.5) * step, (np.arange(ny) - 0.5) * step)
    px = view.to_px(low + np.stack([gx.ravel(), gy.ravel()], 1) / px_per_mm, height_mm)
    coarse = px.astype(np.float32).reshape(ny, nx, 2)
    flat = np.empty((size[1], size[0], 3), np.uint8)
    blocks = 4
    for k in range(0, ny - 2, blocks):
        part = coarse[k : k + blocks + 2]
        fine = cv2.resize(part, (nx * step, len(part) * step), interpolation=cv2.INTER_LINEAR)
        rows = slice(k * step, min((k + blocks) * step, size[1]))
        places = fine[step : step + rows.stop - rows.start, step : step + size[0]]
        x, y = places[..., 0].copy(), places[..., 1].copy()
        flat[rows] = cv2.remap(photo.bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return flat


def visible_page_mm(view: MatView, height_mm: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Bounding box (lowest and highest x, y) of the part of the page that the picture shows."""
    x, y = view.pose.frame.centre_px
    t = np.linspace(0, 1, 24)
    width, height = 2 * x, 2 * y
    rim = np.concatenate([
        np.column_stack([t * width, 0 * t]), np.column_stack([t * width, 0 * t + height]),
        np.column_stack([0 * t, t * height]), np.column_stack([0 * t + width, t * height]),
    ])  # fmt: skip
    mm = view.to_mm(rim, height_mm)
    page = np.array(view.layout.page_mm)
    away = ((view.to_mm(rim, height_mm - 1.0) - mm) * (mm - view.camera_mm[:2])).sum(1)
    if (away < 0).any():  # the picture reaches above the horizon
        return np.zeros(2), page
    low, high = mm.min(0).clip(0, page), mm.max(0).clip(0, page)
    return (low, high) if (high - low).min() > 1 else (np.zeros(2), page)
