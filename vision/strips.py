"""Straightens bundles: each stretch of a bundle graph between two nodes as a picture of its own, run left to right."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.bundles import BundleGraph

ALONG_MM = 1.0
ACROSS_MM = 0.2
_MARGIN_MM = 2.0
_MAX_HALF_MM = 24.0
_STRAIGHTEN_MM = 5.0
_END_MM = 25.0
_MAX_ROWS = 30000  # cv2.remap takes at most 32767


@dataclass(frozen=True)
class Strip:
    """One straightened stretch of a bundle.

    nodes : graph points at its two ends; points : graph points it runs over, in order
    centre_px : (S, 2) canvas px every `ALONG_MM`; normal : (S, 2) unit, to growing lateral offset
    half_mm : (S,) half of what is looked at on either side; first : row of its first column in `Strips`
    """

    nodes: tuple[int, int]
    points: np.ndarray
    centre_px: np.ndarray
    normal: np.ndarray
    half_mm: np.ndarray
    first: int

    @property
    def columns(self) -> int:
        """How many samples along."""
        return len(self.centre_px)


@dataclass(frozen=True)
class Strips:
    """All strips of one photograph, stacked: row = a column of a strip (1 mm along), second axis = across.

    lab : (R, U, 3) float32; solid : (R, U) float32 share of assembly; seen : (R, U) bool, within the strip
    offset_mm : (U,) lateral offset of each sample
    """

    strips: list[Strip]
    lab: np.ndarray
    solid: np.ndarray
    seen: np.ndarray
    offset_mm: np.ndarray


def graph_paths(graph: BundleGraph) -> list[np.ndarray]:
    """Numbers of the points of each path between nodes (points of degree other than 2); closed loops start anywhere."""
    neighbours: list[list[int]] = [[] for _ in range(len(graph.points))]
    for a, b in graph.links.tolist():
        neighbours[a].append(b)
        neighbours[b].append(a)
    done: set[tuple[int, int]] = set()
    paths: list[np.ndarray] = []

    def walk(start: int, onward: int) -> None:
        path = [start, onward]
        while len(neighbours[path[-1]]) == 2 and path[-1] != start:
            a, b = neighbours[path[-1]]
            path.append(b if a == path[-2] else a)
        done.update(pairwise(path), pairwise(path[::-1]))
        paths.append(np.array(path))

    nodes = [i for i in range(len(neighbours)) if len(neighbours[i]) not in (0, 2)]
    rings = [i for i in range(len(neighbours)) if len(neighbours[i]) == 2]
    for start in [*nodes, *rings]:
        for onward in neighbours[start]:
            if (start, onward) not in done:
                walk(start, onward)
    return paths


def _way_mm(points_px: np.ndarray, px_per_mm: float) -> np.ndarray:
    return np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points_px, axis=0), axis=1))]) / px_per_mm


def _without_hooks(points_px: np.ndarray, half_mm: np.ndarray, px_per_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Ends made straight: near its end a skeleton turns into a corner or to a node, the wires run on as before.

    The last stretch, as long as the bundle is wide to either side there, is laid along the direction before it.
    """
    for _ in range(2):
        points_px, half_mm = points_px[::-1], half_mm[::-1]
        way = _way_mm(points_px, px_per_mm)
        wide = float(half_mm[way <= _END_MM].max())
        cut = min(2.5 * wide + 4.0, 0.35 * way[-1])
        first = int(np.searchsorted(way, cut))
        beyond = int(np.searchsorted(way, cut + max(8.0, 1.0 * cut)))
        if first < 1 or beyond - first < 4:
            continue
        base = points_px[first : min(beyond, len(points_px))]
        direction = base[0] - base[-1]
        direction = direction / max(float(np.linalg.norm(direction)), 1e-9)
        back = (way[first] - way[:first, None]) * px_per_mm
        points_px = np.concatenate([points_px[first] + back * direction, points_px[first:]])
        half_mm = np.concatenate([np.full(first, max(half_mm[first], half_mm[:first].max())), half_mm[first:]])
    return points_px, half_mm


def _resampled(points_px: np.ndarray, half_mm: np.ndarray, px_per_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Centre line every `ALONG_MM`, smoothed with its ends held, and the half width there."""
    points_px, half_mm = _without_hooks(points_px, half_mm, px_per_mm)
    way = _way_mm(points_px, px_per_mm)
    count = max(2, int(way[-1] / ALONG_MM) + 1)
    at = np.linspace(0, way[-1], count)
    line = np.stack([np.interp(at, way, points_px[:, k]) for k in (0, 1)], axis=1)
    base = np.linspace(0, 1, count)[:, None]
    chord = line[0] * (1 - base) + line[-1] * base
    # odd mirroring of the deviation from the chord holds both ends
    deviation = np.concatenate([-(line - chord)[:0:-1], line - chord, -(line - chord)[-2::-1]])
    smooth = gaussian_filter1d(deviation, _STRAIGHTEN_MM / ALONG_MM, axis=0)[count - 1 : 2 * count - 1]
    half = np.interp(at, way, half_mm)
    reach = np.convolve(np.pad(half, 3, mode="edge"), np.ones(7) / 7, "valid")
    return chord + smooth, np.minimum(np.maximum(half, reach) + _MARGIN_MM, _MAX_HALF_MM)


def _normals(centre: np.ndarray) -> np.ndarray:
    tangent = np.gradient(centre, axis=0)
    tangent = gaussian_filter1d(tangent, 2.0, axis=0, mode="nearest") if len(centre) > 3 else tangent
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    return np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)


def straighten(graph: BundleGraph, lab: np.ndarray, solid: np.ndarray, px_per_mm: float, min_mm: float = 5.0) -> Strips:
    """Sample every stretch of at least ``min_mm`` of a bundle graph across its run.

    lab : (H, W, 3) float32; solid : (H, W) bool
    """
    found: list[Strip] = []
    row = 0
    for path in graph_paths(graph):
        centre, half = _resampled(graph.points[path], graph.half_width_mm[path], px_per_mm)
        if (len(centre) - 1) * ALONG_MM < min_mm or row + len(centre) > _MAX_ROWS:
            continue
        found.append(Strip((int(path[0]), int(path[-1])), path, centre, _normals(centre), half, row))
        row += len(centre)
    if not found:
        none = np.zeros((0, 1), np.float32)
        return Strips([], np.zeros((0, 1, 3), np.float32), none, none > 0, np.zeros(1))
    half = np.concatenate([s.half_mm for s in found])
    n = int(np.ceil(half.max() / ACROSS_MM))
    offset = np.arange(-n, n + 1) * ACROSS_MM
    centre, normal = (np.concatenate([getattr(s, name) for s in found]) for name in ("centre_px", "normal"))
    at = centre[:, None, :] + normal[:, None, :] * (offset[None, :, None] * px_per_mm)
    x, y = (np.ascontiguousarray(at[..., k], np.float32) for k in (0, 1))
    seen = (np.abs(offset) <= half[:, None]) & (x > 0) & (y > 0) & (x < lab.shape[1] - 1) & (y < lab.shape[0] - 1)
    flat = cv2.remap(lab, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    share = cv2.remap(solid.astype(np.uint8) * 255, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return Strips(found, flat, share.astype(np.float32) / 255, seen, offset)
