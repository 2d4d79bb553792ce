"""One view of a page: pixels become millimetres here, and back, and the page is seen straight.

Mat frame: mm, origin at the page's top-left, x right, y down, heights above the page. Pixels: x right, y down, centres
at integers. How true the page was printed is part of the scale's uncertainty (`vision.print_scale`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from vision.layout import MatLayout
from vision.mat_camera import RVEC, SPREAD, TVEC, log_scale, project, unproject
from vision.mat_markers import FoundMarker
from vision.mat_pose import Pose
from vision.reading import Photo


@dataclass(frozen=True, eq=False)
class MatView:
    """How the camera saw the page. Angles in degrees; `u95_rel` is the scale's relative 95 % uncertainty.

    beside : views of further sheets in the same photograph
    """

    layout: MatLayout
    pose: Pose
    markers: tuple[FoundMarker, ...]
    residual_mm: float
    u95_rel: float
    tilt_deg: float
    beside: tuple[MatView, ...] = ()

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
    return visible_box_mm(view, np.zeros(2), np.array(view.layout.page_mm), height_mm)


def visible_box_mm(
    view: MatView, lowest: np.ndarray, highest: np.ndarray, height_mm: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Bounding box (lowest and highest x, y) of the part of a box on the table that the picture shows."""
    x, y = view.pose.frame.centre_px
    t = np.linspace(0, 1, 24)
    width, height = 2 * x, 2 * y
    rim = np.concatenate([
        np.column_stack([t * width, 0 * t]), np.column_stack([t * width, 0 * t + height]),
        np.column_stack([0 * t, t * height]), np.column_stack([0 * t + width, t * height]),
    ])  # fmt: skip
    mm = view.to_mm(rim, height_mm)
    away = ((view.to_mm(rim, height_mm - 1.0) - mm) * (mm - view.camera_mm[:2])).sum(1)
    if (away < 0).any():  # the picture reaches above the horizon
        return lowest, highest
    low, high = mm.min(0).clip(lowest, highest), mm.max(0).clip(lowest, highest)
    return (low, high) if (high - low).min() > 1 else (lowest, highest)
