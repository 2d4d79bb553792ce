"""The camera of a bench photograph: a pinhole with k1, k2 above the plane of the mat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]


@dataclass(frozen=True)
class Camera:
    """K (3,3) px, k1, k2, and x_cam = R (x, y, -height) + t in mm; pixel centres at integers."""

    K: Floats
    k1: float
    k2: float
    R: Floats
    t: Floats
    width_px: int
    height_px: int

    def project(self, xyz_mm: Floats) -> tuple[Floats, Floats]:
        """(N,3) mm as x, y, height above the page -> (N,2) px and (N,) depth mm."""
        x, y, z = xyz_mm[:, 0], xyz_mm[:, 1], xyz_mm[:, 2]
        r = self.R.astype(xyz_mm.dtype)
        t = self.t.astype(xyz_mm.dtype)
        cam = [r[i, 0] * x + r[i, 1] * y - r[i, 2] * z + t[i] for i in range(3)]
        depth = np.maximum(cam[2], 1.0)
        u, v = cam[0] / depth, cam[1] / depth
        rr = np.minimum(u * u + v * v, 1.5)  # far outside the picture the polynomial would fold back into it
        swell = 1.0 + rr * (self.k1 + self.k2 * rr)
        fx, fy, cx, cy = (float(self.K[k]) for k in ((0, 0), (1, 1), (0, 2), (1, 2)))  # floats keep float32 arrays
        px = np.stack([fx * u * swell + cx, fy * v * swell + cy], axis=1)
        return px.astype(xyz_mm.dtype), cam[2]

    def to_ground(self, px: Floats, height_mm: float = 0.0) -> Floats:
        """(N,2) px -> (N,2) mm where the ray meets the plane `height_mm` above the page."""
        dist = np.array([self.k1, self.k2, 0.0, 0.0])
        flat = cv2.undistortPoints(np.asarray(px, float).reshape(-1, 1, 2), self.K, dist).reshape(-1, 2)
        rays = np.column_stack([flat, np.ones(len(flat))]) @ self.R
        origin = self.centre()
        reach = (-height_mm - origin[2]) / rays[:, 2]
        return origin[:2] + rays[:, :2] * reach[:, None]

    def centre(self) -> Floats:
        """Where the camera stands: (3,) mm as x, y, z down (negative above the page)."""
        return -self.R.T @ self.t

    def ground_map(self, step: int = 16) -> tuple[Floats, Floats]:
        """Page x and y mm of every pixel: two (H,W) float32 arrays, interpolated from a coarse lattice."""
        w, h = self.width_px, self.height_px
        nx, ny = w // step + 2, h // step + 2
        gx, gy = np.meshgrid(np.arange(nx) * step, np.arange(ny) * step)
        mm = self.to_ground(np.column_stack([gx.ravel(), gy.ravel()])).reshape(ny, nx, 2).astype(np.float32)
        px, py = np.meshgrid(np.arange(w, dtype=np.float32) / step, np.arange(h, dtype=np.float32) / step)
        return (
            cv2.remap(np.ascontiguousarray(mm[..., 0]), px, py, cv2.INTER_LINEAR),
            cv2.remap(np.ascontiguousarray(mm[..., 1]), px, py, cv2.INTER_LINEAR),
        )

    def mm_per_px(self, at_mm: tuple[float, float] | None = None) -> float:
        """Size of a pixel on the page, at the middle of the picture or at a place on the page."""
        if at_mm is None:
            centre = np.array([[(self.width_px - 1) / 2, (self.height_px - 1) / 2]])
        else:
            centre = self.project(np.array([[at_mm[0], at_mm[1], 0.0]]))[0]
        corners = centre + np.array([[-5.0, -5], [5, -5], [5, 5], [-5, 5]])
        area = cv2.contourArea(self.to_ground(corners).astype(np.float32))
        return float(np.sqrt(area) / 10)


def _rotation(tilt_deg: float, tilt_towards_deg: float, roll_deg: float) -> Floats:
    """World (x, y, z down) to camera for a look straight down, tilted, then rolled."""
    a = np.radians(tilt_towards_deg)
    axis = np.array([np.cos(a), np.sin(a), 0.0]) * np.radians(tilt_deg)
    spin = np.array([0.0, 0.0, np.radians(roll_deg)])
    return np.asarray(cv2.Rodrigues(spin)[0]) @ np.asarray(cv2.Rodrigues(axis)[0])


def place_camera(
    rng: np.random.Generator, look_at_mm: tuple[float, float], span_mm: float, width_px: int, closeup: bool
) -> Camera:
    """A hand-held phone that sees about `span_mm` across at `look_at_mm`."""
    focal = float(rng.choice([24, 26, 27, 28, 35, 50], p=[0.2, 0.28, 0.2, 0.12, 0.12, 0.08])) * rng.uniform(0.98, 1.02)
    f_px = focal / 36.0 * width_px
    distance = span_mm * focal / 36.0
    distance = float(np.clip(distance, 150, 260) if closeup else np.clip(distance, 250, 700))
    tilt = float(abs(rng.normal(0, 11)) if rng.random() < 0.75 else rng.uniform(0, 30))
    roll = float(rng.normal(0, 8) if rng.random() < 0.7 else rng.uniform(-180, 180))
    rot = _rotation(min(tilt, 30.0), rng.uniform(0, 360), roll)
    t = np.array([0.0, 0.0, distance]) - rot @ np.array([look_at_mm[0], look_at_mm[1], 0.0])
    height_px = round(width_px * 0.75)
    K = np.array([[f_px, 0, (width_px - 1) / 2], [0, f_px, (height_px - 1) / 2], [0, 0, 1.0]])
    return Camera(K, float(rng.normal(0.0, 0.025)), float(rng.normal(0, 0.006)), rot, t, width_px, height_px)
