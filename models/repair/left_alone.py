"""Why a wire gets no new piece and no new lead in a plan that gives its neighbours one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from models.repair.bench import BenchNotes
from models.repair.case import Case
from models.repair.plan import Plan
from models.repair.plan_input import CUTTING_STEPS
from models.repair.spots import Joint, Spot
from vision.findings import Decision, Question

_NAMED = 6
_CUT, _ASKED, _PERHAPS, _SLEEVED, _PERHAPS_SLEEVED, _QUIET, _SOUND = range(7)
"""Why a wire is left alone, the gravest first."""
_SAYS = {
    _CUT: "the place to cut at {at} is not measured yet, see the open questions",
    _ASKED: "whether anything is cut at {at} waits for an open question",
    _SLEEVED: "a sleeve makes the insulation good at {at}, and nothing is cut there",
    _QUIET: "nothing that was found at {at} asks for a cut",
    _SOUND: "no damage was found there",
}


@dataclass(frozen=True)
class _Found:
    """A place or joint of one photograph. wires : those it is known to touch; more : whether it may touch others."""

    ref: str
    photo: int
    wires: frozenset[str]
    more: bool
    why: int

    def why_of(self, wire: str) -> int | None:
        """Why a wire of the same photograph is left alone here; None where this has nothing to do with it."""
        if wire in self.wires:
            return self.why
        perhaps = {_CUT: _PERHAPS, _ASKED: _PERHAPS, _SLEEVED: _PERHAPS_SLEEVED}
        return perhaps.get(self.why, self.why) if self.more else None


def left_alone(
    case: Case, decision: Decision, plan: Plan | None, asked: Sequence[Question], notes: BenchNotes
) -> tuple[str, ...]:
    """A line for each reason, with the wires it holds for, the gravest first; none where no wire gets a piece.

    asked : the questions of the decision and of the plan. Wires noted at the bench have names of their own: which
    traced one is among them nobody knows.
    """
    if plan is None or not plan.wires:
        return ()
    if notes.wire:
        return ("Every wire noted at the bench is in the plan; one that nobody noted stays as it is.",)
    told = {wire.wire for wire in plan.wires}
    found = list(_found(case, decision))
    wires: dict[tuple[int, tuple[str, ...]], list[str]] = {}
    for index, photo in enumerate(case.photos):
        here = [one for one in found if one.photo == index]
        for wire in photo.wires:
            if (name := case.name(index, wire.id)) not in told:
                wires.setdefault(_gravest(wire.id, here), []).append(name)
    return tuple(
        f"{_listed(names)}: no new piece and no new lead, for {_reason(why, at, len(names), asked)}."
        for (why, at), names in sorted(wires.items(), key=lambda one: one[0][0])
    )


def _gravest(wire: str, found: Iterable[_Found]) -> tuple[int, tuple[str, ...]]:
    """The gravest reason of all that lies on a wire, and where it holds."""
    reasons = [(why, one.ref) for one in found if (why := one.why_of(wire)) is not None]
    gravest = min((why for why, _ in reasons), default=_SOUND)
    return gravest, tuple(ref for why, ref in reasons if why == gravest)


def _found(case: Case, decision: Decision) -> Iterator[_Found]:
    """Every place that may be damaged, and every joint that has a name of its own.

    Damage to a housing touches no wire, and a joint at which nothing is done only the wire that it is known to lie on.
    """
    spots = {spot.ref: spot for spot in case.spots}
    for spot in (spot for index in range(len(case.photos)) for spot in case.seen_in(index)):
        ids = frozenset(wire.id for wire in spot.wires)
        more = spot.labels != ("connector",) and _may_touch_more(spot)
        yield _Found(spot.ref, spot.photo, ids, more, _why(spot.ref, decision))
    for joint in case.joints:
        if joint.ref not in spots and joint.origin != "factory":
            why, ids = _why(joint.ref, decision), _wires_of(joint, spots)
            yield _Found(joint.ref, joint.photo, ids, not ids and why != _QUIET, why)


def _may_touch_more(spot: Spot) -> bool:
    count = spot.region.wires_affected
    return count is None or count.high > len(set(count.wire_ids))


def _wires_of(joint: Joint, spots: dict[str, Spot]) -> frozenset[str]:
    """The wire that a joint lies on, or those of the place that it lies on."""
    if joint.wire is not None:
        return frozenset({joint.wire})
    return frozenset(wire.id for wire in spots[joint.spot].wires) if joint.spot is not None else frozenset()


def _why(ref: str, decision: Decision) -> int:
    """The decision's reason at one place."""
    steps = {step.action for step in decision.actions if step.on == ref}
    if steps & set(CUTTING_STEPS):
        return _CUT
    if _names(decision.open_questions, ref):
        return _ASKED
    return _SLEEVED if "sleeve" in steps else _QUIET


def _names(questions: Iterable[Question], ref: str) -> bool:
    named = re.compile(rf"(?<![\w:]){re.escape(ref)}(?!\w)")
    return any(named.search(question.ask) for question in questions)


def _reason(why: int, at: Sequence[str], count: int, asked: Sequence[Question]) -> str:
    if why in _SAYS:
        return _SAYS[why].format(at=" and ".join(at))
    unknown = f"it is not known whether {' or '.join(at)} damages {'this wire' if count == 1 else 'any of these'}"
    return unknown + (", see the open questions" if any(_names(asked, ref) for ref in at) else "")


def _listed(names: Iterable[str]) -> str:
    every = list(names)
    more = f" and {len(every) - _NAMED} more" if len(every) > _NAMED else ""
    return ", ".join(every[:_NAMED]) + more
