"""From recognised cells to things: housings, terminals, coverings, bundles, damage candidates."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from vision.bundles import BundleGraph, trace_bundles
from vision.evidence import RegionSigns, View, reference_cells, region_signs, usual_signs
from vision.grid import CellGrid, canvas_mask, patches
from vision.parts import (
    MIN_HOUSING_MM2,
    MIN_TERMINAL_MM2,
    BundleEnds,
    Part,
    attach,
    bundle_ends,
    cut_ends,
    find_bodies,
    find_coverings,
)
from vision.regions import JOIN_MM, Candidate, Extent, GrowSettings, extent_along, grow
from vision.shell import refine_outline
from vision.shell_candidate import SeenBreaks, ShellCandidate, shell_candidates
from vision.sight import FirstLook

WIRE_DAMAGES = ("external_heat", "electrical_overload", "rodent", "abrasion", "earlier_repair")
OTHER_CLASSES = ("ground", "wire", "covering", "housing", "terminal", "connector")
"""What a finder calls cells that show no damage of a wire."""


def wire_damages(classes: Sequence[str]) -> tuple[str, ...]:
    """Damages of wires that a finder knows: those of every model, then those that a shop added."""
    return (*WIRE_DAMAGES, *(name for name in classes if name not in (*WIRE_DAMAGES, *OTHER_CLASSES)))


@dataclass(frozen=True)
class WireCandidate:
    """A damage candidate on wires, with its place and its description."""

    region: Candidate
    extent: Extent
    signs: RegionSigns


@dataclass(frozen=True)
class Scene:
    """Everything recognised in one photograph.

    body : (H, W) bool, wires and coverings; probabilities : (N, C) of the cells;
    describe : extent and signs of any set of cells; ends : numbers in it are those of housings, then terminals
    """

    graph: BundleGraph
    housings: list[Part]
    terminals: list[Part]
    cut_ends: list[Part]
    coverings: list[Part]
    body: np.ndarray
    probabilities: np.ndarray
    describe: Callable[[Candidate], WireCandidate]
    wire_candidates: list[WireCandidate]
    shell_candidates: list[ShellCandidate]
    ends: BundleEnds

    @property
    def terminations(self) -> list[Part]:
        """Housings, terminals and cut ends."""
        return [*self.housings, *self.terminals, *self.cut_ends]


def recognise(
    look: FirstLook,
    probabilities: np.ndarray,
    classes: tuple[str, ...],
    settings: GrowSettings,
    breaks: SeenBreaks | None = None,
) -> Scene:
    """Build the scene from the finder's probabilities, (N, C) in the order of ``classes``.

    breaks : looks at housings for what is broken, where the model learnt that
    """
    s = look.canvas.px_per_mm
    shape = look.canvas.ground.shape
    column = {name: probabilities[:, k] for k, name in enumerate(classes)}
    most = probabilities.argmax(axis=1)
    is_housing = (column["housing"] + column["connector"]) > 0.5
    is_terminal = column["terminal"] > 0.65
    is_ground = most == classes.index("ground")
    shells = [
        refine_outline(mask, look.foreground.filled, s)
        for mask in find_bodies(look.grid, is_housing, s, shape, MIN_HOUSING_MM2, 2)
    ]
    rings = find_bodies(look.grid, is_terminal, s, shape, MIN_TERMINAL_MM2, 0)
    blocked = np.zeros(shape, bool)
    for mask in shells + rings:
        blocked |= mask
    on_bundle = ~is_ground & ~is_housing & ~is_terminal
    cell_body = canvas_mask(look.grid, look.grid.spread(on_bundle.astype(np.float32)) > 0.5, shape, 0.6 * s)
    body = cell_body & look.foreground.filled & ~blocked
    graph = trace_bundles(body, s, blocked)
    # what no bundle leads to is no termination (a shadow, a thing beside the assembly)
    housings = _numbered([p for p in attach("housing", shells, graph, s) if p.graph_point >= 0], 1)
    terminals = [p for p in attach("ring", rings, graph, s) if p.graph_point >= 0]
    terminals = _numbered(terminals, 1 + len(housings))
    ends = bundle_ends(graph, housings + terminals, look.canvas.ground, s)
    cut = cut_ends(graph, ends, 1 + len(housings) + len(terminals))
    coverings = find_coverings(look.grid, look.cells, (column["covering"] > 0.5), s, shape)
    damages = wire_damages(classes)
    scores = np.stack([column[name] for name in damages], axis=1)
    scores = np.where((is_housing | is_terminal)[:, None], 0.3 * scores, scores)
    sound = reference_cells(look.cells, column["wire"], scores.sum(axis=1) > settings.grow)
    stretches = {name: _stretches(look.grid, scores[:, k] >= settings.grow) for k, name in enumerate(damages)}
    view = View(look.cells, probabilities, classes, usual_signs(look.cells, sound), on_bundle, stretches)
    describe = partial(_described, look, graph, view)
    wires = [describe(c) for c in grow(look.grid, graph, look.cells.xy, scores, damages, s, settings)]
    return Scene(
        graph, housings, terminals, cut, coverings, body, probabilities, describe, wires,
        shell_candidates(housings, look, probabilities, classes, breaks), ends,
    )  # fmt: skip


def _numbered(parts: list[Part], first: int) -> list[Part]:
    return [replace(part, id=f"t{first + i}") for i, part in enumerate(parts)]


def _described(look: FirstLook, graph: BundleGraph, view: View, candidate: Candidate) -> WireCandidate:
    s = look.canvas.px_per_mm
    extent = extent_along(graph, look.cells.xy[candidate.cells], s)
    around = view.stretch_of(candidate)
    wide = extent_along(graph, look.cells.xy[around], s)
    signs = region_signs(candidate, view, (extent, wide), graph, look.grid.step_px / s)
    return WireCandidate(candidate, extent, signs)


def _stretches(grid: CellGrid, suspected: np.ndarray) -> np.ndarray:
    """(N,) number of the connected stretch that a cell belongs to, -1 for none; ``suspected`` : (N,) bool."""
    number = np.full(len(suspected), -1)
    for k, patch in enumerate(patches(grid, suspected, 1, bridge=1)):
        number[patch.cells] = k
    return number


def merged(scene: Scene, pieces: Sequence[WireCandidate]) -> WireCandidate:
    """Several candidates as one, described anew."""
    largest = max(pieces, key=lambda c: c.region.mass)
    cells = np.unique(np.concatenate([c.region.cells for c in pieces]))
    mass = sum(c.region.mass for c in pieces)
    return scene.describe(Candidate(cells, largest.region.hint, mass))


def groups_of_one_cause(scene: Scene, candidates: Sequence[WireCandidate], labels: Sequence[str]) -> list[list[int]]:
    """Numbers of candidates that carry one label and lie within `JOIN_MM` of each other along the bundle."""
    group = list(range(len(candidates)))
    for i, one in enumerate(candidates):
        if len(one.extent.feet) == 0:
            continue
        way = scene.graph.distances_mm(one.extent.feet[:: max(1, len(one.extent.feet) // 20)]).min(axis=0)
        for j in range(i + 1, len(candidates)):
            feet = candidates[j].extent.feet
            if labels[i] == labels[j] and len(feet) and way[feet].min() <= JOIN_MM:
                old, new = group[j], group[i]
                group = [new if g == old else g for g in group]
    return [[i for i, g in enumerate(group) if g == k] for k in dict.fromkeys(group)]
