"""Why a wire gets no new piece and no new lead in a plan that gives its neighbours one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from models.repair.answers import Answers
from models.repair.bench import BenchNotes
from models.repair.case import Spot, open_case
from models.repair.limits import Rules
from models.repair.plan import Plan
from models.repair.plan_input import CUTTING_STEPS
from vision.findings import Decision, PhotoFindings

_NAMED = 6


def left_alone(
    photos: Sequence[PhotoFindings], decision: Decision, plan: Plan | None, notes: BenchNotes, rules: Rules
) -> tuple[str, ...]:
    """A line for each reason, with the wires it holds for; none where no wire gets a piece.

    Wires noted at the bench have names of their own: which traced one is among them nobody knows.
    """
    if plan is None or not plan.wires:
        return ()
    if notes.wire:
        return ("Every wire noted at the bench is in the plan; one that nobody noted stays as it is.",)
    case = open_case(photos, Answers(), rules)
    told = {wire.wire for wire in plan.wires}
    lines = []

    def name(photo: int, wire: str) -> str:
        return wire if len(case.photos) == 1 else f"{case.photos[photo].photo.name}:{wire}"

    for spot in case.spots:
        left = [name(spot.photo, wire.id) for wire in spot.wires if name(spot.photo, wire.id) not in told]
        told |= set(left)
        if left:
            lines.append(f"{_listed(left)}: no new piece and no new lead, for {_reason(spot, decision)}.")
    sound = [name(k, wire.id) for k, photo in enumerate(case.photos) for wire in photo.wires]
    sound = [wire for wire in sound if wire not in told]
    if sound:
        lines.append(f"{_listed(sound)}: no new piece and no new lead, for no damage was found there.")
    return tuple(lines)


def _reason(spot: Spot, decision: Decision) -> str:
    steps = {step.action for step in decision.actions if step.on == spot.ref}
    named = re.compile(rf"(?<![\w:]){re.escape(spot.ref)}(?!\w)")
    if steps & set(CUTTING_STEPS):
        return f"the place to cut at {spot.ref} is not measured yet, see the open questions"
    if "sleeve" in steps:
        return f"a sleeve makes the insulation good at {spot.ref}, and nothing is cut there"
    if any(named.search(question.ask) for question in decision.open_questions):
        return f"whether anything is cut at {spot.ref} waits for an open question"
    return f"nothing that was found at {spot.ref} asks for a cut"


def _listed(names: Iterable[str]) -> str:
    every = list(names)
    more = f" and {len(every) - _NAMED} more" if len(every) > _NAMED else ""
    return ", ".join(every[:_NAMED]) + more
