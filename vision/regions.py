"""Damage regions: grown from dense evidence, joined along the bundle, outlined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.bundles import BundleGraph
from vision.grid import CellGrid, Patch, patches

JOIN_MM = 50.0
"""Pieces of one cause nearer than this along the wire are one region."""


_TOP_CELLS = 8
"""So many of the most probable cells are a region's top: one cell alone may be chance."""


@dataclass(frozen=True)
class GrowSettings:
    """When cells make a region. Probabilities; `min_mass` in cells, weighted by probability.

    Of what was grown those cells stay whose probability is at least `peak_share` of the region's top, and whose log
    odds are at most `peak_drop` below its: a finder that half suspects a whole bundle is sure where the damage lies.
    """

    seed: float = 0.65
    grow: float = 0.40
    peak_share: float = 0.6
    peak_drop: float = 4.5
    min_mass: float = 3.0
    absorb_mm: float = 8.0
    absorb_ratio: float = 0.6


@dataclass(frozen=True)
class Candidate:
    """A damage region before it is named.

    cells : (n,) cell numbers; hint : what the finder took most of it for; mass : sum of its probabilities
    """

    cells: np.ndarray
    hint: str
    mass: float = 0.0


def grow(
    grid: CellGrid,
    graph: BundleGraph,
    xy: np.ndarray,
    scores: np.ndarray,
    labels: Sequence[str],
    px_per_mm: float,
    settings: GrowSettings,
) -> list[Candidate]:
    """Candidates on wires, largest first.

    xy : (N, 2) cells in canvas px; scores : (N, L) probability of each damage label per cell.
    Hysteresis per label, pieces of one label within `JOIN_MM` along the bundle joined, of these what comes near their
    top kept, small pieces of another label at the rim of a large one absorbed by it.
    """
    found: list[Candidate] = []
    for k, label in enumerate(labels):
        score = scores[:, k]
        members = patches(grid, score >= settings.grow, 1, bridge=1)
        kept = [p for p in members if score[p.cells].max() >= settings.seed]
        for group in _joined(kept, graph, xy):
            cells = _standing_out(np.concatenate([p.cells for p in group]), score, settings)
            mass = float(score[cells].sum())
            if mass >= settings.min_mass:
                found.append(Candidate(cells, label, mass))
    return _absorbed(sorted(found, key=lambda c: -c.mass), xy, px_per_mm, settings)


def _standing_out(cells: np.ndarray, score: np.ndarray, settings: GrowSettings) -> np.ndarray:
    """Those of a region's (n,) cells that come near its top; (N,) score of all cells."""
    top = float(np.sort(score[cells])[-_TOP_CELLS:].mean())
    odds = top / max(1.0 - top, 1e-6) * np.exp(-settings.peak_drop)
    return cells[score[cells] >= max(settings.peak_share * top, odds / (1.0 + odds))]


def _joined(pieces: list[Patch], graph: BundleGraph, xy: np.ndarray) -> list[list[Patch]]:
    """Groups of pieces that lie within `JOIN_MM` of each other along the bundle."""
    if len(pieces) < 2 or len(graph.points) == 0:
        return [[p] for p in pieces]
    feet = [np.unique(graph.nearest(xy[p.cells])[0]) for p in pieces]
    group = list(range(len(pieces)))
    for i in range(len(pieces)):
        way = graph.distances_mm(feet[i]).min(axis=0)
        for j in range(i + 1, len(pieces)):
            if way[feet[j]].min() <= JOIN_MM:
                old, new = group[j], group[i]
                group = [new if g == old else g for g in group]
    return [[p for p, g in zip(pieces, group, strict=True) if g == k] for k in dict.fromkeys(group)]


def _absorbed(found: list[Candidate], xy: np.ndarray, px_per_mm: float, settings: GrowSettings) -> list[Candidate]:
    """Small pieces touching a much larger candidate of another label become part of it."""
    out: list[Candidate] = []
    for small in found:
        host = None
        for i, large in enumerate(out):
            if small.mass > settings.absorb_ratio * large.mass:
                continue
            gap = _gap_mm(xy[small.cells], xy[large.cells], px_per_mm)
            if gap <= settings.absorb_mm:
                host = i
                break
        if host is None:
            out.append(small)
        else:
            large = out[host]
            cells = np.union1d(large.cells, small.cells)
            out[host] = Candidate(cells, large.hint, large.mass + small.mass)
    return out


def _gap_mm(a: np.ndarray, b: np.ndarray, px_per_mm: float) -> float:
    """Median over the cells of ``a`` of the distance to the nearest of ``b``, mm."""
    distance = np.linalg.norm(a[:, None, :] - b[None, :, :], axis=2).min(axis=1)
    return float(np.median(distance)) / px_per_mm


@dataclass(frozen=True)
class Extent:
    """Where a region lies along the bundle. Lengths in mm, None where no bundle runs under it.

    feet : numbers of the graph points under it
    """

    length_mm: float | None
    feet: np.ndarray


def extent_along(graph: BundleGraph, xy: np.ndarray, px_per_mm: float, reach_mm: float = 16.0) -> Extent:
    """Longest way along the graph between centre-line points under the cells at (n, 2) ``xy``."""
    number, distance = graph.nearest(xy)
    near = distance / px_per_mm <= reach_mm
    if not near.any():
        return Extent(None, np.zeros(0, int))
    feet, counts = np.unique(number[near], return_counts=True)
    start = feet[counts.argmax()]
    first = graph.distances_mm(np.array([start]))[0][feet]
    reachable = np.isfinite(first)
    feet = feet[reachable]
    far = feet[first[reachable].argmax()]
    length = float(graph.distances_mm(np.array([far]))[0][feet].max())
    return Extent(length, feet)
