"""Measures a region anew from its outline: what geometry can give; what it cannot give is None with a reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from desk.review import outline
from desk.review.plane import Plane
from vision.findings import Count, Covering, Measure, PhotoFindings, Region, Ring, Termination, Wire
from vision.uncertainty import DRAWN, ENDS, LENS, PARALLAX, SCALE, Budget, Source

NO_SCALE = "no scale: no mat in the photograph, none stated, and no reference length clicked"
_DRAWN_U95_MM = 3.2
"""How well an outline's edge marks where damage ends along a wire: slanted ends, found on rendered photographs."""
_WHOLE_RUN = 0.95
"""A run shorter than this share of the outline's extent was traced in pieces: the length is the least it is."""
_END_U95_MM = 5.0
"""How well a traced wire's end marks its termination: 95 % of true outlines on rendered photographs lay within."""
_HEIGHT_U95_REL = 0.015
"""Wires lie above the mat and look that much larger at most."""
_COVERING_GAP_MM = 5.0


@dataclass(frozen=True)
class Run:
    """A wire's piece inside an outline: positions on its centre line, and its length in mm (None without a scale)."""

    wire: Wire
    start: float
    stop: float
    length_mm: float | None


@dataclass(frozen=True)
class _Way:
    """A distance and the termination it goes to; None where the distance was not measured from this outline."""

    mm: Measure
    end: str | None


_NO_WAY = {"to_termination_mm": None, "to_termination_id": None}


@dataclass(frozen=True)
class Taken:
    """A region measured anew, with the reasons for what is absent, by field."""

    region: Region
    reasons: dict[str, str]


def runs(photo: PhotoFindings, rings: Sequence[Ring], plane: Plane | None) -> list[Run]:
    """The traced wires that run through an outline."""
    found = []
    for wire in photo.wires:
        line = outline.as_array(wire.centreline_px)
        span = outline.run_inside(line, rings)
        if span is not None:
            piece = outline.piece(line, *span)
            found.append(Run(wire, *span, _length(plane.to_mm(piece)) if plane else None))
    return found


def _length(points: np.ndarray) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def remeasured(photo: PhotoFindings, region: Region, before: Region | None, plane: Plane | None) -> Taken:
    """The region with every measure taken from its outline. `before`: the same region under its former outline."""
    found = runs(photo, region.rings_px, plane)
    reasons: dict[str, str] = {}
    grown = before is not None and outline.contains(region.rings_px, before.rings_px)
    values: dict[str, object] = {
        "rings_mm": _rings_mm(region.rings_px, plane),
        "seen_also": [],  # whether it is still the damage of another photograph nobody has looked
        "continues_under_covering": _under(photo.coverings, region.rings_px, plane)
        or (grown and before is not None and before.continues_under_covering),
    }
    low = bool(values["continues_under_covering"])
    values["length_mm"] = _extent(region, found, plane, low)
    values["area_mm2"] = _area(region, plane, low)
    if plane is None:
        reasons |= dict.fromkeys(("length_mm", "area_mm2", "to_termination_mm"), NO_SCALE)
    if region.label == "connector":
        housing = "damage of a housing, not of wires"
        values |= {"wires_affected": None, "exposed_copper_mm": None, "evidence": []}
        values |= {"to_termination_mm": Measure(value=0.0, u95=0.0) if plane else None}
        values["to_termination_id"] = _housing_under(photo, region.rings_px) if plane else None
        reasons |= {"wires_affected": housing, "exposed_copper_mm": housing}
        return Taken(region.model_copy(update=values), reasons)
    values["wires_affected"], why_count = _wires(photo, region, before, found)
    here = before is not None and outline.meets(region.rings_px, before.rings_px)
    way, why_way = _way(photo, before if here else None, grown, found, plane)
    values |= {"to_termination_mm": way.mm, "to_termination_id": way.end} if way else _NO_WAY
    kept = before if grown else None
    values["exposed_copper_mm"] = _at_least(kept.exposed_copper_mm) if kept else None
    # what lies beyond the outline was looked up from the former one
    values["evidence"] = [one for one in kept.evidence if one.feature != "open_ends"] if kept else []
    if values["exposed_copper_mm"] is None:
        reasons["exposed_copper_mm"] = (
            "the outline was drawn by hand: bare copper is not measured inside it, look at it"
        )
    reasons |= {k: v for k, v in (("wires_affected", why_count), ("to_termination_mm", why_way)) if v}
    return Taken(region.model_copy(update=values), reasons)


def _housing_under(photo: PhotoFindings, rings: Sequence[Ring]) -> str | None:
    """The housing that an outline lies on."""
    return next((housing.id for housing in photo.housings if outline.meets(housing.rings_px, rings)), None)


def _rings_mm(rings: Sequence[Ring], plane: Plane | None) -> list[Ring] | None:
    if plane is None:
        return None
    return [[(round(float(x), 2), round(float(y), 2)) for x, y in plane.to_mm(outline.as_array(r))] for r in rings]


def _measure(value: float, plane: Plane, edges: int, low: bool = False, end_u95_mm: float = 0.0) -> Measure:
    sources = (
        Source.of_u95(DRAWN, _DRAWN_U95_MM * edges**0.5),
        Source.of_u95(LENS, plane.u95_mm * edges**0.5),
        Source.of_u95(ENDS, end_u95_mm),
        Source.of_u95(SCALE, plane.u95_rel * value),
        Source.of_u95(PARALLAX, _HEIGHT_U95_REL * value),
    )
    return Budget(value, sources).measure(low)


def _extent(region: Region, found: Sequence[Run], plane: Plane | None, low: bool) -> Measure | None:
    """Longest run along a wire; along the outline's own axis where no traced wire runs through it.

    A wire that was traced in pieces runs too short: the outline's extent in the run's direction is the least it is.
    """
    if plane is None:
        return None
    points = plane.to_mm(np.concatenate([outline.as_array(ring) for ring in region.rings_px]))
    longest = max(found, key=lambda run: run.length_mm or 0.0, default=None)
    if region.label == "connector" or longest is None or not longest.length_mm:
        return _measure(_axis_length(points), plane, 2, low)
    piece = plane.to_mm(outline.piece(outline.as_array(longest.wire.centreline_px), longest.start, longest.stop))
    chord = piece[-1] - piece[0]
    reach = np.ptp(points @ (chord / max(float(np.linalg.norm(chord)), 1e-9)))
    broken = longest.length_mm < _WHOLE_RUN * float(reach)
    return _measure(max(longest.length_mm, float(reach)), plane, 2, low or broken)


def _axis_length(points: np.ndarray) -> float:
    """Greatest distance between two corners: the outline's own length, whichever way it lies."""
    return float(np.sqrt(((points[:, None] - points[None]) ** 2).sum(axis=2).max()))


def _area(region: Region, plane: Plane | None, low: bool) -> Measure | None:
    if plane is None:
        return None
    rings = [plane.to_mm(outline.as_array(ring)) for ring in region.rings_px]
    value = sum(outline.area(ring) for ring in rings)
    border = sum(_length(np.vstack([ring, ring[:1]])) for ring in rings)
    sources = (
        Source.of_u95(DRAWN, 0.5 * _DRAWN_U95_MM * border),
        Source.of_u95(SCALE, 2 * plane.u95_rel * value),
        Source.of_u95(PARALLAX, 2 * _HEIGHT_U95_REL * value),
    )
    return Budget(value, sources).measure(low, 1)


def _at_least(measure: Measure | None) -> Measure | None:
    """What was seen in a part of the region is the least that is there."""
    return None if measure is None else measure.model_copy(update={"low_bound": True})


def _wires(
    photo: PhotoFindings, region: Region, before: Region | None, found: Sequence[Run]
) -> tuple[Count | None, str | None]:
    """The count: traced wires inside, and what the former count held beyond those traced in the former outline."""
    ids = [run.wire.id for run in found]
    if before is None or before.wires_affected is None:
        why = "traced wires under a new outline are not all the wires there are: count them"
        return (
            (None, why)
            if not ids
            else (Count(value=len(ids), low=1, high=max(len(ids), len(photo.wires)), wire_ids=ids), None)
        )
    old = before.wires_affected
    traced = {run.wire.id for run in runs(photo, before.rings_px, None)} | set(old.wire_ids)
    gained = len(set(ids) - traced)
    lost = len(traced - set(ids))
    low = max(1, old.low + gained - lost)
    value = max(low, old.value + gained - lost)
    return Count(value=value, low=low, high=max(value, old.high + gained), wire_ids=ids), None


def _way(
    photo: PhotoFindings, before: Region | None, grown: bool, found: Sequence[Run], plane: Plane | None
) -> tuple[_Way | None, str | None]:
    """Near edge to the nearest termination that a wire under the outline was followed to, along that wire.

    before : the same place under its former outline, which the new one meets; grown : and holds whole
    """
    if plane is None:
        return None, NO_SCALE
    ends = {end.id: end for end in photo.terminations if end.kind != "cut_end"}
    ways = [way for run in found for way in _ways(run, ends, plane)]
    if not ways:
        why = "no wire traced under the outline was followed to a termination: measure it with a ruler"
        return None, why
    nearest, end = min(ways)
    measure = _measure(nearest, plane, 1, end_u95_mm=_END_U95_MM)
    old = before.to_termination_mm if before else None
    if before is None or old is None:
        why = "it was not known for the smaller outline: measure it with a ruler"
        return (None, why) if grown else (_Way(measure, end), None)
    # an outline drawn by hand does not say which terminal is meant: the distance is known no better than it was;
    # and a larger outline cannot lie farther off than the smaller one
    wider = max(measure, old, key=lambda one: one.u95)
    kept = grown and old.value < measure.value
    known = wider.model_copy(update={"value": old.value if kept else measure.value, "low_bound": False})
    return _Way(known, before.to_termination_id if kept else end), None


def _ways(run: Run, ends: dict[str, Termination], plane: Plane) -> list[tuple[float, str]]:
    """Length in mm of the ways along the wire to the terminations that it was followed to, and their ids."""
    line = outline.as_array(run.wire.centreline_px)
    at_start, at_stop = [*run.wire.ends, None, None][:2]
    found = []
    if at_start in ends:
        way = outline.piece(line, 0.0, run.start) if run.start > 0 else line[:1]
        found.append((_length(plane.to_mm(way)) + _gap(line[0], ends[at_start], plane), at_start))
    if at_stop in ends:
        last = float(len(line) - 1)
        way = outline.piece(line, run.stop, last) if run.stop < last else line[-1:]
        found.append((_length(plane.to_mm(way)) + _gap(line[-1], ends[at_stop], plane), at_stop))
    return found


def _gap(point: np.ndarray, end: Termination, plane: Plane) -> float:
    """From a traced wire's end to the termination's outline, mm; 0 inside it."""
    rings = [ring for ring in end.rings_px if len(ring) > 2]
    if not rings:
        return _length(plane.to_mm(np.vstack([point, end.position_px])))
    if outline.inside(point[None], rings)[0]:
        return 0.0
    in_mm = [[(float(x), float(y)) for x, y in plane.to_mm(outline.as_array(ring))] for ring in rings]
    return float(outline.distance_to_edges(plane.to_mm(point[None]), in_mm)[0])


def _under(coverings: Sequence[Covering], rings: Sequence[Ring], plane: Plane | None) -> bool:
    """Whether the outline reaches a covering, so that the damage may run on beneath."""
    for covering in coverings:
        if not covering.rings_px:
            continue
        if outline.meets(rings, covering.rings_px):
            return True
        if plane is not None:
            theirs = [[(float(x), float(y)) for x, y in plane.to_mm(outline.as_array(r))] for r in covering.rings_px]
            mine = plane.to_mm(np.concatenate([outline.as_array(ring) for ring in rings]))
            if outline.distance_to_edges(mine, theirs).min() <= _COVERING_GAP_MM:
                return True
    return False
