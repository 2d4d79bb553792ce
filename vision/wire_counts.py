"""Counts the wires that a damage touches, from the traces through it and those that enter it from either side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from scipy.spatial import cKDTree

from vision.bundles import BundleGraph
from vision.findings import Count, Measure

_TOUCH_MM = 0.7
_BIN_MM = 2.0
_BESIDE_MM = (2.0, 10.0)
_RIM_MM = 0.3
_USUAL_DIAMETER_MM = 2.0  # where no wire near the damage could be measured
_ACROSS_SHARE = 0.6
"""A damage that takes more of its bundle's width may reach the wires beneath those that are seen."""
_ROUND_FILL = 0.8
"""Wires of one diameter fill at most about this share of a round bundle: 7 in a circle 3 wires across (7/9), 19 in one
4.86 across (0.80); densest known packings of equal circles in a circle (R. L. Graham et al., 1998; from memory)."""


class Trace(Protocol):
    """What is counted: a wire's centre line and diameter."""

    @property
    def id(self) -> str:
        """Name of the wire."""

    @property
    def diameter_mm(self) -> Measure | None:
        """Outside diameter."""

    @property
    def centreline_px(self) -> np.ndarray:
        """(n, 2) canvas px."""


COUNT_SIGNS = (
    "wires_inside", "wires_beside_fewer", "wires_beside_more", "room_across", "room_beneath", "traced",
    "bundle_share", "width_mm",
)  # fmt: skip
"""What is counted and measured to tell how many wires a damage touches."""


@dataclass(frozen=True)
class Counted:
    """Wires that a damage touches: by reckoning alone, and what that was reckoned from, (S,) in COUNT_SIGNS' order."""

    count: Count
    signs: np.ndarray


def count_crossing(traced: Sequence[Trace], xy: np.ndarray, graph: BundleGraph, px_per_mm: float) -> Counted:
    """Count the wires that a damage touches.

    xy : (n, 2) canvas px of the damage's cells. Counted are the traces that lie side by side in one cross-section,
    inside the damage and just before and behind it (where wires are fused, none can be traced inside); the interval
    spans these, what the damage's width has room for, and the wires beneath where it takes most of a bundle that may
    be round, as far as so many are traced in the photograph. wire_ids : the traces inside.
    """
    xy = np.asarray(xy, float).reshape(-1, 2)
    if len(graph.points) == 0 or len(xy) == 0:
        count = Count(value=1, low=1, high=max(1, len(traced)), wire_ids=[])
        return Counted(count, np.array([0, 0, 0, 0, 0, len(traced), 0, 0], float))
    frame = _Frame(graph, xy, px_per_mm)
    seen = _near(frame, traced, xy)
    diameter = float(np.median([m.value for m in seen.diameters])) if seen.diameters else _USUAL_DIAMETER_MM
    room = frame.width_mm / diameter
    round_room = round(_ROUND_FILL * room**2)
    beneath = min(round_room, len(traced)) if frame.takes >= _ACROSS_SHARE else 0
    inside, sides = _usual(seen.inside, 65), seen.sides()
    signs = [inside, *sorted(sides), room, round_room, len(traced), frame.takes, frame.width_mm]
    return Counted(_interval(inside, sides, room, beneath, seen.ids), np.array(signs, float))


def wires_beside(
    traced: Sequence[Trace], xy: np.ndarray, graph: BundleGraph, px_per_mm: float
) -> tuple[int, list[Measure]]:
    """How many wires surely run into what lies over a bundle, and the diameters of those traced beside it.

    xy : (n, 2) canvas px of what covers the bundle. The side that shows more of them counts, less what traces of one
    wire that look like two may add.
    """
    xy = np.asarray(xy, float).reshape(-1, 2)
    if len(graph.points) == 0 or len(xy) == 0:
        return 0, []
    seen = _near(_Frame(graph, xy, px_per_mm), traced, xy)
    most = max(seen.sides())
    return max(0, most - _slack(most)), seen.diameters


@dataclass(frozen=True)
class _Near:
    """Traces at a place: (bin, trace) inside it, (side, bin, trace) just beside it, ids inside, diameters of all."""

    inside: list[tuple[int, int]] = field(default_factory=list)
    beside: list[tuple[int, int, int]] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    diameters: list[Measure] = field(default_factory=list)

    def sides(self) -> list[int]:
        """How many traces usually lie side by side before and behind it."""
        return [_usual([(b, k) for s, b, k in self.beside if s == q], 50) for q in (-1, 1)]


def _near(frame: _Frame, traced: Sequence[Trace], xy: np.ndarray) -> _Near:
    found = _Near()
    cells, reach = cKDTree(xy), _TOUCH_MM * frame.s
    for k, wire in enumerate(traced):
        along, lateral, side = frame.places(wire.centreline_px)
        touching = (cells.query(wire.centreline_px)[0] <= reach) & (side == 0)
        outside = (side != 0) & (along >= _BESIDE_MM[0]) & (along <= _BESIDE_MM[1]) & frame.within(lateral)
        bins = (along // _BIN_MM).astype(int, copy=False) if len(along) else np.zeros(0, int)
        found.inside.extend((int(b), k) for b in set(bins[touching].tolist()))
        places = {(int(s), int(b)) for s, b in zip(side[outside], bins[outside], strict=True)}
        found.beside.extend((s, b, k) for s, b in places)
        if touching.sum() >= 2:
            found.ids.append(wire.id)
        if (touching.any() or outside.any()) and wire.diameter_mm is not None:
            found.diameters.append(wire.diameter_mm)
    return found


def _usual(pairs: list[tuple[int, int]], percentile: float) -> int:
    """How many traces usually lie in one bin, of (bin, trace) pairs."""
    if not pairs:
        return 0
    counts = np.bincount(np.unique([b for b, _ in pairs], return_inverse=True)[1])
    return round(float(np.percentile(counts, percentile)))


def _interval(inside: int, sides: list[int], room: float, beneath: int, ids: list[str]) -> Count:
    """The count and the interval that all ways of counting leave, one wire wider either way from three wires on."""
    value = inside if inside >= 0.7 * room else min(max(inside, *sides), max(inside, round(1.2 * room)))
    value = max(1, value)
    known = [value, *(n for n in (inside, *sides) if n > 0)]
    slack = _slack(value)
    high = max(max(*known, round(room), 1) + slack, beneath)
    return Count(value=value, low=max(1, min(known) - slack), high=high, wire_ids=ids)


def _slack(count: int) -> int:
    """How far a count of traces may be off either way."""
    return 1 + count // 4 if count > 1 else 0


class _Frame:
    """Places along and across the bundle, reckoned from a damage."""

    def __init__(self, graph: BundleGraph, xy: np.ndarray, px_per_mm: float) -> None:
        self.graph, self.s = graph, px_per_mm
        self.turn = directions(graph)
        feet, counts = np.unique(graph.nearest(xy)[0], return_counts=True)
        first = graph.distances_mm(np.array([feet[counts.argmax()]]))[0]
        reached = np.isfinite(first[feet])
        self.a = int(feet[reached][first[feet][reached].argmax()])
        self.from_a = graph.distances_mm(np.array([self.a]))[0]
        self.b = int(feet[reached][self.from_a[feet][reached].argmax()])
        self.from_b = graph.distances_mm(np.array([self.b]))[0]
        self.length = float(self.from_a[self.b])
        lateral = self._lateral(xy)
        self.low, self.high = (float(np.percentile(lateral, p)) for p in (5, 95))
        half = float(np.median(graph.half_width_mm[feet]))
        self.width_mm = min(self.high - self.low + 2 * _RIM_MM, 2 * half)
        self.takes = self.width_mm / max(2 * half, 1e-6)  # share of the bundle's width

    def _lateral(self, xy: np.ndarray) -> np.ndarray:
        foot, _ = self.graph.nearest(xy)
        offset = (xy - self.graph.points[foot]) / self.s
        return -offset[:, 0] * np.sin(self.turn[foot]) + offset[:, 1] * np.cos(self.turn[foot])

    def places(self, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Of (n, 2) canvas px: mm along (outside: from the near end), mm across, side (0 inside, -1 or 1 outside)."""
        foot, _ = self.graph.nearest(xy)
        to_a, to_b = self.from_a[foot], self.from_b[foot]
        outside = ~(to_a + to_b <= self.length + 1.5)
        side = np.where(outside, np.where(to_a < to_b, -1, 1), 0)
        along = np.where(outside, np.minimum(to_a, to_b), to_a)
        return np.where(np.isfinite(along), along, 1e9), self._lateral(xy), side

    def within(self, lateral: np.ndarray) -> np.ndarray:
        """(n,) bool: as far across as the damage."""
        return (lateral >= self.low - _RIM_MM) & (lateral <= self.high + _RIM_MM)


def directions(graph: BundleGraph) -> np.ndarray:
    """(N,) angle, rad, of the centre line at each point, steady along it where the line does not turn back."""
    link = graph.points[graph.links[:, 1]] - graph.points[graph.links[:, 0]]
    angle = 2 * np.arctan2(link[:, 1], link[:, 0])  # a link may point either way: its doubled angle does not
    total = np.zeros_like(graph.points)
    for k in (0, 1):
        np.add.at(total, graph.links[:, k], np.stack([np.cos(angle), np.sin(angle)], axis=1))
    return np.arctan2(total[:, 1], total[:, 0]) / 2
