"""Tubes along a curve in space: wires, sleeves, tape, conduit, strands; the side towards the camera only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.cloud import Material

Floats = NDArray[Any]
Paint = Callable[[Floats, Floats], Material]
Relief = Callable[[Floats, Floats], Floats]


@dataclass
class Tube:
    """A tube: axis (N,3) mm, its own arc length s, radii sideways and upwards (N,), paint and relief over (s, angle).

    The angle is 0 at the left, pi/2 on top. Relief is added to the radius, in mm.
    """

    axis: Floats
    s: Floats
    side_mm: Floats
    up_mm: Floats
    paint: Paint
    relief: Relief | None = None
    density: float = 0.68  # spacing of points in fine pixels
    _grid: tuple[Any, ...] | None = field(default=None, repr=False)

    def points(self, camera: Camera, fine: int) -> Floats:
        origin = camera.centre() * np.array([1, 1, -1.0])
        gap = self.density * np.linalg.norm(self.axis.mean(0) - origin) / camera.K[0, 0] / fine
        length = max(float(self.s[-1] - self.s[0]), gap)
        reach = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self.axis, axis=0), axis=1))])
        at = np.linspace(0, reach[-1], max(3, int(max(length, reach[-1]) / gap)))
        axis = np.stack([np.interp(at, reach, self.axis[:, k]) for k in range(3)], axis=1)
        s, a, b = (np.interp(at, reach, v) for v in (self.s, self.side_mm, self.up_mm))
        wide = float(max(self.side_mm.max(), self.up_mm.max()))
        edge = 1 - 0.5 * (gap / self.density) / max(wide, gap)  # a fine pixel counts when its middle is covered
        u = np.linspace(-edge, edge, max(5, int(2.3 * wide / gap)))
        return self._sweep(axis.astype(np.float32), s, a, b, u.astype(np.float32), origin)

    def _sweep(self, axis: Floats, s: Floats, a: Floats, b: Floats, u: Floats, origin: Floats) -> Floats:
        tangent = np.gradient(axis, axis=0)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
        view = (origin - axis).astype(np.float32)
        facing = view - (view * tangent).sum(1, keepdims=True) * tangent
        facing /= np.linalg.norm(facing, axis=1, keepdims=True) + 1e-9
        across = np.cross(tangent, facing)
        level = np.stack([-tangent[:, 1], tangent[:, 0], np.zeros(len(axis), np.float32)], axis=1)
        level /= np.linalg.norm(level, axis=1, keepdims=True) + 1e-9
        rise = np.cross(tangent, level)
        rise *= np.where(rise[:, 2:] < 0, -1, 1)
        c, d = u[None], np.sqrt(np.maximum(1 - u * u, 0))[None]
        h = c * (across * level).sum(1)[:, None] + d * (facing * level).sum(1)[:, None]
        g = c * (across * rise).sum(1)[:, None] + d * (facing * rise).sum(1)[:, None]
        a, b = a.astype(np.float32)[:, None], b.astype(np.float32)[:, None]
        r = a * b / np.sqrt((b * h) ** 2 + (a * g) ** 2 + 1e-12)
        angle = np.arctan2(g, -h)
        along = np.broadcast_to(s.astype(np.float32)[:, None], angle.shape)
        if self.relief is not None:
            r = np.maximum(r + self.relief(along, angle).astype(np.float32), 0.03)
        xyz = axis[:, None] + (r * h)[..., None] * level[:, None] + (r * g)[..., None] * rise[:, None]
        self._grid = (along, angle, level, rise, h / a**2, g / b**2, xyz if self.relief is not None else None)
        return xyz.reshape(-1, 3)

    def surface(self, index: NDArray[np.integer]) -> tuple[Floats, Material]:
        assert self._grid is not None  # points() comes first
        along, angle, level, rise, nh, ng, xyz = self._grid
        i, j = np.divmod(index, along.shape[1])
        normal = nh[i, j][:, None] * level[i] + ng[i, j][:, None] * rise[i]
        normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-9
        if xyz is not None:
            normal = _bent(xyz, i, j, normal)
        material = self.paint(along[i, j], angle[i, j])
        self._grid = None
        return normal, material


def _bent(xyz: Floats, i: NDArray[np.integer], j: NDArray[np.integer], smooth: Floats) -> Floats:
    """Normals of the displaced grid by central differences, turned to the side of the smooth normals."""
    n, m = xyz.shape[:2]
    ds = xyz[np.minimum(i + 1, n - 1), j] - xyz[np.maximum(i - 1, 0), j]
    du = xyz[i, np.minimum(j + 1, m - 1)] - xyz[i, np.maximum(j - 1, 0)]
    cross = np.cross(ds, du)
    size = np.linalg.norm(cross, axis=1, keepdims=True)
    cross = np.where(size > 1e-9, cross / (size + 1e-12), smooth)
    return cross * np.where((cross * smooth).sum(1, keepdims=True) < 0, -1, 1)


def stretch(axis: Floats, s: Floats, low: float, high: float) -> tuple[Floats, Floats]:
    """The part of a sampled curve between two arc lengths, ends interpolated."""
    inner = (s > low) & (s < high)
    at = np.concatenate([[low], s[inner], [high]])
    return np.stack([np.interp(at, s, axis[:, k]) for k in range(3)], axis=1), at
