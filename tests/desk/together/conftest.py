"""Photographs of generated assemblies as traces with truth: cameras at both sides, no pixels drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest

from desk.truth_findings import findings_from_truth
from sample_images.harness import End, WirePath
from sample_images.layout_scene import Assembly, Wish, assemble
from sample_images.truth import Truth
from vision.findings import Count, Measure, Missing, PhotoFindings, PhotoInfo, Region, Sheet, Termination, Wire

PAGE_MM = (420.0, 297.0)
PX = 9.0
INSIDE_MM = 2.5
AT_END = 12  # samples of 0.3 mm that a housing hides, at most
ZERO = [[0.0] * 3] * 3


@dataclass(frozen=True)
class Move:
    """What was done to the assembly before the photograph: shifted, turned about the page's middle, turned over."""

    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    over: bool = False

    def apply(self, xy: np.ndarray) -> np.ndarray:
        middle = np.array(PAGE_MM) / 2
        own = (xy - middle) * ([1, -1] if self.over else [1, 1])
        c, s = np.cos(self.turn), np.sin(self.turn)
        return np.asarray(own @ np.array([[c, s], [-s, c]]) + middle + self.shift_mm)


STILL = Move()


def assembly(seed: int) -> Assembly:
    """A generated assembly on an A3 page."""
    return assemble(np.random.default_rng([seed, 77]), Wish(PAGE_MM), 4.0)


def photograph(
    made: Assembly,
    name: str,
    window: tuple[float, float],
    rng: np.random.Generator,
    move: Move = STILL,
    damage: tuple[int, float, float] | None = None,
) -> PhotoFindings:
    """The page's columns from x0 to x1 mm as a camera 450 mm above their middle shows them, 4 % of wires not traced.

    damage : wire, and from where to where along it (mm)
    """
    x0, x1 = window
    camera = np.array([(x0 + x1) / 2 + rng.normal(0, 40), PAGE_MM[1] / 2 + rng.normal(0, 40)])

    def seen(xy: np.ndarray, z: np.ndarray | float) -> np.ndarray:
        return np.asarray(camera + (move.apply(xy) - camera) * (450 / (450 - np.asarray(z)))[..., None])

    wires: list[Wire] = []
    regions = []
    for wire in made.harness.wires:
        at = seen(wire.xyz[:, :2], wire.xyz[:, 2])
        inside = _before_faces(wire) & (at[:, 0] > x0) & (at[:, 0] < x1) & (at[:, 1] > 0) & (at[:, 1] < PAGE_MM[1])
        pieces = _pieces(at, inside, wire, rng, len(wires)) if rng.random() > 0.04 else []
        wires += pieces
        if damage is not None and damage[0] == wire.index:
            hurt = at[(wire.s >= damage[1]) & (wire.s <= damage[2])]
            regions.append(_region(hurt, damage[2] - damage[1], [piece.id for piece in pieces]))
    ends = [
        Termination(id=e.id, kind=e.kind, position_mm=tuple(at), position_px=tuple(at * PX), rings_px=_body(e, seen))
        for e in made.harness.ends
        if e.id is not None and e.wires and x0 < (at := seen(e.xy[None], 0.0)[0])[0] < x1 and 0 < at[1] < PAGE_MM[1]
    ]
    return _findings(name, window, (float(camera[0]), float(camera[1]), 450.0), wires, ends, regions)


def _before_faces(wire: WirePath) -> np.ndarray:
    """(N,) bool: what a camera sees of a wire, not the 2.5 mm of it inside a housing."""
    deep = [INSIDE_MM if end.kind == "housing" else 0.0 for end in wire.ends]
    return (wire.s >= deep[0]) & (wire.s <= wire.s[-1] - deep[1])


def _pieces(at: np.ndarray, inside: np.ndarray, of: WirePath, rng: np.random.Generator, first: int) -> list[Wire]:
    wobble = rng.normal(0, 0.3, 2)
    runs = np.split(np.flatnonzero(inside), np.flatnonzero(np.diff(np.flatnonzero(inside)) > 1) + 1)
    found = []
    for run in (r for r in runs if len(r) > 60):
        line = at[[*run[:-1:10], run[-1]]] + wobble
        ends = [of.ends[0].id if run[0] < AT_END else None, of.ends[1].id if run[-1] > len(at) - AT_END else None]
        found.append(
            Wire(
                id=f"w{first + len(found)}", colour=of.colour, diameter_mm=None, size_candidates_mm2=[],
                centreline_mm=[tuple(p) for p in line], centreline_px=[tuple(p) for p in line * PX], length_mm=None,
                ends=ends,
            )
        )  # fmt: skip
    return found


def _body(end: End, seen: Callable[..., np.ndarray]) -> list[list[tuple[float, float]]]:
    """A housing's outline: its face as wide as its wires, its body behind it."""
    if end.kind != "housing":
        return []
    out = np.array([np.cos(end.heading), np.sin(end.heading)])
    half = 2.0 + max(abs(entry[1]) for entry in end.entries.values())
    across = np.array([-out[1], out[0]])
    corners = [end.xy + out * x + across * y for x, y in ((0, -half), (15, -half), (15, half), (0, half))]
    return [[tuple(p) for p in seen(np.array(corners), 0.0) * PX]]


def _region(along: np.ndarray, length_mm: float, ids: list[str]) -> Region:
    aside = np.array([0.0, 1.2])
    ring = [(float(x), float(y)) for x, y in np.concatenate([along[::4] + aside, along[::-4] - aside])]
    return Region(
        id="r1", label="rodent", probabilities={"rodent": 1.0}, unsure=False, candidates=[], novel=False,
        rings_px=[[(x * PX, y * PX) for x, y in ring]], rings_mm=[ring],
        length_mm=Measure(value=length_mm, u95=1.0), area_mm2=None,
        wires_affected=Count(value=1, low=1, high=1, wire_ids=ids), exposed_copper_mm=None, to_termination_mm=None,
        continues_under_covering=False, evidence=[],
    )  # fmt: skip


def _findings(
    name: str,
    window: tuple[float, float],
    camera: tuple[float, float, float],
    wires: list[Wire],
    ends: list[Termination],
    regions: list[Region],
) -> PhotoFindings:
    (x0, x1), height = window, PAGE_MM[1]
    area = [(x0, 0.0), (x1, 0.0), (x1, height), (x0, height)]
    base = _blank()
    return base.model_copy(
        update={
            "photo": PhotoInfo(name=name, sha256=name.encode().hex(), width_px=4000, height_px=3000),
            "wires": wires,
            "terminations": ends,
            "regions": regions,
            "sheets": [Sheet(mat="bench-a3-1", covariance=ZERO, looked_at_mm=area, camera_mm=camera)],
            "missing": [
                Missing(field=f"regions[{r.id}].to_termination_mm", reason="no termination is in the photograph")
                for r in regions
            ],
        }
    )


def _blank() -> PhotoFindings:
    truth = Truth(
        photo="", width_px=4000, height_px=3000, seed=0, scenario="drawn", mat="bench-a3-1", mm_per_px_centre=1 / PX,
        labels=["sound"], regions=[], wires=[], terminations=[], housings=[], coverings=[], splices=[], camera=None,
    )  # fmt: skip
    return findings_from_truth(truth)


@pytest.fixture
def table() -> SimpleNamespace:
    """The generated table: `assembly(seed)`, `photograph(...)`, `Move`."""
    return SimpleNamespace(assembly=assembly, photograph=photograph, Move=Move, inside_mm=INSIDE_MM)
