"""Terminations and coverings told from what the cells were recognised as."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.bundles import BundleGraph
from vision.cells import Cells
from vision.grid import CellGrid, canvas_mask, patches

MIN_HOUSING_MM2 = 45.0
MIN_TERMINAL_MM2 = 10.0
MIN_COVERING_MM2 = 12.0
_REACH_MM = 14.0
_RIM_MM = 8.0
_CUT_MM = 3.0
_ALONG_MM = (6.0, 25.0)
"""Where a bundle is measured that a housing ends, from its end inwards: at the housing its wires fan out."""
_MEETS_MM = 6.0
"""A bundle that stops farther from a body may pass it by."""
_WIDER, _WIDEST, _WIDER_MM = 1.9, 6.0, 6.0
"""A body at the border so many times as wide as its bundle, and so much wider, is most likely a housing: of 488 bundle
ends at real ones, on photographs looked at while this was made, 95 in a hundred were about 1.9 times as wide as their
bundle and more; coverings taken for housings were up to 1.7 times, one conduit 2.3. Wider still, it may be a covering
that lies across."""
_DEPTH_MM = 10.0
"""How deep a body is looked at from where its bundle meets it."""
_RIM_SCALE = 0.25


@dataclass(frozen=True)
class Part:
    """A housing, a terminal, a covering, a cut end.

    mask : (H, W) bool or None for a cut end; point : (2,) canvas px where the wires enter (terminations)
    or the middle (coverings); graph_point : number of the bundle graph's point there, -1 when not attached;
    gap_mm : from that point to the part
    """

    id: str
    kind: str
    mask: np.ndarray | None
    point: np.ndarray
    graph_point: int = -1
    gap_mm: float = 0.0


def _disc(radius_px: float) -> np.ndarray:
    r = max(1, round(radius_px))
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))


def find_bodies(
    grid: CellGrid, member: np.ndarray, px_per_mm: float, shape: tuple[int, int], min_mm2: float, opening_cells: int
) -> list[np.ndarray]:
    """Canvas masks of the connected bodies that the member cells make, at least ``min_mm2`` large.

    A thin neck (a wire mistaken for part of a housing) is cut by opening with ``opening_cells``.
    """
    raster = grid.spread(member.astype(np.float32)) > 0.5
    closed = cv2.morphologyEx(raster.astype(np.uint8), cv2.MORPH_CLOSE, _disc(2))
    closed = cv2.morphologyEx(closed, cv2.MORPH_OPEN, _disc(opening_cells)) if opening_cells else closed
    cell_mm2 = (grid.step_px / px_per_mm) ** 2
    n, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    order = sorted(range(1, n), key=lambda i: -stats[i, cv2.CC_STAT_AREA])
    return [canvas_mask(grid, labels == i, shape) for i in order if stats[i, cv2.CC_STAT_AREA] * cell_mm2 >= min_mm2]


def attach(kind: str, masks: list[np.ndarray], graph: BundleGraph, px_per_mm: float) -> list[Part]:
    """Terminations from their masks: where the nearest bundle end meets each."""
    parts = []
    for i, mask in enumerate(masks):
        x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
        inner = mask[y : y + h, x : x + w].view(np.uint8)
        contours, _ = cv2.findContours(inner, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=(x, y))
        rim = np.concatenate([c.reshape(-1, 2) for c in contours]).astype(float)
        point, number, gap = rim.mean(axis=0), -1, 0.0
        if len(graph.points):
            candidates = graph.ends if len(graph.ends) else np.arange(len(graph.points))
            ends = graph.points[candidates]
            distance = np.linalg.norm(ends[:, None, :] - rim[None, ::3, :], axis=2)
            best_end, best_rim = np.unravel_index(distance.argmin(), distance.shape)
            if distance[best_end, best_rim] / px_per_mm <= _REACH_MM:
                number = int(candidates[best_end])
                gap = float(distance[best_end, best_rim]) / px_per_mm
                point = rim[::3][best_rim]
        parts.append(Part(f"t{i + 1}", kind, mask, point, number, gap))
    return parts


@dataclass(frozen=True)
class BundleEnds:
    """Where the bundles end, in the order of `BundleGraph.ends`.

    at : (E,) int, number of the termination that the end reaches, -1 for none; leaves : (E,) bool, its bundle comes to
    the rim of the seen ground, where it may run on outside the photograph, and meets nothing there that is most likely
    a housing; into : (E,) bool, it runs straight into that termination, and does not only stop beside it;
    rim_mm : (H, W) float32, from every place to the border of that ground, at a quarter of the canvas' size
    """

    at: np.ndarray
    leaves: np.ndarray
    into: np.ndarray
    rim_mm: np.ndarray

    def to_rim_mm(self, xy: np.ndarray) -> np.ndarray:
        """(N,) mm from (N, 2) canvas px to the border of the seen ground."""
        high, wide = self.rim_mm.shape
        column, row = np.clip(np.round(np.asarray(xy) * _RIM_SCALE).astype(int), 0, [wide - 1, high - 1]).T
        return np.asarray(self.rim_mm[row, column])


def bundle_ends(graph: BundleGraph, taken: list[Part], ground: np.ndarray, px_per_mm: float) -> BundleEnds:
    """What each end of the graph meets. taken : housings and terminals; ground : (H, W) bool, what could be seen."""
    at = np.full(len(graph.ends), -1)
    into = np.zeros(len(at), bool)
    ends = BundleEnds(at, into.copy(), into, _rim_mm(ground, px_per_mm))
    # a thick bundle's centre line stops half its width before the border
    leaves = ends.to_rim_mm(graph.points[graph.ends]) < _RIM_MM + graph.half_width_mm[graph.ends] if len(at) else at < 0
    # what the border cuts is not known whole: a covering looks like a housing there
    cut = [part.mask is not None and _comes_to(part.mask, ends) for part in taken]
    for k, end in enumerate(graph.ends):
        near = [(_gap_mm(part, graph, int(end), px_per_mm), number) for number, part in enumerate(taken)]
        gap, number = min(near, default=(np.inf, -1))
        if gap > _REACH_MM:
            continue
        at[k] = number
        entered = _entered(taken[number], graph, int(end), px_per_mm)
        into[k] = entered is not None
        if leaves[k] or cut[number]:
            leaves[k] = entered is None or taken[number].kind != "housing" or not _like_a_housing(entered, ends)
    return replace(ends, leaves=leaves)


def _gap_mm(part: Part, graph: BundleGraph, end: int, px_per_mm: float) -> float:
    """From a bundle's end to a body, infinite beyond reach of it; none where the body is attached there."""
    if part.graph_point == end:
        return 0.0
    if part.mask is None:
        return np.inf
    reach = round(_REACH_MM * px_per_mm)
    high, wide = part.mask.shape
    x, y = np.clip(np.round(graph.points[end]).astype(int), 0, [wide - 1, high - 1])
    left, top = max(0, x - reach), max(0, y - reach)
    rows, columns = np.nonzero(part.mask[top : y + reach, left : x + reach])
    if len(rows) == 0:
        return np.inf
    # what was looked for in is a square: its corners are within reach, too
    return float(min(np.hypot(columns + left - x, rows + top - y).min() / px_per_mm, _REACH_MM))


@dataclass(frozen=True)
class _Entered:
    """A body and the bundle that runs into it. xy : (n, 2) canvas px of the body as deep as `_DEPTH_MM` from where it
    is met; across : (2,) unit vector; bundle_mm : the bundle's width before it fans out"""

    xy: np.ndarray
    across: np.ndarray
    bundle_mm: float
    px_per_mm: float


def _entered(part: Part, graph: BundleGraph, end: int, px_per_mm: float) -> _Entered | None:
    """How a bundle runs straight into a body; None where it does not."""
    way = graph.ways_from(end)[0]
    near = np.flatnonzero((way >= _ALONG_MM[0]) & (way <= _ALONG_MM[1]))
    if len(near) == 0 or part.mask is None:
        return None
    onward = graph.points[end] - graph.points[near].mean(axis=0)
    onward = onward / max(float(np.hypot(*onward)), 1e-6)
    across = np.array([-onward[1], onward[0]])
    rows, columns = np.nonzero(part.mask[::2, ::2])
    xy = np.stack([columns, rows], axis=1) * 2.0
    ahead, aside = ((xy - graph.points[end]) @ turn / px_per_mm for turn in (onward, across))
    half = float(np.median(graph.half_width_mm[near]))
    met = ahead[(np.abs(aside) <= half + 1.0) & (ahead >= -2.0)]
    if len(met) == 0 or met.min() > _MEETS_MM:
        return None
    return _Entered(xy[(ahead >= met.min()) & (ahead <= met.min() + _DEPTH_MM)], across, 2 * half, px_per_mm)


def _like_a_housing(entered: _Entered, ends: BundleEnds) -> bool:
    """Whether a body is so much wider than the bundle in it that it is hardly a covering, though the border may cut it.

    Both its sides are seen, or it may be a trunk that lies across.
    """
    aside = entered.xy @ entered.across
    low, high = np.percentile(aside, (3, 97))
    inside = ends.to_rim_mm(entered.xy) > _CUT_MM
    sides = [inside[np.abs(aside - side) <= entered.px_per_mm].any() for side in (aside.min(), aside.max())]
    wide = float(high - low) / entered.px_per_mm
    widest = _WIDEST * max(entered.bundle_mm, _WIDER_MM)
    return max(_WIDER * entered.bundle_mm, entered.bundle_mm + _WIDER_MM) <= wide <= widest and all(sides)


def _comes_to(mask: np.ndarray, ends: BundleEnds) -> bool:
    """Whether a body comes to the border of the seen ground."""
    rows, columns = np.nonzero(mask[::2, ::2])
    return bool((ends.to_rim_mm(np.stack([columns, rows], axis=1) * 2.0) < _CUT_MM).any())


def _rim_mm(ground: np.ndarray, px_per_mm: float) -> np.ndarray:
    """(h, w) float32 mm to the border of the ground, its small holes closed, at `_RIM_SCALE`."""
    small = cv2.resize(ground.astype(np.uint8), None, fx=_RIM_SCALE, fy=_RIM_SCALE, interpolation=cv2.INTER_NEAREST)
    closed = cv2.morphologyEx(np.pad(small, 12), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    inside = cv2.distanceTransform(closed, cv2.DIST_L2, 3)[12:-12, 12:-12]
    return np.asarray(inside / (px_per_mm * _RIM_SCALE), np.float32)


def cut_ends(graph: BundleGraph, ends: BundleEnds, first: int) -> list[Part]:
    """Bundle ends with no termination that do not leave the seen ground."""
    loose = graph.ends[(ends.at < 0) & ~ends.leaves]
    return [Part(f"t{first + i}", "cut_end", None, graph.points[end], int(end), 0.0) for i, end in enumerate(loose)]


def find_coverings(
    grid: CellGrid, cells: Cells, covering: np.ndarray, px_per_mm: float, shape: tuple[int, int]
) -> list[Part]:
    """Tape and conduit: connected covering cells; ribs across the run make a conduit.

    covering : (N,) bool
    """
    cell_mm2 = (grid.step_px / px_per_mm) ** 2
    found = patches(grid, covering, max(2, round(MIN_COVERING_MM2 / cell_mm2)), bridge=1)
    ribs = cells.column("along_change_4mm")
    out = []
    for i, patch in enumerate(found):
        mask = canvas_mask(grid, patch.mask, shape)
        kind = "conduit" if float(np.median(ribs[patch.cells])) > 4.5 else "tape"
        out.append(Part(f"c{i + 1}", kind, mask, cells.xy[patch.cells].mean(axis=0)))
    return out
