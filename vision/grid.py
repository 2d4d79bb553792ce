"""What each cell was recognised as, on the cells' own grid: masks, components, outlines."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.cells import Cells


@dataclass(frozen=True)
class CellGrid:
    """Cells as a raster.

    step_px : cell pitch in canvas px; origin_px : canvas px (x, y) of cell (0, 0)
    index : (h, w) int, number of the cell or -1
    """

    step_px: float
    origin_px: tuple[float, float]
    index: np.ndarray

    def spread(self, values: np.ndarray, empty: float = 0.0) -> np.ndarray:
        """(N,) or (N, C) values of cells as an (h, w[, C]) float32 raster."""
        raster = np.full((*self.index.shape, *values.shape[1:]), empty, np.float32)
        known = self.index >= 0
        raster[known] = values[self.index[known]]
        return raster

    def to_canvas(self, ij: np.ndarray) -> np.ndarray:
        """(N, 2) grid (x, y) to canvas px."""
        return np.asarray(ij, float) * self.step_px + self.origin_px


def make_grid(cells: Cells) -> CellGrid:
    """The raster of the cells, with one empty cell around."""
    xy = cells.xy
    if len(xy) == 0:
        return CellGrid(1.0, (0.0, 0.0), np.full((3, 3), -1))
    gaps = np.concatenate([np.diff(np.unique(xy[:, k])) for k in (0, 1)])
    step = float(gaps.min()) if len(gaps) else 1.0
    low = xy.min(axis=0) - step
    ij = np.round((xy - low) / step).astype(int)
    index = np.full((ij[:, 1].max() + 2, ij[:, 0].max() + 2), -1)
    index[ij[:, 1], ij[:, 0]] = np.arange(len(xy))
    return CellGrid(step, (float(low[0]), float(low[1])), index)


def every_second(grid: CellGrid) -> np.ndarray:
    """(N,) bool: cells of every second row and column, and of the others so many that each cell touches a chosen one
    or is one. No two of them touch each other."""
    known = grid.index >= 0
    chosen: np.ndarray = np.zeros(known.shape, np.uint8)
    for row, column in ((1, 1), (0, 1), (1, 0), (0, 0)):
        free = known & (cv2.dilate(chosen, np.ones((3, 3), np.uint8)) == 0)
        chosen[row::2, column::2] |= free[row::2, column::2]
    out = np.zeros(np.count_nonzero(known), bool)
    out[grid.index[known]] = chosen[known] > 0
    return out


def filled_in(grid: CellGrid, values: np.ndarray, mine: np.ndarray) -> np.ndarray:
    """(N, C) float32 values of which those of the cells ``mine`` are known: the others get the mean of the known ones
    among their eight neighbours, or nought without any."""
    known = np.zeros(len(values), np.float32)
    known[mine] = 1.0
    here = grid.index >= 0
    count = _sums_of_nine(grid.spread(known))
    total = _sums_of_nine(grid.spread(values * known[:, None])).reshape(*grid.index.shape, -1)
    out = np.zeros(values.shape, np.float32)
    out[grid.index[here]] = (total / np.maximum(count, 1.0)[..., None])[here]
    out[mine] = values[mine]
    return out


def _sums_of_nine(raster: np.ndarray) -> np.ndarray:
    return cv2.boxFilter(raster, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT)


def neighbourhood_means(grid: CellGrid, values: np.ndarray, sides: tuple[int, ...]) -> np.ndarray:
    """Means of (N, C) cell values over square neighbourhoods of each odd side, (N, C * len(sides))."""
    raster = grid.spread(values)
    known = (grid.index >= 0).astype(np.float32)
    ys, xs = np.nonzero(grid.index >= 0)
    order = np.empty(len(values), int)
    order[grid.index[ys, xs]] = np.arange(len(ys))
    out = []
    for side in sides:
        total = np.maximum(cv2.blur(known, (side, side), borderType=cv2.BORDER_CONSTANT), 1e-6)[ys, xs][order]
        for c in range(values.shape[1]):
            mean = cv2.blur(raster[..., c], (side, side), borderType=cv2.BORDER_CONSTANT)[ys, xs][order]
            out.append(mean / total)
    return np.stack(out, axis=1).astype(np.float32)


SQUARE_SIDES = (3, 7, 15)
"""Sides, in cells, of the square neighbourhoods around a cell."""
LANE_RINGS = ((0, 2), (3, 6), (7, 12), (13, 19))
"""First and last step, both ways, of the stretches of a cell's lane."""


def lane_means(lanes: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Means of (N, C) cell values over the stretches of each cell's lane, (N, C * stretches); 0 where none is known.

    lanes : (N, L) numbers of the cells met along the wire, as of `Cells`
    """
    middle = (lanes.shape[1] - 1) // 2
    values = values.astype(np.float32, copy=False)
    out = []
    for first, last in LANE_RINGS:
        steps = np.arange(first, min(last, middle) + 1)
        met = lanes[:, np.unique(np.concatenate([middle - steps, middle + steps]))]
        known = met >= 0
        total = (values[np.maximum(met, 0)] * known[..., None]).sum(axis=1)
        out.append(total / np.maximum(known.sum(axis=1), 1)[:, None])
    return np.hstack(out).astype(np.float32)


def surroundings(grid: CellGrid, lanes: np.ndarray, values: np.ndarray) -> np.ndarray:
    """What lies around each cell: means of (N, C) values over squares and along the wire, (N, D)."""
    return np.hstack([neighbourhood_means(grid, values, SQUARE_SIDES), lane_means(lanes, values)])


@dataclass(frozen=True)
class Patch:
    """A connected set of cells. cells : (n,) cell numbers; mask : (h, w) bool on the grid."""

    cells: np.ndarray
    mask: np.ndarray


def patches(grid: CellGrid, member: np.ndarray, min_cells: int, bridge: int = 0) -> list[Patch]:
    """Connected sets of member cells (8-neighbours), gaps up to 2 * ``bridge`` cells bridged; largest first.

    member : (N,) bool
    """
    raster = grid.spread(member.astype(np.float32)) > 0.5
    joined: np.ndarray = raster.astype(np.uint8)
    if bridge:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * bridge + 1, 2 * bridge + 1))
        joined = cv2.dilate(joined, kernel)
    n, labels = cv2.connectedComponents(joined, connectivity=8)
    found = []
    for i in range(1, n):
        mask = (labels == i) & raster
        if mask.sum() >= min_cells:
            found.append(Patch(grid.index[mask], mask))
    return sorted(found, key=lambda patch: -len(patch.cells))


def canvas_mask(grid: CellGrid, mask: np.ndarray, shape: tuple[int, int], grow_mm_px: float = 0.0) -> np.ndarray:
    """A grid mask as a smooth (H, W) bool canvas mask, grown by ``grow_mm_px`` pixels."""
    h, w = shape
    step = grid.step_px
    size = (round(mask.shape[1] * step), round(mask.shape[0] * step))
    soft = cv2.resize(mask.view(np.uint8) * np.uint8(254), size, interpolation=cv2.INTER_LINEAR)
    big = soft > 127
    out = np.zeros((h, w), bool)
    x0, y0 = round(grid.origin_px[0] - step / 2 + 0.5), round(grid.origin_px[1] - step / 2 + 0.5)
    xs, ys = max(x0, 0), max(y0, 0)
    part = big[ys - y0 : h - y0, xs - x0 : w - x0]
    out[ys : ys + part.shape[0], xs : xs + part.shape[1]] = part
    if grow_mm_px > 0:
        k = 2 * round(grow_mm_px) + 1
        out = cv2.dilate(out.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))) > 0
    return out


def outlines(mask: np.ndarray, min_area_px: float = 4.0, tolerance_px: float = 1.0) -> list[np.ndarray]:
    """Outer rings of a canvas mask, largest first, each (n, 2) canvas px (x, y), at least 3 points."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rings: list[np.ndarray] = []
    for contour in sorted(contours, key=cv2.contourArea, reverse=True):
        if cv2.contourArea(contour) < min_area_px and rings:
            continue
        ring = cv2.approxPolyDP(contour, tolerance_px, True).reshape(-1, 2).astype(float)
        if len(ring) >= 3:
            rings.append(ring)
    return rings
