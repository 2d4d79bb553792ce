"""Puts together what is known of the wires to be repaired: photographs, circuit list and bench notes, or a question."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from models.circuit.circuit_list import Circuit
from models.circuit.matching import match_wires
from models.repair.answers import Answers
from models.repair.bench import BenchNotes, measured_wire, noted_branch
from models.repair.branch import Branch, BranchWire, Mark, Stretch, WireEnd
from models.repair.case import Case, open_case
from models.repair.limits import Rules
from models.repair.same_place import only_same
from models.repair.spots import Joint, centre
from vision.findings import Action, Decision, Measure, PhotoFindings, Question, Region, Wire

CUTTING_STEPS = ("splice_in_section", "replace_terminal_lead", "replace_circuit", "redo_earlier_repair", "move_splice")
"""Steps of the decision that cut a wire, so that joints must be placed."""
LIST_LENGTH_U95 = 0.02
"""Relative expanded uncertainty given to a length of the circuit list; our reading, no published source."""
_LIST_LENGTH_OFF = 0.1
_MIDDLE = 0.05  # so near to a wire's middle it is not told which terminal is nearer
_COARSE_MM = 40.0  # spacing of joints: a distance known no better places none
_LONGEST_MM = 50_000.0


@dataclass
class Known:
    """The branches to plan, what must be asked first, and what the plan cannot see and somebody must look at.

    Wires of one branch are measured from the same side; wires of different branches may not be.
    """

    branches: list[Branch] = field(default_factory=list)
    checks: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    circuits: dict[str, Circuit] = field(default_factory=dict)
    perhaps: list[Circuit] = field(default_factory=list)
    """Circuits that a wire to be cut may be, where the list leaves it open."""


def known_wires(
    photos: Sequence[PhotoFindings],
    decision: Decision,
    rules: Rules,
    circuits: Sequence[Circuit] = (),
    notes: BenchNotes | None = None,
    answers: Answers | None = None,
) -> Known:
    """The wires that the decision's steps repair. A wire in the bench notes is taken from there alone.

    answers : of which only those count that say of two places that they are one
    """
    notes = notes or BenchNotes()
    known = Known()
    listed = {circuit.circuit: circuit for circuit in circuits}
    wires = [measured_wire(wire, rules.termination_distance.ruler_u95_mm) for wire in notes.wire]
    for bench, index in zip(notes.wire, range(len(wires)), strict=True):
        circuit = listed.get(bench.circuit or bench.id)
        if bench.circuit and circuit is None and listed:
            known.questions.append(_unlisted(bench.id, bench.circuit))
        if circuit is not None:
            known.circuits[bench.id] = circuit
            if abs(circuit.length_mm - wires[index].length_mm) > _LIST_LENGTH_OFF * circuit.length_mm:
                known.questions.append(_other_length(bench.id, wires[index].length_mm, circuit))
            wires[index] = _named_by(wires[index], circuit)
    known.questions += _from_both_sides(wires)
    case = open_case(photos, only_same(answers or Answers()), rules)
    groups = [wires] if wires else _from_photos(case, decision, rules, circuits, notes, known)
    known.branches = [noted_branch(tuple(group), notes) for group in groups]
    return known


def _from_both_sides(wires: Sequence[BranchWire]) -> list[Question]:
    """Asked where a wire ends where others begin, so that its lengths may run the other way along the branch.

    One whose start is placed along the branch (`offset_mm`) was thought of.
    """
    unplaced = [wire for wire in wires if not wire.offset_mm]
    for wire in unplaced:
        others = {one.start.name: one for one in unplaced if one is not wire and one.start.name is not None}
        other = others.get(wire.end.name or "")
        if other is None or wire.start.name is None or wire.start.name in others:
            continue
        return [
            Question(
                ask=f"Wire {wire.id} is noted from {wire.start.name} to {wire.end.name}, {other.id} from "
                f"{other.start.name}: which lengths run the other way? Note all from one side.",
                why="Joints and branches are laid out along one line, and a wire turned round lies wrong on it.",
                changes="splice-spacing: where the joints lie",
            )
        ]
    return []


def _other_length(wire: str, length_mm: float, circuit: Circuit) -> Question:
    listed = f"{circuit.circuit} is {circuit.length_mm:g} mm long in the list"
    return Question(
        ask=f"Wire {wire} was measured {length_mm:g} mm long, but {listed}: is it that circuit?",
        why="Size, colour and cavities are taken from the list.",
        changes="circuit list: size, fuse, length and class of this wire",
    )


def _unlisted(wire: str, circuit: str) -> Question:
    return Question(
        ask=f"Wire {wire} is noted as circuit {circuit}, which the circuit list does not hold: which circuit is it?",
        why="Size, colour and cavities are taken from the list.",
        changes="circuit list: size, fuse, length and class of this wire",
    )


def _named_by(wire: BranchWire, circuit: Circuit) -> BranchWire:
    """Colour, size and ends of the list where the wire has none of its own."""
    update: dict[str, object] = {"colour": wire.colour or circuit.colour, "size_mm2": wire.size_mm2 or circuit.size.mm2}
    for side, (name, cavity) in zip(("start", "end"), circuit.ends(), strict=True):
        end: WireEnd = getattr(wire, side)
        if end.name is None:
            update[side] = end.model_copy(update={"name": name, "cavity": cavity})
    return wire.model_copy(update=update)


@dataclass(frozen=True)
class _Place:
    """One thing to be cut out of a wire, measured from the terminal nearest to it. `ref` names it.

    `whole`: the circuit is lost from end to end. Where the decision replaces a wire only because it saw no lawful place
    for joints, the plan looks for one itself.
    """

    ref: str
    photo: int
    wire: Wire
    distance: Measure
    extent: Measure
    whole: bool
    centre_px: tuple[float, float]


def _from_photos(
    case: Case,
    decision: Decision,
    rules: Rules,
    circuits: Sequence[Circuit],
    notes: BenchNotes,
    known: Known,
) -> list[list[BranchWire]]:
    places, questions = _places(case, decision, rules)
    known.questions += questions
    found: dict[str, list[BranchWire]] = {}
    for index, photo in enumerate(case.photos):
        here = [place for place in places if place.photo == index]
        if not here:
            continue
        matched = match_wires(photo.wires, circuits, _connectors(case, index, notes)) if circuits else None
        for wire in {place.wire.id: place.wire for place in here}.values():
            name = case.name(index, wire.id)
            mine = [place for place in here if place.wire.id == wire.id]
            circuit = next((c for c in circuits if matched and c.circuit == matched.circuit_of(wire.id)), None)
            if matched is not None:
                known.questions += [q for q in matched.questions if re.search(rf"wire {re.escape(wire.id)} ", q.ask)]
                named = next(match.candidates for match in matched.matches if match.wire_id == wire.id)
                known.perhaps += [c for c in circuits if circuit is None and c.circuit in named]
            built = _built(name, mine, circuit, [j for j in case.joints if j.photo == index and j.origin != "factory"])
            if isinstance(built, Question):
                known.questions.append(built)
                continue
            found.setdefault(mine[0].ref, []).append(built)
            if circuit is not None:
                known.circuits[name] = circuit
    known.checks += _looked_at(case, {place.wire.id for place in places}, list(found), rules)
    cut = [wire.id for group in found.values() for wire in group]
    least = decision.wires_to_repair.low if decision.wires_to_repair is not None else 0
    if len({place.photo for place in places}) > 1 and len(cut) > least:
        known.questions.append(_same_wires(cut))
    return list(found.values())


def _looked_at(case: Case, cut: set[str], groups: list[str], rules: Rules) -> list[str]:
    """What somebody must mind because the photographs do not put it on one scale with the plan."""
    spacing = rules.splice_spacing
    lines = [
        f"{joint.ref} is a joint on another wire: keep new joints {spacing.min_mm:g} mm from it."
        for joint in case.joints
        if groups and joint.origin != "factory" and joint.wire not in cut
    ]
    if len(groups) > 1:
        named = ", ".join(groups)
        lines.append(
            f"{named} may be measured from different terminals: where they lie close, keep joints of neighbours "
            f"{max(spacing.min_mm, spacing.stagger_mm):g} mm apart."
        )
    return lines


def _places(case: Case, decision: Decision, rules: Rules) -> tuple[list[_Place], list[Question]]:
    """What the steps cut out of which wire, and what must be asked before that is known."""
    steps = {step.on: step for step in decision.actions if step.action in CUTTING_STEPS}
    places: list[_Place] = []
    questions: list[Question] = []
    for spot in case.spots:
        step = steps.pop(spot.ref, None)
        if step is None:
            continue
        asked = _unclear(spot.ref, spot.region, spot.to_termination_mm, step)
        distance, extent = spot.to_termination_mm, spot.region.length_mm
        if asked is not None or distance is None or extent is None:
            questions += [asked] if asked else []
            continue
        whole = step.action == "replace_circuit" and "electrical_overload" in spot.labels
        middle = centre(spot.region.rings_px) or (0.0, 0.0)
        places += [_Place(spot.ref, spot.photo, wire, distance, extent, whole, middle) for wire in spot.wires]
    for joint in case.joints:
        step = steps.pop(joint.ref, None)
        if step is None:
            continue
        photo = case.photos[joint.photo]
        wire = next((w for w in photo.wires if w.id == joint.wire), None)
        at = joint.to_termination_mm
        if wire is None or at is None or at.low_bound or at.u95 > _COARSE_MM:
            questions.append(_where_is(joint.ref))
            continue
        half = rules.termination_distance.joint_allowance_mm  # the sleeve goes with the joint under it
        near = Measure(value=max(0.0, at.value - half), u95=at.u95)
        sleeve = Measure(value=at.value + half - near.value, u95=0.0)
        places.append(_Place(joint.ref, joint.photo, wire, near, sleeve, False, joint.at_px or (0.0, 0.0)))
    return places, questions


def _same_wires(names: Sequence[str]) -> Question:
    return Question(
        ask=f"Which of {', '.join(names)} are the same wire? Note each wire once in the bench notes, or count them.",
        why="Several photographs may show the same wires, and a wire is cut once.",
        changes="wire-count: how many wires and joints the plan holds",
    )


def _where_is(ref: str) -> Question:
    return Question(
        ask=f"{ref}: on which wire is this joint, and how far along it from the terminal?",
        why="New joints keep their distance from those that stay, and those that are cut out leave a gap.",
        changes="earlier-repair: where the new joints lie",
    )


def _connectors(case: Case, photo: int, notes: BenchNotes) -> Mapping[str, str]:
    """What the notes call the ends of one photograph. Of several, `t1` alone would be another end in each."""
    names = {end.id: case.name(photo, end.id) for end in case.photos[photo].terminations}
    return {end: notes.connectors[name] for end, name in names.items() if name in notes.connectors}


def _unclear(ref: str, region: Region, distance: Measure | None, step: Action) -> Question | None:
    """What keeps this region's wires from being planned, as a question for the ruler."""
    count = region.wires_affected
    why = "A joint is placed only where its distances are known."
    changes = f"termination-distance: where the joints of {step.action.replace('_', ' ')} lie"
    if count is None or count.low != count.high or count.high != len(count.wire_ids) or count.high == 0:
        ask = f"{ref}: which wires are damaged? Note each with its colour, its length before, in and after the damage."
        return Question(ask=ask, why="The photograph does not tell exactly which wires need repair.", changes=changes)
    if region.continues_under_covering or (region.length_mm is not None and region.length_mm.low_bound):
        ask = f"{ref}: open the covering. How far does the damage run on each wire?"
        return Question(ask=ask, why="What lies under the covering decides where a joint may lie.", changes=changes)
    if region.length_mm is None or distance is None or distance.low_bound:
        ask = f"{ref}: how long is the damage, and how far is it along the wire from the nearest terminal?"
        return Question(ask=ask, why=why, changes=changes)
    if (
        distance.value < 0
        or region.length_mm.value < 0
        or not 0 < distance.value + region.length_mm.value <= _LONGEST_MM
    ):
        ask = f"{ref}: measure with a ruler how long the damage is and how far from the nearest terminal."
        return Question(ask=ask, why="What the photograph gives cannot be. " + why, changes=changes)
    if distance.u95 + region.length_mm.u95 > _COARSE_MM:
        ask = f"{ref}: measure with a ruler how long the damage is and how far from the nearest terminal."
        text = f"The photograph gives it within {distance.u95 + region.length_mm.u95:.0f} mm only. {why}"
        return Question(ask=ask, why=text, changes=changes)
    return None


def _twice(name: str) -> Question:
    return Question(
        ask=f"Wire {name} is damaged in more than one place: note from one terminal where each begins and ends.",
        why="The distances seen may be from different ends.",
        changes="termination-distance: where the joints lie",
    )


def _built(
    name: str, places: Sequence[_Place], circuit: Circuit | None, joints: Sequence[Joint]
) -> BranchWire | Question:
    """The wire measured from the terminal nearest to its damage, with the joints of the photograph that are its own."""
    wire = places[0].wire
    ends = [end for end in wire.ends if end is not None]
    if len(places) > 1 and len(ends) != 1:  # the nearest terminal need not be the same one for each
        return _twice(name)
    far = max(place.distance.value + place.extent.value for place in places)
    nearest = min(max(0.0, place.distance.value - place.distance.u95) for place in places)
    length, length_u95, seen = _length(wire, circuit, far, nearest)
    whole = any(place.whole for place in places)
    if whole and not seen:
        return Question(
            ask=f"Wire {name}: how long is it from end to end, and in which cavities does it end?",
            why="The whole wire is replaced.",
            changes="overload-extent: how much wire is cut",
        )
    old = [j for j in joints if j.wire == wire.id and j.ref not in {place.ref for place in places}]
    marks = [_mark(joint, wire, places[0], length if seen else None) for joint in old]
    unknown = next((joint for joint, mark in zip(old, marks, strict=True) if mark is None), None)
    if unknown is not None:
        return _where_is(unknown.ref)
    known = tuple(mark for mark in marks if mark is not None)
    length = max([length, *(mark.at_mm for mark in known)])
    start = ends[0] if len(ends) == 1 else "the nearest terminal"
    return BranchWire(
        id=name,
        colour=circuit.colour if circuit else wire.colour,
        size_mm2=circuit.size.mm2 if circuit else None,
        length_mm=length,
        length_u95_mm=length_u95,
        start=WireEnd(name=start),
        end=WireEnd(name="the far terminal") if seen else WireEnd(seen=False, renewable=False),
        damage=(Stretch(from_mm=0.0, to_mm=length),) if whole else tuple(_stretch(place) for place in places),
        splices=known,
    )


def _mark(joint: Joint, wire: Wire, place: _Place, length_mm: float | None) -> Mark | None:
    """An old joint on the plan's scale; None where it cannot be told from which terminal it was measured."""
    at = joint.to_termination_mm
    if at is None or at.low_bound or at.u95 > _COARSE_MM or joint.at_px is None:
        return None
    if sum(end is not None for end in wire.ends) == 1:
        return Mark(at_mm=max(0.0, at.value), u95_mm=at.u95, ref=joint.ref)
    damage = _share_along(wire, place.centre_px)
    share = _share_along(wire, joint.at_px)
    if length_mm is None or damage is None or share is None or min(abs(damage - 0.5), abs(share - 0.5)) < _MIDDLE:
        return None
    same_side = (damage < 0.5) == (share < 0.5)
    value = at.value if same_side else length_mm - at.value
    return Mark(at_mm=min(max(0.0, value), length_mm), u95_mm=at.u95, ref=joint.ref)


def _share_along(wire: Wire, at_px: tuple[float, float]) -> float | None:
    """How far along the traced wire the nearest point to `at_px` (x, y) lies: 0 at its first end, 1 at its last."""
    line = wire.centreline_px
    steps = [math.dist(a, b) for a, b in pairwise(line)]
    if not steps or sum(steps) == 0:
        return None
    nearest = min(range(len(line)), key=lambda i: math.dist(line[i], at_px))
    return sum(steps[:nearest]) / sum(steps)


def _stretch(place: _Place) -> Stretch:
    low = place.distance.value
    return Stretch(from_mm=low, to_mm=low + place.extent.value, u95_mm=place.distance.u95 + place.extent.u95)


def _length(wire: Wire, circuit: Circuit | None, far: float, nearest: float) -> tuple[float, float, bool]:
    """Length, its uncertainty, and whether the far end is known.

    Where it is not: the distance is to the nearest terminal, so the other lies at least as far beyond the damage.
    """
    if circuit is not None and circuit.length_mm >= far:
        return circuit.length_mm, LIST_LENGTH_U95 * circuit.length_mm, True
    measured = wire.length_mm
    if measured is not None and not measured.low_bound and None not in wire.ends and measured.value >= far:
        return measured.value, measured.u95, True
    return far + nearest, 0.0, False
