"""Joins pieces of wires over junctions, coverings and gaps; what could go on in several ways is left open."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from vision.medians import median
from vision.wire_sections import colour_difference

_NEAR_MM = 6.0
_FAR_MM = 60.0
_BEND_DEG = 40.0
_DIFFERENT = 16.0
_COST = 2.2
_MARGIN = 0.45


@dataclass(frozen=True)
class End:
    """One end of a piece. point : (2,) canvas px; direction : (2,) unit, out of the piece."""

    point: np.ndarray
    direction: np.ndarray


@dataclass(frozen=True)
class Piece:
    """An unbroken stretch of one wire.

    row, offset_mm : (n,) column of the strips and place across it; line_px : (n, 2) canvas px; width_mm : (n,)
    lab, stripe : (n, 3); free : (n,) rims on ground, 0..2
    """

    strip: int
    row: np.ndarray
    offset_mm: np.ndarray
    line_px: np.ndarray
    width_mm: np.ndarray
    lab: np.ndarray
    stripe: np.ndarray
    free: np.ndarray

    @property
    def start(self) -> End:
        """The first end."""
        return _end(self.line_px[::-1])

    @property
    def end(self) -> End:
        """The last end."""
        return _end(self.line_px)

    @property
    def colour(self) -> np.ndarray:
        """(3,) median CIELAB."""
        return median(self.lab)

    @property
    def broad_mm(self) -> float:
        """Width where it is least covered."""
        return float(np.percentile(self.width_mm, 75))

    def turned(self) -> Piece:
        """The same, run the other way."""
        return self.take(slice(None, None, -1))

    def take(self, which: slice) -> Piece:
        """A part of it."""
        cut = {name: getattr(self, name)[which] for name in self.__dataclass_fields__ if name != "strip"}
        return replace(self, **cut)


@dataclass(frozen=True)
class Group:
    """Pieces of one wire in order."""

    pieces: list[Piece]
    ambiguous: bool


def _end(line: np.ndarray) -> End:
    base = line[-16:]
    half = len(base) // 2
    direction = base[half:].mean(axis=0) - base[:half].mean(axis=0) if half else np.zeros(2)
    return End(line[-1], direction / max(float(np.linalg.norm(direction)), 1e-9))


def without_doubles(pieces: list[Piece], px_per_mm: float) -> list[Piece]:
    """Strips overlap at junctions: what a longer piece of another strip shows already is cut off a shorter one."""
    kept: list[Piece] = []
    trees: list[cKDTree] = []
    reach = 0.9 * px_per_mm
    for piece in sorted(pieces, key=lambda p: -len(p.line_px)):
        double = np.zeros(len(piece.line_px), bool)
        low, high = piece.line_px.min(axis=0) - reach, piece.line_px.max(axis=0) + reach
        for other, tree in zip(kept, trees, strict=True):
            if other.strip == piece.strip or (tree.mins > high).any() or (tree.maxes < low).any():
                continue
            double |= np.isfinite(tree.query(piece.line_px, distance_upper_bound=reach)[0])
        free = np.flatnonzero(~double)
        if len(free) == 0:
            continue
        runs = np.split(free, np.flatnonzero(np.diff(free) > 1) + 1)
        longest = max(runs, key=len)
        if len(longest) >= 5:
            kept.append(piece.take(slice(int(longest[0]), int(longest[-1]) + 1)))
            trees.append(cKDTree(kept[-1].line_px))
    return kept


def join_pieces(pieces: list[Piece], body: np.ndarray, px_per_mm: float) -> list[Group]:
    """Pieces put together to wires.

    body : (H, W) bool, wires and coverings: a wire goes on unseen only beneath these.
    """
    n = len(pieces)
    if n == 0:
        return []
    cost = _costs(pieces, body, px_per_mm)
    partner = np.full(2 * n, -1)
    doubtful = np.zeros(2 * n, bool)
    order = np.argsort(cost, axis=None)
    for flat in order:
        i, j = divmod(int(flat), 2 * n)
        if cost[i, j] > _COST:
            break
        if i >= j or partner[i] >= 0 or partner[j] >= 0 or i // 2 == j // 2:
            continue
        free = partner < 0
        rivals = [_second(cost[i], j, free), _second(cost[j], i, free)]
        if min(rivals) < cost[i, j] + _MARGIN:
            doubtful[i] = doubtful[j] = True
            continue
        partner[i], partner[j] = j, i
    return _strung(pieces, partner, doubtful)


def _second(row: np.ndarray, best: int, free: np.ndarray) -> float:
    others = np.where(free, row, np.inf)
    others[best] = np.inf
    return float(others.min())


def _costs(pieces: list[Piece], body: np.ndarray, s: float) -> np.ndarray:
    """(2n, 2n) cost of joining end to end; end 2k is the start of piece k, 2k + 1 its end; inf where it cannot be."""
    ends = [e for p in pieces for e in (p.start, p.end)]
    point = np.array([e.point for e in ends])
    direction = np.array([e.direction for e in ends])
    near_lab = np.array([median(lab) for p in pieces for lab in (p.lab[:15], p.lab[-15:])])
    whole = np.repeat(np.array([p.colour for p in pieces]), 2, axis=0)
    broad = np.repeat([p.broad_mm for p in pieces], 2)
    between = point[None, :, :] - point[:, None, :]
    gap = np.linalg.norm(between, axis=2) / s
    ahead = (between * direction[:, None, :]).sum(axis=2) / s
    back = -(between * direction[None, :, :]).sum(axis=2) / s
    aside = np.abs(_cross(between, direction[:, None, :])) / s
    aside_back = np.abs(_cross(between, direction[None, :, :])) / s
    turn = np.degrees(np.arccos(np.clip(-(direction[:, None, :] * direction[None, :, :]).sum(axis=2), -1, 1)))
    colour = np.minimum(
        colour_difference(near_lab[:, None], near_lab[None]), colour_difference(whole[:, None], whole[None])
    )
    wide = np.abs(broad[:, None] - broad[None, :])
    off = np.minimum(aside, aside_back)
    cost = gap / 60 + turn / 40 + colour / 12 + wide / 1.5 + np.maximum(off - 0.3, 0) / np.maximum(1.0, 0.12 * gap) / 2
    allowed = (gap <= _FAR_MM) & (turn <= _BEND_DEG) & (colour <= _DIFFERENT) & (ahead > -4) & (back > -4)
    allowed &= off <= 1.2 + 0.2 * gap
    other = colour / 12 + wide / 1.5
    _within_strips(pieces, cost, allowed, other, colour)
    np.fill_diagonal(allowed, False)
    for i, j in np.argwhere(np.triu(allowed & (gap > _NEAR_MM) & (cost <= _COST + _MARGIN))):
        if not _hidden(point[i], point[j], body):
            allowed[i, j] = allowed[j, i] = False
    return np.where(allowed, cost, np.inf)


def _within_strips(
    pieces: list[Piece], cost: np.ndarray, allowed: np.ndarray, other: np.ndarray, colour: np.ndarray
) -> None:
    """Costs of pairs in one strip, reckoned along the bundle, which may bend meanwhile. Changes both in place."""
    strip = np.array([p.strip for p in pieces])
    first, last = np.array([p.row[0] for p in pieces]), np.array([p.row[-1] for p in pieces])
    tail = np.array([_trend(p.row[-12:], p.offset_mm[-12:], p.row[-1]) for p in pieces])
    head = np.array([_trend(p.row[:12], p.offset_mm[:12], p.row[0]) for p in pieces])
    together = strip[:, None] == strip[None, :]
    ends, starts = 2 * np.arange(len(pieces)) + 1, 2 * np.arange(len(pieces))
    gaps = first[None, :] - last[:, None]
    there = together & (gaps >= -3) & (gaps <= _FAR_MM) & (colour[np.ix_(ends, starts)] <= _DIFFERENT)
    np.fill_diagonal(there, False)
    allowed[np.ix_(ends, starts)] &= ~together
    allowed[np.ix_(starts, ends)] &= ~together
    for i, j in np.argwhere(there):
        a, b, gap = 2 * i + 1, 2 * j, gaps[i, j]
        move = head[j, 0] - tail[i, 0]
        # the slopes at the two ends say where it should come out; both are trusted little over a long way
        trust = min(max(gap, 0), 10)
        miss = abs(move - 0.5 * (tail[i, 1] + head[j, 1]) * trust)
        if miss > 1.2 + 0.12 * max(gap, 0):
            continue
        bend = abs(np.degrees(np.arctan(tail[i, 1]) - np.arctan(head[j, 1])))
        cost[a, b] = cost[b, a] = max(gap, 0) / 60 + bend / 60 + 0.5 * miss / (0.8 + 0.05 * max(gap, 0)) + other[a, b]
        allowed[a, b] = allowed[b, a] = True


def _trend(row: np.ndarray, offset: np.ndarray, at: float) -> tuple[float, float]:
    """Offset and slope at a row, by least squares."""
    x = row - float(at)
    x_mean, y_mean = x.mean(), offset.mean()
    var = float(((x - x_mean) ** 2).sum())
    slope = float(np.clip(((x - x_mean) * (offset - y_mean)).sum() / var, -1.0, 1.0)) if var > 0 else 0.0
    return float(y_mean - slope * x_mean), slope


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _hidden(a: np.ndarray, b: np.ndarray, body: np.ndarray) -> bool:
    """Wires or coverings lie all along from a to b."""
    line = a + (b - a) * np.linspace(0, 1, 24)[:, None]
    x, y = np.clip(line.round().astype(int), 0, [body.shape[1] - 1, body.shape[0] - 1]).T
    return bool(body[y, x].mean() > 0.8)


def _strung(pieces: list[Piece], partner: np.ndarray, doubtful: np.ndarray) -> list[Group]:
    groups: list[Group] = []
    used = np.zeros(len(pieces), bool)
    loose = [e for e in range(2 * len(pieces)) if partner[e] < 0]
    for first in [*loose, *range(2 * len(pieces))]:
        if used[first // 2]:
            continue
        chain, here = [], first
        while not used[here // 2]:
            used[here // 2] = True
            piece = pieces[here // 2]
            chain.append(piece if here % 2 == 0 else piece.turned())
            other = here ^ 1
            if partner[other] < 0:
                break
            here = int(partner[other])
        groups.append(Group(chain, bool(doubtful[first] or doubtful[here ^ 1])))
    return groups
