"""Shapes laid over a photograph on the page: SVG paths in original pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import cv2
import numpy as np

from desk.wording import say_count, say_label, say_length, say_measured, say_on_picture
from vision.findings import Covering, Decision, PhotoFindings, Region, Ring, Splice, Wire

LAYERS = ("regions", "wires", "distances", "coverings", "terminations")


@dataclass(frozen=True)
class Shape:
    """One path with its place for a badge (share of width and height, 0..1) and its words."""

    layer: str
    kind: str
    path: str
    title: str
    badge: str = ""
    at: tuple[float, float] = (0.0, 0.0)


_NOTHING: Mapping[str, str] = MappingProxyType({})
_DISTANCE_RULE = "termination-distance"
"""Whose limit a distance is held against; one too wide to say which side of it is to be measured by hand."""


def shapes(
    findings: PhotoFindings, decision: Decision | None = None, unit: str = "mm", apart: bool = False
) -> list[Shape]:
    """Everything to draw over the photograph, from the bottom layer to the top.

    decision : its limits say which distance is too wide to be printed; unit : `mm` or `in`, which lengths are said in;
    apart : names that would cover each other are moved, for a page that does not do so itself
    """
    size = (findings.photo.width_px, findings.photo.height_px)
    drawn = [_covering(c, unit) for c in findings.coverings if c.rings_px]
    drawn += [_wire(wire, unit) for wire in findings.wires]
    for t in findings.terminations:
        if t.rings_px:
            drawn.append(Shape("terminations", "termination", path_of(t.rings_px), t.kind, t.id, _at(t.rings_px, size)))
    drawn += [
        Shape("terminations", "splice", path_of(s.rings_px), f"{s.origin} splice", s.id, _at(s.rings_px, size))
        for s in findings.splices
        if s.rings_px
    ]
    drawn += [
        Shape("regions", "region", path_of(r.rings_px), say_label(r.label), r.id, _at(r.rings_px, size))
        for r in findings.regions
        if r.rings_px
    ]
    drawn = _apart(drawn, size) if apart else drawn
    badges = [(shape.at, shape.badge) for shape in drawn if shape.badge]
    return drawn + _distances(findings, size, badges, decision, unit)


def path_of(rings: list[Ring], closed: bool = True) -> str:
    """SVG path data of the rings, thinned to half a pixel: the eye sees no difference and the page stays small."""
    parts = []
    for ring in rings:
        points = np.asarray(ring, np.float32).reshape(-1, 2)
        thin = cv2.approxPolyDP(points.reshape(-1, 1, 2), 0.5, closed).reshape(-1, 2)
        parts.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in thin) + ("Z" if closed else ""))
    return "".join(parts)


def _at(rings: list[Ring], size: tuple[int, int]) -> tuple[float, float]:
    """Share of width and height of the topmost point: a badge there covers little of the damage."""
    points = np.concatenate([np.asarray(ring, float).reshape(-1, 2) for ring in rings])
    x, y = points[np.argmin(points[:, 1])]
    return _share(x, y, size)


def _share(x: float, y: float, size: tuple[int, int]) -> tuple[float, float]:
    return min(max(float(x) / size[0], 0.0), 1.0), min(max(float(y) / size[1], 0.0), 1.0)


def _covering(covering: Covering, unit: str) -> Shape:
    said = [f"{covering.kind} {covering.id}"]
    said += [f"{say_length(covering.width_mm, unit)} wide"] if covering.width_mm else []
    said += [f"{say_count(covering.wires)} wires beneath"] if covering.wires else []
    return Shape("coverings", "covering", path_of(covering.rings_px), ", ".join(said))


def _wire(wire: Wire, unit: str) -> Shape:
    title = f"wire {wire.id}, {wire.colour}, {say_length(wire.diameter_mm, unit)}"
    return Shape("wires", "wire", path_of([wire.centreline_px], closed=False), title)


Placed = tuple[tuple[float, float], str]
"""A badge: where (share of width and height) and its words."""

_ALONG = (0.5, 0.35, 0.65, 0.2, 0.8, 0.05, 0.95)
"""Where along its way a distance's badge may stand, the best first."""

_BESIDE = (0.035, -0.035, 0.07, -0.07)
"""How far below or above the middle of its way, of the height, where none of those places is free."""


def _distances(
    findings: PhotoFindings,
    size: tuple[int, int],
    badges: list[Placed],
    decision: Decision | None = None,
    unit: str = "mm",
) -> list[Shape]:
    """The way along a wire from the near edge of each region or splice to its termination, where it was traced.

    Its words stand where they cover none of the other ``badges``: on the way, as near to its middle as that allows,
    or just below or above.
    """
    drawn = []
    for item, way in _measured_ways(findings):
        said = say_on_picture(item.to_termination_mm, decision, _DISTANCE_RULE, unit)
        in_full = say_measured(item.to_termination_mm, decision, _DISTANCE_RULE, unit)
        places = [_share(x, y, size) for x, y in (way[round(part * (len(way) - 1))] for part in _ALONG)]
        x, y = places[0]
        places += [(x, min(max(y + step, 0.0), 1.0)) for step in _BESIDE]
        at = _free_place(places, said, badges)
        badges = [*badges, (at, said)]
        path = path_of([[(float(x), float(y)) for x, y in way]], closed=False)
        drawn.append(Shape("distances", "distance", path, f"{item.id} to termination: {in_full}", said, at))
    return _each_once(drawn)


_OFF = ((0.0, 0.0), *((x, 0.035 * line) for line in (-1, -2, 1, -3, 2, -4, 3) for x in (0.0, 0.05, -0.05)))
"""Where beside its place a name may stand, shares of width and height, the best first."""
_LED = 0.06
"""A name moved so far has a line that leads back."""
_TOP = 0.05  # higher a name would leave the picture


def _apart(drawn: list[Shape], size: tuple[int, int]) -> list[Shape]:
    """The same shapes with no name over another, damage before what else is named."""
    taken: list[Placed] = []
    moved: dict[int, tuple[float, float]] = {}
    for k in sorted(range(len(drawn)), key=lambda k: drawn[k].layer != "regions"):
        one = drawn[k]
        if one.badge:
            x, y = one.at[0], max(one.at[1], _TOP)
            places = [(min(max(x + a, 0.04), 0.96), min(max(y + b, _TOP), 1.0)) for a, b in _OFF]
            moved[k] = _free_place(places, one.badge, taken)
            taken.append((moved[k], one.badge))
    lines = [_leader(drawn[k], at, size) for k, at in moved.items() if np.hypot(*np.subtract(at, drawn[k].at)) > _LED]
    return [replace(one, at=moved.get(k, one.at)) for k, one in enumerate(drawn)] + lines


def _leader(shape: Shape, at: tuple[float, float], size: tuple[int, int]) -> Shape:
    way = [(x * size[0], y * size[1]) for x, y in (shape.at, at)]
    return Shape(shape.layer, "leader", path_of([way], closed=False), f"{shape.badge}: {shape.title}")


def _free_place(places: list[tuple[float, float]], said: str, badges: list[Placed]) -> tuple[float, float]:
    """The first place where the words cover no badge, else the first."""
    return next((at for at in places if not any(_cover((at, said), other) for other in badges)), places[0])


def _cover(one: Placed, other: Placed) -> bool:
    """Whether two badges overlap on a page about as wide as a hand: a letter is about 0.007 of the width."""
    (ax, ay), (bx, by) = one[0], other[0]
    reach = 0.0035 * (len(one[1]) + len(other[1])) + 0.02
    return abs(ax - bx) < reach and abs(ay - by) < 0.03


def ways_to_termination(
    findings: PhotoFindings, decision: Decision | None = None, ruled: Mapping[str, str] = _NOTHING
) -> list[tuple[np.ndarray, str]]:
    """Ways drawn as distances, (N, 2) px each, with what stands beside them; each way once.

    ruled : distances measured at the bench, in words, by the id of region or splice
    """
    ways = [
        (way, ruled.get(item.id) or say_on_picture(item.to_termination_mm, decision, _DISTANCE_RULE))
        for item, way in _measured_ways(findings)
    ]
    return list({way.tobytes(): (way, said) for way, said in ways}.values())


def _measured_ways(findings: PhotoFindings) -> list[tuple[Region | Splice, np.ndarray]]:
    wires = {wire.id: wire for wire in findings.wires}
    items: list[tuple[Region | Splice, list[str]]] = [
        (region, region.wires_affected.wire_ids if region.wires_affected else []) for region in findings.regions
    ]
    items += [(splice, [splice.wire_id] if splice.wire_id else []) for splice in findings.splices]
    found = []
    for item, wire_ids in items:
        ways = [way for i in wire_ids if i in wires for way in _ways(wires[i], item.rings_px)]
        if item.to_termination_mm is not None and ways:
            found.append((item, min(ways, key=_length)))
    return found


def _each_once(drawn: list[Shape]) -> list[Shape]:
    """A sleeve is a region and a splice: draw its distance once."""
    return list({shape.path: shape for shape in drawn}.values())


def _ways(wire: Wire, rings: list[Ring]) -> list[np.ndarray]:
    """Pieces of the wire between the rings and each end that was followed to a termination. (N, 2) px each."""
    line = np.asarray(wire.centreline_px, float).reshape(-1, 2)
    inside = _inside(line, rings)
    if not inside.any():
        return []
    first, last = int(np.argmax(inside)), len(line) - 1 - int(np.argmax(inside[::-1]))
    ways = []
    if wire.ends and wire.ends[0] is not None and first > 0:
        ways.append(line[: first + 1])
    if wire.ends and wire.ends[-1] is not None and last < len(line) - 1:
        ways.append(line[last:])
    return ways


def way_inside(wire: Wire, rings: list[Ring]) -> np.ndarray | None:
    """The wire's piece from where it enters the rings to where it leaves them, (N, 2) px; None where it does not."""
    line = np.asarray(wire.centreline_px, float).reshape(-1, 2)
    inside = np.flatnonzero(_inside(line, rings))
    return line[inside[0] : inside[-1] + 1] if len(inside) > 1 else None


def _inside(line: np.ndarray, rings: list[Ring]) -> np.ndarray:
    """Which points lie in one of the rings or on its edge, (N,) bool. line : (N, 2) px; long, so boxes come first."""
    inside = np.zeros(len(line), bool)
    for ring in rings:
        corners = np.asarray(ring, np.float32).reshape(-1, 1, 2)
        near = ((line >= corners.min((0, 1))) & (line <= corners.max((0, 1)))).all(axis=1)
        for n in np.flatnonzero(near & ~inside):
            inside[n] = cv2.pointPolygonTest(corners, (float(line[n, 0]), float(line[n, 1])), False) >= 0
    return inside


def _length(line: np.ndarray) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
