"""What wires measured at the bench answer of the decision's questions, so that nobody is asked for it once more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from models.repair.answers import Answers
from models.repair.bench import BenchNotes, BenchWire
from models.repair.case import Case, open_case
from models.repair.limits import Rules
from models.repair.spots import Spot
from vision.findings import PhotoFindings

_NOT_ON_WIRES = {"connector", "earlier_repair"}
"""Places of which the lengths before and after the damage say nothing: of a joint the distance of the sleeve counts."""


def with_measured(photos: Sequence[PhotoFindings], answers: Answers, notes: BenchNotes | None, rules: Rules) -> Answers:
    """The answers, and beside them what the wires noted at the bench say; an answer that was given stands.

    Of one place of damage all wires noted are its; of several those are that are named as the photographs name them.
    A place of which fewer are noted than it may touch gets no answer: the next one may be nearer, thicker or loose.
    AnswersError as `open_case`.
    """
    if notes is None or not notes.wire:
        return answers
    case = open_case(photos, answers, rules)
    update: dict[str, Any] = {}
    noted = _noted_whole(case, notes.wire)
    for spot, wires in noted:
        distance = min(min(wire.before_mm, wire.after_mm) for wire in wires)
        update.setdefault("distances_mm", dict(case.answers.distances_mm)).setdefault(spot.ref, distance)
        ends = case.answers.both_ends_identified
        if (ends is None or isinstance(ends, dict)) and all(wire.start and wire.end for wire in wires):
            update.setdefault("both_ends_identified", dict(ends or {})).setdefault(spot.ref, True)
    sizes = {wire.size_mm2 for wire in notes.wire}
    if answers.wire_size_mm2 is None and len(noted) == len(case.spots) and len(sizes) == 1 and None not in sizes:
        update["wire_size_mm2"] = sizes.pop()
    if answers.wire_count is None and noted and _alone(case):
        update["wire_count"] = len(notes.wire)
    return answers.model_copy(update=update)


def _noted_whole(case: Case, wires: Sequence[BenchWire]) -> list[tuple[Spot, list[BenchWire]]]:
    """Places of damaged wires of which every wire is noted that may be damaged there, with those wires."""
    spots = [spot for spot in case.spots if not _NOT_ON_WIRES & set(spot.labels)]
    if _alone(case):
        return [(spot, list(wires)) for spot in spots if len(wires) == _most(spot, case)]
    named = {spot.ref: {case.name(spot.photo, wire.id) for wire in spot.wires} for spot in spots}
    found = []
    for spot in spots:
        elsewhere = set().union(*(names for ref, names in named.items() if ref != spot.ref))
        mine = [wire for wire in wires if wire.id in named[spot.ref] - elsewhere]
        if mine and len(mine) == _counted(spot):
            found.append((spot, mine))
    return found


def _alone(case: Case) -> bool:
    """Whether there is one place, and no joint elsewhere that a wire may be noted for."""
    return len(case.spots) == 1 and not any(joint.origin != "factory" for joint in case.joints)


def _most(spot: Spot, case: Case) -> int | None:
    """How many wires the only place can have, as answered or else as seen; None where nobody counted them."""
    return _counted(spot) if case.answers.wire_count is None else case.answers.wire_count


def _counted(spot: Spot) -> int | None:
    return spot.region.wires_affected.high if spot.region.wires_affected is not None else None
