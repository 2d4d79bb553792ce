"""The ways from a damage along the bundles to each termination, and what speaks for the damaged wires going there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from vision.bundles import BundleGraph
from vision.findings import STUB_MM
from vision.lanes import sample
from vision.parts import Part
from vision.recognise import Scene, WireCandidate
from vision.sight import FirstLook

WAY_SIGNS = (
    "way_mm", "longer_than_nearest_mm", "rank", "ways", "to_housing", "narrowest_share", "last_share", "bundle_mm",
    "share_of_bundle", "mean_width_mm", "own_colour_there", "own_colour_here", "heat", "overload", "sleeve",
)  # fmt: skip
_BRANCH_MM = 40.0
_SAME_COLOUR = 12.0
_LIGHT_WEIGHT = 0.6
_ASIDE_MM = 16.0
_SHOWN = 0.05
"""Share of a branch that must have a colour for the branch to show it; one wire of ten is more."""


@dataclass(frozen=True)
class Way:
    """A way from the damage's near edge to one termination.

    way_mm : along the bundles on the mat's plane; points : (N, 2) canvas px from the damage to the termination;
    signs : (len(WAY_SIGNS),) float32, what tells whether the damaged wires end there
    """

    part: Part
    way_mm: float
    points: np.ndarray
    signs: np.ndarray


def ways_to_terminations(look: FirstLook, scene: Scene, candidate: WireCandidate) -> list[Way]:
    """Ways to every termination that a bundle leads to, nearest first; none where no bundle runs under the damage.

    A cut end is where a wire was severed or left open, not a termination it was made with.
    """
    ends = [part for part in [*scene.housings, *scene.terminals] if part.graph_point >= 0]
    feet = candidate.extent.feet
    if len(feet) == 0 or not ends:
        return []
    found = [way for part in ends if (way := _trace(scene.graph, feet, part)) is not None]
    found.sort(key=lambda item: item[1])
    if not found:
        return []
    palette, shown = _own_colours(look, candidate), _colours_by_foot(look, scene)
    here = float(np.median(scene.graph.half_width_mm[feet]))
    values = candidate.signs.values
    ways = []
    for rank, (part, length, chain) in enumerate(found):
        half = scene.graph.half_width_mm[chain]
        last = _last_stretch(scene.graph, chain)
        signs = [
            length, length - found[0][1], rank, len(found), part.kind == "housing",
            float(half.min()) / max(here, 0.3), float(np.median(half[last])) / max(here, 0.3), 2 * here,
            values["share_of_bundle"], values["mean_width_mm"],
            *_colours_met(shown, chain[last], palette),
            values["finder_external_heat"], values["finder_electrical_overload"], values["finder_earlier_repair"],
        ]  # fmt: skip
        ways.append(Way(part, length, scene.graph.points[chain], np.array(signs, np.float32)))
    return ways


_IN_DAMAGE_MM = 3.0
_FAR_ENOUGH_MM = 15.0
_REACH_MM = 25.0
_TO_BORDER_MM = 20.0


def open_ends(look: FirstLook, scene: Scene, candidate: WireCandidate) -> int | None:
    """How many bundle ends in the photograph end at no termination in it, the stubs at the damage not counted.

    0: whichever way one goes from the damage, the bundle ends at a housing or a terminal that is in the picture. Loose
    ends of the whole picture count, for a bundle that is bitten through no longer hangs together. It is told of bundles
    alone: a single wire that is cut while its neighbours run on leaves no end of its own.

    None where it cannot be told: no bundle under the damage, the damage near the border of what could be seen, no
    bundle that goes on from it on two sides and comes to a termination on each, or a stub at the damage whose other
    half is not there.
    """
    graph, ends = scene.graph, scene.ends
    cells = look.cells.xy[candidate.region.cells]
    if len(candidate.extent.feet) == 0 or ends.to_rim_mm(cells).min() < _TO_BORDER_MM:
        return None
    away = cKDTree(cells).query(graph.points)[0] / look.canvas.px_per_mm
    outside = away > _IN_DAMAGE_MM
    outside[candidate.extent.feet] = False
    piece = np.where(outside, _pieces(graph, outside), -1)
    met = (ends.at >= 0) & ~ends.leaves
    at_damage = met & ends.into & ~outside[graph.ends]
    onward = 0
    for number in np.unique(piece[outside]):
        mine = away[piece == number]
        here = piece[graph.ends] == number
        if mine.min() > _REACH_MM:
            continue  # of another bundle
        if mine.max() <= _FAR_ENOUGH_MM:
            at_damage |= met & ends.into & here  # else a frayed strand
            continue
        if not (here & (ends.at >= 0)).any():
            return None
        onward += 1
    onward += int(at_damage.any())  # however many ends lie there: they may all be on one side
    stub = ~met & ~ends.leaves & (away[graph.ends] <= STUB_MM)
    loose = int((~met & ~stub).sum())
    # a bundle bitten through leaves two stubs that no longer hang together
    halves = _pieces(graph, np.ones(len(graph.points), bool))[graph.ends[stub]]
    halved = len(halves) == 0 or (len(halves) == 2 and halves[0] != halves[1])
    return loose if loose or (onward >= 2 and halved) else None


def _pieces(graph: BundleGraph, outside: np.ndarray) -> np.ndarray:
    """(N,) number of the connected piece of the graph that each point is of, once the others are taken out."""
    links = graph.links[outside[graph.links].all(axis=1)]
    n = len(graph.points)
    joined = sparse.coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(n, n))
    return csgraph.connected_components(joined, directed=False)[1]


def _trace(graph: BundleGraph, feet: np.ndarray, part: Part) -> tuple[Part, float, np.ndarray] | None:
    """Length of the shortest way from the feet to a termination, and its points from the damage outwards."""
    way, before = graph.ways_from(part.graph_point)
    nearest = int(feet[way[feet].argmin()])
    if not np.isfinite(way[nearest]):
        return None
    chain = [nearest]
    while chain[-1] != part.graph_point:
        chain.append(int(before[chain[-1]]))
    return part, float(way[nearest]) + part.gap_mm, np.array(chain)


def _last_stretch(graph: BundleGraph, chain: np.ndarray) -> np.ndarray:
    """Places in a chain of points: those after its last branch point, at most the last 40 mm."""
    links = int(_BRANCH_MM / max(float(np.median(graph.link_mm)), 0.1))
    first = max(0, len(chain) - links)
    forks = np.flatnonzero(graph.degree[chain] > 2)
    if len(forks):
        first = max(first, int(forks[-1]) + 1)
    return np.arange(min(first, len(chain) - 1), len(chain))


def _own_colours(look: FirstLook, candidate: WireCandidate) -> np.ndarray:
    """(M, 3) CIELAB of the damaged wires where they go on outside the damage, met when following them both ways."""
    mine = np.zeros(len(look.cells.xy), bool)
    mine[candidate.region.cells] = True
    met = look.cells.lanes[candidate.region.cells]
    met = np.unique(met[met >= 0])
    outside = met[~mine[met]]
    return _colours(look, look.cells.xy[outside])


def _colours(look: FirstLook, xy: np.ndarray) -> np.ndarray:
    lab = sample(look.even.lab.astype(np.float32, copy=False), xy) if len(xy) else np.zeros((0, 3), np.float32)
    return lab * np.array([_LIGHT_WEIGHT, 1.0, 1.0], np.float32)


def _colours_by_foot(look: FirstLook, scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """(M,) nearest centre-line point of each cell that shows a wire of a bundle, and (M, 3) its colour."""
    foot, distance = scene.graph.nearest(look.cells.xy)
    near = distance / look.canvas.px_per_mm < _ASIDE_MM
    near[near] = scene.body[tuple(np.round(look.cells.xy[near]).astype(int).T[::-1])]
    return foot[near], _colours(look, look.cells.xy[near])


def _colours_met(shown: tuple[np.ndarray, np.ndarray], branch: np.ndarray, palette: np.ndarray) -> tuple[float, float]:
    """Share of the palette that the branch shows, and share of the branch that shows a colour of the palette."""
    foot, colours = shown
    there = colours[np.isin(foot, branch)]
    if len(palette) == 0 or len(there) == 0:
        return -1.0, -1.0
    apart = np.linalg.norm(palette[:, None] - there[None, :: max(1, len(there) // 300)], axis=2) < _SAME_COLOUR
    return float((apart.mean(axis=1) > _SHOWN).mean()), float(apart.any(axis=0).mean())
