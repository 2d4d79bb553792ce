"""The camera over a page as fifteen numbers, and how they put points of the page into the picture.

The numbers: log of the focal length in px; k1, k2; rotation (3) and translation (3, mm) from page axes (x right,
y down, z INTO the page) to camera axes; `spread`, mm by which the edges of black squares appear outside their place;
shift of the principal point from the picture's middle (2), as shares of its long side; bend of the page (3), mm: it
lies bx u^2 + bxy u v + by v^2 deeper than its tangent plane in the middle, u and v being 1 at half the long side.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

FOCAL, K1, K2, SPREAD = 0, 1, 2, 9
RVEC, TVEC, SHIFT, BEND = slice(3, 6), slice(6, 9), slice(10, 12), slice(12, 15)
COUNT = 15


@dataclass(frozen=True)
class Frame:
    """What does not change in a fit: the picture's middle (px) and the page's size (mm)."""

    centre_px: tuple[float, float]
    page_mm: tuple[float, float]

    @property
    def long_px(self) -> float:
        """Long side of the picture."""
        return 2 * max(self.centre_px) + 1

    def bend_basis(self, mm: np.ndarray) -> np.ndarray:
        """(N, 3) u^2, u v, v^2 of (N, 2) places in mm; outside the page the rim's values go on."""
        half = np.array(self.page_mm) / 2
        u, v = (np.clip(mm - half, -half, half) / half.max()).T
        return np.stack([u * u, u * v, v * v], 1)


def camera_matrix(params: np.ndarray, frame: Frame) -> np.ndarray:
    """(3, 3): square pixels."""
    focal = float(np.exp(params[FOCAL]))
    x, y = np.array(frame.centre_px) + params[SHIFT] * frame.long_px
    return np.array([[focal, 0, x], [0, focal, y], [0, 0, 1.0]])


def lens(params: np.ndarray) -> np.ndarray:
    """OpenCV's distortion coefficients."""
    return np.array([params[K1], params[K2], 0, 0])


def page_points(params: np.ndarray, frame: Frame, mm: np.ndarray, height_mm: float | np.ndarray = 0.0) -> np.ndarray:
    """(N, 3) page axes of (N, 2) mm that lie `height_mm` (one, or one each) above the bent page."""
    into = frame.bend_basis(mm) @ params[BEND] - height_mm
    return np.column_stack([mm, into])


def project(params: np.ndarray, frame: Frame, mm: np.ndarray, height_mm: float | np.ndarray = 0.0) -> np.ndarray:
    """(N, 2) mm at a height above the page to (N, 2) px."""
    points = page_points(params, frame, mm, height_mm)
    px, _ = cv2.projectPoints(points, params[RVEC], params[TVEC], camera_matrix(params, frame), lens(params))
    return px.reshape(-1, 2)


def unproject(params: np.ndarray, frame: Frame, px: np.ndarray, height_mm: float | np.ndarray = 0.0) -> np.ndarray:
    """(N, 2) px to (N, 2) mm of the points at a height above the page that appear there."""
    rotation = cv2.Rodrigues(params[RVEC])[0]
    rays = np.column_stack([_undistorted(params, frame, px), np.ones(len(px))]) @ rotation
    origin = -rotation.T @ params[TVEC]
    lift = np.broadcast_to(np.asarray(height_mm, float), len(px))
    mm = _meet(origin, rays, -lift)
    if params[BEND].any():
        for _ in range(6):  # a bend is a small part of the camera's distance: each turn gains a digit or two
            mm = _meet(origin, rays, frame.bend_basis(mm) @ params[BEND] - lift)
    return mm


def _meet(origin: np.ndarray, rays: np.ndarray, into: np.ndarray) -> np.ndarray:
    """(N, 2) where rays from one origin reach a depth each."""
    step = (into - origin[2]) / rays[:, 2]
    mm: np.ndarray = origin[:2] + step[:, None] * rays[:, :2]
    return mm


def _undistorted(params: np.ndarray, frame: Frame, px: np.ndarray) -> np.ndarray:
    """(N, 2) normalised image coordinates without lens distortion: Newton's method on the radius."""
    K = camera_matrix(params, frame)
    k1, k2 = params[K1], params[K2]
    bent = (px - K[:2, 2]) / K[0, 0]
    seen = np.linalg.norm(bent, axis=1, keepdims=True)
    radius = seen.copy()
    for _ in range(20):
        r2 = radius**2
        slope = 1 + r2 * (3 * k1 + 5 * k2 * r2)
        # past the fold of a strong lens there is no inverse: keep step and radius finite there
        step = (radius * (1 + r2 * (k1 + r2 * k2)) - seen) / np.maximum(slope, 0.05)
        radius = np.clip(radius - step, 0.0, 3.0 * seen)
        if np.abs(step).max(initial=0.0) < 1e-12:
            break
    r2 = radius**2
    straight: np.ndarray = bent / (1 + r2 * (k1 + r2 * k2))
    return straight


def log_scale(params: np.ndarray, frame: Frame, at_mm: np.ndarray, height_mm: float) -> float:
    """Log of mm per px around a point `height_mm` above the page: geometric mean over directions."""
    d = 0.5
    shifts = np.array([[-d, 0], [d, 0], [0, -d], [0, d]])
    px = project(params, frame, np.asarray(at_mm, float) + shifts, height_mm)
    dx, dy = px[1] - px[0], px[3] - px[2]
    return -0.5 * float(np.log(abs(dx[0] * dy[1] - dx[1] * dy[0]))) + float(np.log(2 * d))
