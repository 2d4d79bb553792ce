"""Which damage places of one photograph lie on each other so that the wires of one are wires of the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from vision.findings import PhotoFindings, Region, Ring, Wire

_SIDE = 40
"""An outline is looked at in so many points along either side of its box."""
_LANES = 12
_STEPS = 400
_SHARE = 0.9
"""Outlines run through the middle of cells: an overlap of the whole place hardly ever takes up all of its points."""


def within(photo: PhotoFindings) -> dict[str, frozenset[str]]:
    """For each region the others of its photograph that all of its wires run through.

    Wires run along a bundle: where another place overlaps one over its whole width across them, none passes it by.
    Without a traced wire in the overlap nobody knows which way they run, and the one must lie in the other as a whole.
    """
    return {
        one.id: frozenset(o.id for o in photo.regions if o.id != one.id and _lies_within(one, o, photo.wires))
        for one in photo.regions
    }


def parents(holders: Mapping[str, frozenset[str]]) -> dict[str, str]:
    """For each place that lies on others, those it lies on by name, the first of them that itself lies on none.

    Of two that hold each other the later lies on the earlier. In a chain only the places next to each other overlap:
    what lies on the middle one alone stays for itself, or one damage more could make the count smaller.
    """
    order = list(holders)
    above = {
        ref: [o for k, o in enumerate(order) if o in holders[ref] and (ref not in holders[o] or k < place)]
        for place, ref in enumerate(order)
    }
    under = {ref: [o for o in above[ref] if not above[o]] for ref in order}
    return {ref: tops[0] for ref, tops in under.items() if tops}


def _lies_within(one: Region, other: Region, wires: Sequence[Wire]) -> bool:
    points = _points(one.rings_px)
    shared = _inside(points, other.rings_px)
    if not shared.any():
        return False
    if shared.mean() >= _SHARE:
        return True
    along = _direction(one, other, wires)
    if along is None:
        return False
    across = points @ np.array([-along[1], along[0]])
    lanes = np.floor((across - across.min()) / max(float(np.ptp(across)), 1e-9) * (_LANES - 1e-6)).astype(int)
    taken, met = (np.bincount(lanes[chosen], minlength=_LANES) > 0 for chosen in (slice(None), shared))
    return bool(met.sum() >= _SHARE * taken.sum())


def _points(rings: Sequence[Ring]) -> np.ndarray:
    """(n, 2) px, points spread evenly over what the outlines hold; none where they hold nothing."""
    corners = np.array([point for ring in rings for point in ring], float).reshape(-1, 2)
    if len(corners) == 0:
        return corners
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    steps = (np.arange(_SIDE) + 0.5) / _SIDE
    grid = low + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2) * size
    return np.asarray(grid[_inside(grid, rings)])


def _inside(points: np.ndarray, rings: Sequence[Ring]) -> np.ndarray:
    """(n,) bool, which of (n, 2) px lie in the outlines: a ray to the right meets the edges an odd number of times."""
    odd = np.zeros(len(points), bool)
    if len(points) == 0:
        return odd
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    for ring in rings:
        a = np.array(ring, float).reshape(-1, 2)
        if len(a) == 0 or (a.max(axis=0) < (left, top)).any() or (a.min(axis=0) > (right, bottom)).any():
            continue  # places far apart
        b = np.roll(a, -1, axis=0)
        x, y = points[:, :1], points[:, 1:]
        crosses = (a[:, 1] > y) != (b[:, 1] > y)
        rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
        with np.errstate(over="ignore"):  # of edges all but level, which no ray crosses
            met = crosses & (x < a[:, 0] + (y - a[:, 1]) / rise * (b[:, 0] - a[:, 0]))
        odd ^= met.sum(axis=1) % 2 == 1
    return odd


def _direction(one: Region, other: Region, wires: Sequence[Wire]) -> np.ndarray | None:
    """(2,) unit vector, the way the traced wires run where both places lie; None where none does."""
    tensor = np.zeros((2, 2))
    for wire in wires:
        line = np.array(wire.centreline_px, float).reshape(-1, 2)
        if len(line) < 2:
            continue
        line = _evenly(line)
        steps, middles = np.diff(line, axis=0), (line[1:] + line[:-1]) / 2
        long = np.hypot(*steps.T)
        both = _inside(middles, one.rings_px) & _inside(middles, other.rings_px) & (long > 0)
        # each step counts with its length, and a wire traced backwards runs the same way
        tensor += (steps[both] / long[both, None]).T @ steps[both]
    return np.linalg.eigh(tensor)[1][:, 1] if tensor.any() else None


def _evenly(line: np.ndarray) -> np.ndarray:
    """(`_STEPS`, 2) px, the line in steps short enough that some lie in any overlap it runs through."""
    way = np.append(0.0, np.hypot(*np.diff(line, axis=0).T).cumsum())
    at = np.linspace(0.0, way[-1], _STEPS)
    return np.column_stack([np.interp(at, way, line[:, axis]) for axis in (0, 1)])
