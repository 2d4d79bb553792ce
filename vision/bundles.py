"""Bundles as a graph: centre lines of trunk and breakouts, and distances along them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree
from skimage.morphology import skeletonize

_RASTER_PX_PER_MM = 2.0
_CLOSE_MM = 3.0
_SMOOTH_MM = 3.0
_SPUR_MM = 9.0
_ISLET_MM = 12.0


@dataclass(frozen=True)
class BundleGraph:
    """Centre lines as a chain of points.

    points : (N, 2) float, canvas px; links : (M, 2) int point pairs; link_mm : (M,) length of each;
    half_width_mm : (N,) half the bundle's width at each point; degree : (N,) links per point
    """

    points: np.ndarray
    links: np.ndarray
    link_mm: np.ndarray
    half_width_mm: np.ndarray
    degree: np.ndarray

    @property
    def ends(self) -> np.ndarray:
        """Numbers of the points where a bundle ends."""
        return np.flatnonzero(self.degree == 1)

    def distances_mm(self, sources: np.ndarray, extra_mm: np.ndarray | None = None) -> np.ndarray:
        """Shortest way along the graph from each source, (S, N) mm; inf where not connected.

        extra_mm : (S,) added to each row (from the point to the face behind it)
        """
        sources = np.atleast_1d(np.asarray(sources, int))
        if len(self.points) == 0 or len(sources) == 0:
            return np.full((len(sources), len(self.points)), np.inf)
        way = csgraph.dijkstra(self._matrix(), directed=False, indices=sources)
        return way if extra_mm is None else way + np.asarray(extra_mm)[:, None]

    def ways_from(self, source: int) -> tuple[np.ndarray, np.ndarray]:
        """Shortest way from one point to each, (N,) mm, inf where not connected, and the (N,) points before them."""
        return csgraph.dijkstra(self._matrix(), directed=False, indices=source, return_predecessors=True)

    def arms(self, covered: np.ndarray, low_mm: float, high_mm: float) -> list[np.ndarray]:
        """Points that lie from ``low_mm`` to ``high_mm`` away from the covered ones along the graph, arm by arm.

        Arms that meet there are one.
        """
        if len(covered) == 0:
            return []
        away = self.distances_mm(np.asarray(covered)[:: max(1, len(covered) // 40)]).min(axis=0)
        near = (away >= low_mm) & (away <= high_mm)
        near[covered] = False
        inside = near[self.links].all(axis=1)
        n = len(self.points)
        links = self.links[inside]
        joined = sparse.coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(n, n))
        number = csgraph.connected_components(joined, directed=False)[1]
        return [np.flatnonzero(near & (number == k)) for k in np.unique(number[near])]

    def _matrix(self) -> sparse.csr_matrix:
        n = len(self.points)
        return sparse.coo_matrix((self.link_mm, (self.links[:, 0], self.links[:, 1])), shape=(n, n)).tocsr()

    def nearest(self, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Nearest centre-line point of each (N, 2) canvas px, and its distance in canvas px."""
        if len(self.points) == 0:
            return np.full(len(xy), -1), np.full(len(xy), np.inf)
        distance, number = cKDTree(self.points).query(xy)
        return number, distance


def _empty() -> BundleGraph:
    none = np.zeros(0)
    return BundleGraph(np.zeros((0, 2)), np.zeros((0, 2), int), none, none, np.zeros(0, int))


def trace_bundles(body: np.ndarray, px_per_mm: float, blocked: np.ndarray) -> BundleGraph:
    """Centre lines of everything wire-like.

    body : (H, W) bool, the assembly without its terminations; blocked : (H, W) bool, housings and
    terminals, which bundles must not run through.
    """
    scale = _RASTER_PX_PER_MM / px_per_mm
    size = (max(3, round(body.shape[1] * scale)), max(3, round(body.shape[0] * scale)))
    small = _shrunk(body, size) > 127
    stop = _shrunk(blocked, size) > 128
    r = round(_CLOSE_MM * _RASTER_PX_PER_MM)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    closed = cv2.morphologyEx(np.pad(small.astype(np.uint8), r), cv2.MORPH_CLOSE, kernel)[r:-r, r:-r] > 0
    closed = cv2.GaussianBlur((closed & ~stop).astype(np.float32), (0, 0), 1.2) > 0.5
    if not closed.any():
        return _empty()
    inside = cv2.distanceTransform(closed.astype(np.uint8), cv2.DIST_L2, 5)
    width = np.maximum(inside - 0.5, 0) / _RASTER_PX_PER_MM  # to the border, not to the next pixel outside
    skeleton = _without_spurs(_skeleton(closed), width)
    return _graph(skeleton, width, 1 / scale)


def _shrunk(mask: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """A (H, W) bool mask as uint8 0..255, (w, h) `size`."""
    return cv2.resize(mask.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA)


def _skeleton(mask: np.ndarray) -> np.ndarray:
    """The mask's skeleton, looked for within its bounding box only."""
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    out = np.zeros(mask.shape, bool)
    out[y : y + h, x : x + w] = skeletonize(np.pad(mask[y : y + h, x : x + w], 1))[1:-1, 1:-1]
    return out


def _pixel_links(skeleton: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Skeleton pixels (N, 2) (row, column) and the neighbour pairs, without diagonals that a corner bridges."""
    rows, columns = np.nonzero(skeleton)
    number = np.full(skeleton.shape, -1)
    number[rows, columns] = np.arange(len(rows))
    padded = np.pad(number, 1, constant_values=-1)
    links = []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        other = padded[1 + rows + dr, 1 + columns + dc]
        ok = other >= 0
        if dr and dc:
            bridged = (padded[1 + rows + dr, 1 + columns] >= 0) | (padded[1 + rows, 1 + columns + dc] >= 0)
            ok &= ~bridged
        links.append(np.stack([np.flatnonzero(ok), other[ok]], axis=1))
    return np.stack([rows, columns], axis=1), np.concatenate(links)


def _without_spurs(skeleton: np.ndarray, width_mm: np.ndarray) -> np.ndarray:
    """Skeleton without twigs that are shorter than the bundle is wide, or than `_SPUR_MM`, and end in nothing."""
    out = skeleton.copy()
    for _ in range(3):
        pixels, links = _pixel_links(out)
        if len(pixels) == 0:
            return out
        degree = np.bincount(links.ravel(), minlength=len(pixels))
        neighbours: list[list[int]] = [[] for _ in range(len(pixels))]
        for a, b in links:
            neighbours[a].append(b)
            neighbours[b].append(a)
        removed = False
        for end in np.flatnonzero(degree == 1):
            path, previous, here = [int(end)], -1, int(end)
            while degree[here] <= 2:
                onward = [k for k in neighbours[here] if k != previous]
                if not onward:
                    break
                previous, here = here, int(onward[0])
                path.append(here)
            if degree[here] <= 2:
                continue
            length = len(path) / _RASTER_PX_PER_MM
            base = width_mm[tuple(pixels[here])]
            if length < max(_SPUR_MM * 0.5, 1.3 * base + 2.0):
                gone = pixels[np.asarray(path[:-1])]
                out[gone[:, 0], gone[:, 1]] = False
                removed = True
        if not removed:
            return out
        out = _skeleton(out)
    return out


def _graph(skeleton: np.ndarray, width_mm: np.ndarray, to_canvas: float) -> BundleGraph:
    pixels, links = _pixel_links(skeleton)
    if len(pixels) < 2 or len(links) == 0:
        return _empty()
    pixels, links = _without_islets(pixels, links)
    if len(pixels) < 2:
        return _empty()
    degree = np.bincount(links.ravel(), minlength=len(pixels))
    smooth = _smoothed(pixels.astype(float), links, degree)
    length = np.linalg.norm(smooth[links[:, 0]] - smooth[links[:, 1]], axis=1) / _RASTER_PX_PER_MM
    points = (smooth[:, ::-1] + 0.5) * to_canvas - 0.5
    return BundleGraph(points, links, length, width_mm[pixels[:, 0], pixels[:, 1]], degree)


def _without_islets(pixels: np.ndarray, links: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Without connected pieces shorter than `_ISLET_MM`: crumbs and specks, no bundles."""
    n = len(pixels)
    matrix = sparse.coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(n, n))
    count, piece = csgraph.connected_components(matrix, directed=False)
    keep = (np.bincount(piece, minlength=count) >= _ISLET_MM * _RASTER_PX_PER_MM)[piece]
    number = np.cumsum(keep) - 1
    return pixels[keep], number[links[keep[links].all(axis=1)]]


def _smoothed(points: np.ndarray, links: np.ndarray, degree: np.ndarray) -> np.ndarray:
    """Points relaxed towards the middle of their neighbours, ends held; the stair-steps of the raster go."""
    n = len(points)
    ones = np.ones(len(links))
    adjacency = sparse.coo_matrix((ones, (links[:, 0], links[:, 1])), shape=(n, n)).tocsr()
    adjacency = adjacency + adjacency.T
    free = (degree == 2)[:, None]
    out = points
    # each round spreads by about one pixel: n rounds smooth over sqrt(n) pixels
    for _ in range(round((_SMOOTH_MM * _RASTER_PX_PER_MM) ** 2)):
        mean = adjacency @ out / np.maximum(degree, 1)[:, None]
        out = np.where(free, 0.5 * out + 0.5 * mean, out)
    return out
