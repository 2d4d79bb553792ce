"""Plane geometry of outlines and lines in pixels: area, cut, crossing, containment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.findings import Ring

_FINE = 1e-9


def as_array(ring: Sequence[tuple[float, float]]) -> np.ndarray:
    """The ring as (N, 2) float."""
    return np.asarray(ring, float).reshape(-1, 2)


def area(ring: Sequence[tuple[float, float]] | np.ndarray) -> float:
    """Area inside the ring by the shoelace formula, in squared units of its coordinates."""
    x, y = as_array(ring).T  # type: ignore[arg-type]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def crosses_itself(ring: Sequence[tuple[float, float]]) -> bool:
    """Whether two edges that are not neighbours cross."""
    a = as_array(ring)
    n = len(a)
    b = np.roll(a, -1, axis=0)
    d = b - a
    i, j = np.triu_indices(n, 2)
    apart = ~((i == 0) & (j == n - 1))
    i, j = i[apart], j[apart]
    one, two = _side(a[i], d[i], a[j]), _side(a[i], d[i], b[j])
    three, four = _side(a[j], d[j], a[i]), _side(a[j], d[j], b[i])
    return bool(np.any((one * two < -_FINE) & (three * four < -_FINE)))


def _side(at: np.ndarray, along: np.ndarray, point: np.ndarray) -> np.ndarray:
    to = point - at
    return along[..., 0] * to[..., 1] - along[..., 1] * to[..., 0]


def inside(points: np.ndarray, rings: Sequence[Sequence[tuple[float, float]]]) -> np.ndarray:
    """Whether each of (N, 2) points lies in one of the rings, even-odd, a point on an edge counted either way."""
    points = np.asarray(points, float).reshape(-1, 2)
    found = np.zeros(len(points), bool)
    for ring in rings:
        a = as_array(ring)
        b = np.roll(a, -1, axis=0)
        x, y = points[:, :1], points[:, 1:]
        straddles = (a[:, 1] > y) != (b[:, 1] > y)
        rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
        at_x = a[:, 0] + (y - a[:, 1]) / rise * (b[:, 0] - a[:, 0])
        found |= (np.sum(straddles & (x < at_x), axis=1) % 2).astype(bool)
    return found


def crossings(line: np.ndarray, rings: Sequence[Sequence[tuple[float, float]]]) -> np.ndarray:
    """Where a polyline crosses the rings' edges: sorted positions, segment number plus share of it. line : (N, 2)."""
    line = np.asarray(line, float).reshape(-1, 2)
    p, r = line[:-1], np.diff(line, axis=0)
    found = []
    for ring in rings:
        a = as_array(ring)
        s = np.roll(a, -1, axis=0) - a
        cross = r[:, None, 0] * s[None, :, 1] - r[:, None, 1] * s[None, :, 0]
        to = a[None, :, :] - p[:, None, :]
        parallel = np.abs(cross) < _FINE
        safe = np.where(parallel, 1.0, cross)
        t = (to[..., 0] * s[None, :, 1] - to[..., 1] * s[None, :, 0]) / safe
        u = (to[..., 0] * r[:, None, 1] - to[..., 1] * r[:, None, 0]) / safe
        hit = ~parallel & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)
        segment, edge = np.nonzero(hit)
        found.append(segment + t[segment, edge])
    return np.sort(np.concatenate(found)) if found else np.zeros(0)


def run_inside(line: np.ndarray, rings: Sequence[Sequence[tuple[float, float]]]) -> tuple[float, float] | None:
    """Positions on the line where it first enters the rings and last leaves them; None where it stays outside."""
    line = np.asarray(line, float).reshape(-1, 2)
    if len(line) < 2:
        return None
    at = crossings(line, rings)
    ends = inside(line[[0, -1]], rings)
    marks = [*([0.0] if ends[0] else []), *at.tolist(), *([float(len(line) - 1)] if ends[1] else [])]
    return (min(marks), max(marks)) if len(marks) > 1 else None


def piece(line: np.ndarray, start: float, stop: float) -> np.ndarray:
    """The polyline between two positions on it, (M, 2)."""
    line = np.asarray(line, float).reshape(-1, 2)
    first, last = int(np.floor(start)) + 1, int(np.ceil(stop))
    return np.vstack([_at(line, start), line[first:last], _at(line, stop)])


def _at(line: np.ndarray, position: float) -> np.ndarray:
    i = min(int(position), len(line) - 2)
    return line[i] + (position - i) * (line[i + 1] - line[i])


def cut(ring: Sequence[tuple[float, float]], start: tuple[float, float], stop: tuple[float, float]) -> list[Ring]:
    """Parts left and right of the straight line through two points (Sutherland-Hodgman); either may be []."""
    a = as_array(ring)
    along = np.asarray(stop, float) - np.asarray(start, float)
    side = _side(np.asarray(start, float)[None], along[None], a)
    return [_clip(a, -side), _clip(a, side)]


def _clip(a: np.ndarray, side: np.ndarray) -> Ring:
    """Corners where side is positive, and the points where the edges cross zero."""
    kept: Ring = []
    for i in range(len(a)):
        j = (i + 1) % len(a)
        if side[i] >= 0:
            kept.append((float(a[i, 0]), float(a[i, 1])))
        if side[i] * side[j] < 0:
            x, y = a[i] + side[i] / (side[i] - side[j]) * (a[j] - a[i])
            kept.append((float(x), float(y)))
    return kept if len(kept) > 2 and area(kept) > _FINE else []


def contains(outer: Sequence[Ring], inner: Sequence[Ring], within: float = 1.0) -> bool:
    """Whether the outer rings hold the inner ones: every corner and edge middle, to within a distance from an edge."""
    points = np.concatenate([_densely(ring) for ring in inner])
    outside = points[~inside(points, outer)]
    return len(outside) == 0 or float(distance_to_edges(outside, outer).max()) <= within


def _densely(ring: Sequence[tuple[float, float]]) -> np.ndarray:
    a = as_array(ring)
    b = np.roll(a, -1, axis=0)
    return np.concatenate([a + share * (b - a) for share in (0.0, 0.25, 0.5, 0.75)])


def distance_to_edges(points: np.ndarray, rings: Sequence[Sequence[tuple[float, float]]]) -> np.ndarray:
    """Shortest distance of each of (N, 2) points to an edge of the rings."""
    points = np.asarray(points, float).reshape(-1, 2)
    best = np.full(len(points), np.inf)
    for ring in rings:
        a = as_array(ring)
        d = np.roll(a, -1, axis=0) - a
        square = np.maximum((d**2).sum(axis=1), _FINE)
        to = points[:, None, :] - a[None]
        share = np.clip((to * d[None]).sum(axis=2) / square, 0.0, 1.0)
        foot = a[None] + share[..., None] * d[None]
        best = np.minimum(best, np.linalg.norm(points[:, None, :] - foot, axis=2).min(axis=1))
    return best


def meets(one: Sequence[Ring], other: Sequence[Ring]) -> bool:
    """Whether two sets of rings share a point: an edge crosses, or one holds a corner of the other."""
    if not one or not other:
        return False
    if inside(np.concatenate([as_array(r) for r in one]), other).any():
        return True
    if inside(np.concatenate([as_array(r) for r in other]), one).any():
        return True
    return any(len(crossings(np.vstack([as_array(r), as_array(r)[:1]]), other)) for r in one)


def middle(rings: Sequence[Ring]) -> tuple[float, float]:
    """The middle of the outline's box."""
    points = np.concatenate([as_array(ring) for ring in rings])
    x, y = (points.min(axis=0) + points.max(axis=0)) / 2
    return float(x), float(y)
