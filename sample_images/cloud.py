"""Surface points of many parts, projected, with the nearest one kept in every pixel of a fine grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera

Floats = NDArray[Any]


@dataclass(frozen=True)
class Material:
    """What light does at n points: albedo (n,3) linear, gloss and metal (n,) 0..1, damage code (n,) uint8 or 0."""

    albedo: Floats
    gloss: Floats
    metal: Floats
    code: NDArray[np.uint8]


class Part(Protocol):
    """Something with a surface."""

    def points(self, camera: Camera, fine: int) -> Floats:
        """(N,3) float32 mm, close enough together that no pixel of the fine grid between them stays empty."""

    def surface(self, index: NDArray[np.integer]) -> tuple[Floats, Material]:
        """Normals (n,3), x, y, height, and materials of the points chosen by `index`."""


@dataclass(frozen=True)
class Visible:
    """The nearest point of each covered fine pixel; `flat` indexes the crop (rows, cols) at offset x0, y0 fine px."""

    x0: int
    y0: int
    shape: tuple[int, int]
    fine: int
    flat: NDArray[np.integer]
    xyz: Floats
    normal: Floats
    albedo: Floats
    gloss: Floats
    metal: Floats
    code: NDArray[np.uint8]
    part: NDArray[np.int16]


def look(camera: Camera, parts: Sequence[Part], fine: int) -> Visible:
    """Project all parts on a grid `fine` times finer than the picture and keep what is seen."""
    clouds = [part.points(camera, fine) for part in parts]
    starts = np.concatenate([[0], np.cumsum([len(c) for c in clouds])])
    xyz = np.concatenate(clouds).astype(np.float32)
    px, depth = camera.project(xyz)
    bad = ~(np.abs(px).max(axis=1) < 1e6)  # points beside or behind the lens have no place
    px = np.where(bad[:, None], -1e6, px)
    ix = np.floor((px[:, 0] + 0.5) * fine).astype(np.int32)
    iy = np.floor((px[:, 1] + 0.5) * fine).astype(np.int32)
    inside = (depth > 40) & (ix >= 0) & (iy >= 0) & (ix < camera.width_px * fine) & (iy < camera.height_px * fine)
    if not inside.any():
        x0 = y0 = x1 = y1 = 0
    else:
        x0, x1 = int(ix[inside].min()) // fine * fine, (int(ix[inside].max()) // fine + 1) * fine - 1
        y0, y1 = int(iy[inside].min()) // fine * fine, (int(iy[inside].max()) // fine + 1) * fine - 1
    shape = (y1 - y0 + 1, x1 - x0 + 1)
    nearest = _nearest(ix - x0, iy - y0, depth, inside, shape)
    flat = np.flatnonzero(nearest >= 0)
    chosen = nearest.ravel()[flat]
    return _gather(parts, starts, xyz, chosen, flat, (x0, y0), shape, fine)


def _nearest(
    ix: NDArray[np.int32], iy: NDArray[np.int32], depth: Floats, inside: NDArray[np.bool_], shape: tuple[int, int]
) -> NDArray[np.int32]:
    """(rows, cols) index of the nearest point, -1 where none; single empty pixels take a neighbour's."""
    index = np.flatnonzero(inside)
    flat = iy[index].astype(np.int64) * shape[1] + ix[index]
    key = ((depth[index] * 4096).astype(np.uint64) << np.uint64(32)) | index.astype(np.uint64)
    buffer = np.full(shape[0] * shape[1], np.iinfo(np.uint64).max, np.uint64)
    np.minimum.at(buffer, flat, key)
    grid = (buffer & np.uint64(0xFFFFFFFF)).astype(np.uint32).view(np.int32).reshape(shape)  # empty cells become -1
    for a, b in (((0, 1), (0, -1)), ((1, 0), (-1, 0))):  # a gap of one pixel between two covered ones is a hole
        left, right = np.roll(grid, a, (0, 1)), np.roll(grid, b, (0, 1))
        hole = (grid < 0) & (left >= 0) & (right >= 0)
        grid[hole] = left[hole]
    return grid


def _gather(
    parts: Sequence[Part],
    starts: NDArray[np.integer],
    xyz: Floats,
    chosen: NDArray[np.integer],
    flat: NDArray[np.integer],
    corner: tuple[int, int],
    shape: tuple[int, int],
    fine: int,
) -> Visible:
    n = len(chosen)
    normal = np.zeros((n, 3), np.float32)
    albedo = np.zeros((n, 3), np.float32)
    gloss, metal = np.zeros(n, np.float32), np.zeros(n, np.float32)
    code, owner = np.zeros(n, np.uint8), np.zeros(n, np.int16)
    by_part = np.searchsorted(starts, chosen, side="right") - 1
    order = np.argsort(by_part, kind="stable")
    edges = np.searchsorted(by_part[order], np.arange(len(parts) + 1))
    for k, part in enumerate(parts):
        mine = order[edges[k] : edges[k + 1]]
        if len(mine) == 0:
            continue
        normal[mine], m = part.surface(chosen[mine] - starts[k])
        albedo[mine], gloss[mine], metal[mine], code[mine], owner[mine] = m.albedo, m.gloss, m.metal, m.code, k
    return Visible(*corner, shape, fine, flat, xyz[chosen], normal, albedo, gloss, metal, code, owner)
