"""Puts together what is known of the wires to be repaired: photographs, circuit list and bench notes, or a question."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from models.circuit.circuit_list import Circuit
from models.circuit.matching import match_wires
from models.repair.answers import Answers
from models.repair.bench import BenchNotes, measured_wire, noted_branch
from models.repair.branch import Branch, BranchWire, Stretch, WireEnd
from models.repair.case import Case, open_case
from models.repair.limits import Rules
from vision.findings import Action, Decision, Measure, PhotoFindings, Question, Region, Wire

CUTTING_STEPS = ("splice_in_section", "replace_terminal_lead", "replace_circuit", "redo_earlier_repair", "move_splice")
"""Steps of the decision that cut a wire, so that joints must be placed."""
LIST_LENGTH_U95 = 0.02
"""Relative expanded uncertainty given to a length of the circuit list; our reading, no published source."""
_LIST_LENGTH_OFF = 0.1
_COARSE_MM = 40.0  # spacing of joints: a distance known no better places none
_LONGEST_MM = 50_000.0


@dataclass
class Known:
    """The branch to plan (None when no wire is known well enough), and what must be asked first."""

    branch: Branch | None
    questions: list[Question] = field(default_factory=list)
    circuits: dict[str, Circuit] = field(default_factory=dict)


def known_wires(
    photos: Sequence[PhotoFindings],
    decision: Decision,
    rules: Rules,
    circuits: Sequence[Circuit] = (),
    notes: BenchNotes | None = None,
) -> Known:
    """The wires that the decision's steps repair. A wire in the bench notes is taken from there alone."""
    notes = notes or BenchNotes()
    known = Known(None)
    listed = {circuit.circuit: circuit for circuit in circuits}
    wires = [measured_wire(wire, rules.termination_distance.ruler_u95_mm) for wire in notes.wire]
    for bench, index in zip(notes.wire, range(len(wires)), strict=True):
        circuit = listed.get(bench.circuit or bench.id)
        if bench.circuit and circuit is None:
            known.questions.append(_unlisted(bench.id, bench.circuit))
        if circuit is not None:
            known.circuits[bench.id] = circuit
            if abs(circuit.length_mm - wires[index].length_mm) > _LIST_LENGTH_OFF * circuit.length_mm:
                known.questions.append(_other_length(bench.id, wires[index].length_mm, circuit))
            wires[index] = _named_by(wires[index], circuit)
    if not notes.wire:  # a person who measured, measured all
        wires = _from_photos(photos, decision, rules, circuits, notes, known)
    if wires:
        known.branch = noted_branch(tuple(wires), notes)
    return known


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
    """One thing to be cut out of a wire, measured from the terminal nearest to it."""

    photo: int
    wire: Wire
    distance: Measure
    extent: Measure
    step: Action


def _from_photos(
    photos: Sequence[PhotoFindings],
    decision: Decision,
    rules: Rules,
    circuits: Sequence[Circuit],
    notes: BenchNotes,
    known: Known,
) -> list[BranchWire]:
    case = open_case(photos, Answers(), rules)
    places, questions = _places(case, decision, rules)
    known.questions += questions
    found: list[BranchWire] = []
    for index, photo in enumerate(case.photos):
        here = [place for place in places if place.photo == index]
        if not here:
            continue
        matched = match_wires(photo.wires, circuits, _connectors(photo, notes)) if circuits else None
        for wire in {place.wire.id: place.wire for place in here}.values():
            name = wire.id if len(case.photos) == 1 else f"{photo.photo.name}:{wire.id}"
            mine = [place for place in here if place.wire.id == wire.id]
            circuit = next((c for c in circuits if matched and c.circuit == matched.circuit_of(wire.id)), None)
            if matched is not None:
                known.questions += [q for q in matched.questions if re.search(rf"wire {re.escape(wire.id)} ", q.ask)]
            built = _built(name, mine, circuit)
            if isinstance(built, Question):
                known.questions.append(built)
                continue
            found.append(built)
            if circuit is not None:
                known.circuits[name] = circuit
    return found


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
        places += [_Place(spot.photo, wire, distance, extent, step) for wire in spot.wires]
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
        places.append(_Place(joint.photo, wire, near, Measure(value=at.value + half - near.value, u95=0.0), step))
    return places, questions


def _where_is(ref: str) -> Question:
    return Question(
        ask=f"{ref}: on which wire is this joint, and how far along it from the terminal?",
        why="The joint is cut out; the new ones keep their distances from both ends.",
        changes="earlier-repair: where the new joints lie",
    )


def _connectors(photo: PhotoFindings, notes: BenchNotes) -> Mapping[str, str]:
    return {t.id: notes.connectors[t.id] for t in photo.terminations if t.id in notes.connectors}


def _unclear(ref: str, region: Region, distance: Measure | None, step: Action) -> Question | None:
    """What keeps this region's wires from being planned, as a question for the ruler."""
    count = region.wires_affected
    why = "A joint is placed only where its distances are known."
    changes = f"termination-distance: where the joints of {step.action.replace('_', ' ')} lie"
    if count is None or count.low != count.high or count.high != len(count.wire_ids):
        ask = f"{ref}: which wires are damaged? Note each with its colour, its length before, in and after the damage."
        return Question(ask=ask, why="The photograph does not tell exactly which wires need repair.", changes=changes)
    if region.continues_under_covering or (region.length_mm is not None and region.length_mm.low_bound):
        ask = f"{ref}: open the covering. How far does the damage run on each wire?"
        return Question(ask=ask, why="What lies under the covering decides where a joint may lie.", changes=changes)
    if region.length_mm is None or distance is None or distance.low_bound:
        ask = f"{ref}: how long is the damage, and how far is it along the wire from the nearest terminal?"
        return Question(ask=ask, why=why, changes=changes)
    if distance.value < 0 or region.length_mm.value < 0 or distance.value + region.length_mm.value > _LONGEST_MM:
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


def _built(name: str, places: Sequence[_Place], circuit: Circuit | None) -> BranchWire | Question:
    """The wire measured from the terminal nearest to its damage."""
    wire = places[0].wire
    ends = [end for end in wire.ends if end is not None]
    if len(places) > 1 and len(ends) != 1:  # the nearest terminal need not be the same one for each
        return _twice(name)
    far = max(place.distance.value + place.extent.value for place in places)
    nearest = min(max(0.0, place.distance.value - place.distance.u95) for place in places)
    length, length_u95, seen = _length(wire, circuit, far, nearest)
    whole = any(place.step.action == "replace_circuit" for place in places)
    if whole and not seen:
        return Question(
            ask=f"Wire {name}: how long is it from end to end, and in which cavities does it end?",
            why="The whole wire is replaced.",
            changes="overload-extent: how much wire is cut",
        )
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
    )


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
