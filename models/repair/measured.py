"""What wires measured at the bench answer of the decision's questions, so that nobody is asked for it once more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from models.repair.answers import Answers
from models.repair.bench import BenchNotes, BenchWire
from models.repair.case import Case, Spot, open_case
from models.repair.limits import Rules
from vision.findings import PhotoFindings

_NOT_ON_WIRES = {"connector", "earlier_repair"}
"""Places of which the lengths before and after the damage say nothing: of a joint the distance of the sleeve counts."""


def with_measured(photos: Sequence[PhotoFindings], answers: Answers, notes: BenchNotes | None, rules: Rules) -> Answers:
    """The answers, and beside them what the wires noted at the bench say; an answer that was given stands.

    Of one place of damage all wires noted are its; of several those are that are named as the photographs name them.
    AnswersError as `open_case`.
    """
    if notes is None or not notes.wire:
        return answers
    case = open_case(photos, answers, rules)
    update: dict[str, Any] = {}
    for spot, wires in _at_places(case, notes.wire):
        distance = min(min(wire.before_mm, wire.after_mm) for wire in wires)
        update.setdefault("distances_mm", dict(case.answers.distances_mm)).setdefault(spot.ref, distance)
        ends = case.answers.both_ends_identified
        if (ends is None or isinstance(ends, dict)) and all(wire.start and wire.end for wire in wires):
            update.setdefault("both_ends_identified", dict(ends or {})).setdefault(spot.ref, True)
    sizes = {wire.size_mm2 for wire in notes.wire}
    if answers.wire_size_mm2 is None and len(sizes) == 1 and None not in sizes:
        update["wire_size_mm2"] = sizes.pop()
    if answers.wire_count is None and _all_noted(case, len(notes.wire)):
        update["wire_count"] = len(notes.wire)
    return answers.model_copy(update=update)


def _at_places(case: Case, wires: Sequence[BenchWire]) -> list[tuple[Spot, list[BenchWire]]]:
    """Places of damaged wires with the wires noted there."""
    spots = [spot for spot in case.spots if not _NOT_ON_WIRES & set(spot.labels)]
    if len(spots) == 1 == len(case.spots):
        return [(spots[0], list(wires))]
    named = {spot.ref: {case.name(spot.photo, wire.id) for wire in spot.wires} for spot in spots}
    found = []
    for spot in spots:
        elsewhere = set().union(*(names for ref, names in named.items() if ref != spot.ref))
        mine = [wire for wire in wires if wire.id in named[spot.ref] - elsewhere]
        if mine:
            found.append((spot, mine))
    return found


def _all_noted(case: Case, noted: int) -> bool:
    """Whether so many wires noted may be all: one place without joints, and no more were seen there."""
    if len(case.spots) != 1 or any(joint.origin != "factory" for joint in case.joints):
        return False
    count = case.spots[0].region.wires_affected
    return count is None or count.value <= noted <= count.high
