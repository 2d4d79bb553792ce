"""A sprite placed on the bench as surface points: its top, and the walls below every step of its height."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.cloud import Material
from sample_images.sprites import Sprite

Floats = NDArray[Any]


@dataclass
class HardPart:
    """`code` is given to damaged pixels of the sprite (0: none is marked); with `by_kind` the kind of damage is added
    to it. `lift_mm` raises the whole part."""

    sprite: Sprite
    xy_mm: Floats
    heading: float
    code: int = 0
    lift_mm: float = 0.0
    by_kind: bool = False
    _rows: NDArray[np.integer] | None = field(default=None, repr=False)
    _cols: NDArray[np.integer] | None = field(default=None, repr=False)
    _slopes: tuple[Floats, Floats, int] | None = field(default=None, repr=False)  # and where the walls' points begin

    def points(self, camera: Camera, fine: int) -> Floats:
        sp = self.sprite
        height = np.where(sp.mask, sp.height_mm, 0).astype(np.float32)
        rows, cols = np.nonzero(sp.mask)
        gap = 1.0 / sp.px_per_mm
        padded = np.pad(height, 1)
        around = np.stack([padded[1:-1, 2:], padded[1:-1, :-2], padded[2:, 1:-1], padded[:-2, 1:-1]])
        drop = np.maximum(height - around.min(0), 0)[rows, cols]
        levels = np.where(drop > 1.5 * gap, np.ceil(drop / gap), 0).astype(np.int64)
        which = np.repeat(np.arange(len(rows)), levels)
        step = np.arange(len(which)) - np.repeat(np.cumsum(levels) - levels, levels) + 1
        z = np.concatenate([height[rows, cols], height[rows, cols][which] - step * gap])
        self._rows, self._cols = np.concatenate([rows, rows[which]]), np.concatenate([cols, cols[which]])
        slope_x = (around[1] - around[0]) * sp.px_per_mm / 2
        slope_y = (around[3] - around[2]) * sp.px_per_mm / 2
        self._slopes = (slope_x, slope_y, len(rows))
        x = (self._cols - sp.anchor_px[0]) / sp.px_per_mm
        y = (self._rows - sp.anchor_px[1]) / sp.px_per_mm
        xy = self.place(np.stack([x, y], axis=1))
        return np.column_stack([xy, np.maximum(z, 0) + self.lift_mm]).astype(np.float32)

    def place(self, own_mm: Floats) -> Floats:
        """(N,2) mm from the anchor, x away from the wires -> (N,2) mm on the page."""
        c, s = np.cos(self.heading), np.sin(self.heading)
        return np.stack([c * own_mm[:, 0] - s * own_mm[:, 1], s * own_mm[:, 0] + c * own_mm[:, 1]], axis=1) + self.xy_mm

    def _normals(self, index: NDArray[np.integer]) -> Floats:
        assert self._rows is not None and self._cols is not None and self._slopes is not None
        slope_x, slope_y, first_wall = self._slopes
        wall = index >= first_wall
        sx, sy = slope_x[self._rows[index], self._cols[index]], slope_y[self._rows[index], self._cols[index]]
        steep = np.hypot(sx, sy)
        limit = np.where(steep > 2.5, 0.6 / np.maximum(steep, 1e-6), 1.0)  # a rounded edge, not a knife
        sx, sy = np.where(wall, sx, sx * limit), np.where(wall, sy, sy * limit)
        c, s = np.cos(self.heading), np.sin(self.heading)
        n = np.stack([c * sx - s * sy, s * sx + c * sy, np.where(wall, 0.08, 1.0)], axis=1)
        return (n / (np.linalg.norm(n, axis=1, keepdims=True) + 1e-9)).astype(np.float32)

    def surface(self, index: NDArray[np.integer]) -> tuple[Floats, Material]:
        assert self._rows is not None and self._cols is not None  # points() comes first
        r, c = self._rows[index], self._cols[index]
        sp = self.sprite
        kind = sp.damage[r, c]
        code = np.where(kind > 0, self.code + (kind if self.by_kind else 0), 0).astype(np.uint8)
        return self._normals(index), Material(sp.albedo[r, c], sp.gloss[r, c], sp.metal[r, c], code)
