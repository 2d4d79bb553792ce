"""Smooth random fields: one along a line, one on a surface, one as a picture."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]


class Line:
    """A smooth random function of length with features about `scale_mm` long, mean 0, deviation about 1."""

    def __init__(self, rng: np.random.Generator, scale_mm: float, size: int = 256) -> None:
        self._table = rng.standard_normal(size).astype(np.float32)
        self._scale = float(scale_mm)
        self._start = float(rng.uniform(0, size))

    def __call__(self, s_mm: Floats) -> Floats:
        at = np.asarray(s_mm) / self._scale + self._start
        whole = np.floor(at)
        i = whole.astype(np.int32)
        f = at - whole
        f = f * f * (3 - 2 * f)
        n = len(self._table)
        return (self._table[i % n] * (1 - f) + self._table[(i + 1) % n] * f) * 1.3


class Sheet:
    """A smooth random function of two coordinates, each with its own feature size, mean 0, deviation about 1."""

    def __init__(self, rng: np.random.Generator, scale_x: float, scale_y: float, size: int = 64) -> None:
        self._table = rng.standard_normal((size, size)).astype(np.float32)
        self._sx, self._sy = float(scale_x), float(scale_y)

    def __call__(self, x: Floats, y: Floats) -> Floats:
        n = len(self._table)
        ax, ay = np.asarray(x) / self._sx, np.asarray(y) / self._sy
        wx, wy = np.floor(ax), np.floor(ay)
        ix, iy = wx.astype(np.int32), wy.astype(np.int32)
        fx, fy = ax - wx, ay - wy
        fx, fy = fx * fx * (3 - 2 * fx), fy * fy * (3 - 2 * fy)
        ix0, iy0, ix1, iy1 = ix % n, iy % n, (ix + 1) % n, (iy + 1) % n
        t = self._table
        top = t[iy0, ix0] * (1 - fx) + t[iy0, ix1] * fx
        low = t[iy1, ix0] * (1 - fx) + t[iy1, ix1] * fx
        return (top * (1 - fy) + low * fy) * 1.5


def picture(rng: np.random.Generator, shape: tuple[int, int], scale_px: float) -> Floats:
    """(H,W) float32 smooth noise with blobs about `scale_px` wide, mean 0, deviation 1."""
    h, w = shape
    small = rng.standard_normal((max(3, int(h / scale_px) + 3), max(3, int(w / scale_px) + 3))).astype(np.float32)
    big = cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    return (big - big.mean()) / max(float(big.std()), 1e-6)


def steps(x: Floats, low: Floats | float, high: Floats | float) -> Floats:
    """Smooth 0..1 step between `low` and `high` (either order)."""
    f = np.clip((x - low) / (high - low), 0, 1)
    return f * f * (3 - 2 * f)
