"""Answers that a photograph contradicts: they are obeyed, and said, for one of the two is wrong."""

from __future__ import annotations

from models.repair.answers import answer_for
from models.repair.case import Case, Joint, Spot
from models.repair.verdicts import beyond
from models.repair.words import length
from vision.findings import Measure


def contradicted(case: Case) -> list[str]:
    """One line for each answer that lies outside what the photographs show, in the order of the places."""
    found = [line for spot in case.spots for line in (_distance(spot), _copper(spot, case)) if line]
    return found + [line for joint in case.joints for line in (_joint(joint),) if line]


def _distance(spot: Spot) -> str:
    return _apart(spot.ref, "from the termination", spot.to_termination_mm, spot.region.to_termination_mm)


def _joint(joint: Joint) -> str:
    near = _apart(joint.ref, "from the termination", joint.to_termination_mm, joint.seen_to_termination_mm)
    return near or _apart(joint.ref, "from the next joint", joint.to_next_mm, joint.seen_to_next_mm)


def _apart(ref: str, what: str, ruler: Measure | None, seen: Measure | None) -> str:
    """What a ruler read against what the photograph shows; nothing where there is only one of them."""
    if ruler is None or seen is None or ruler == seen:
        return ""
    reach = ruler.u95 + seen.u95
    too_far = ruler.value > seen.value + reach and not seen.low_bound
    if not too_far and ruler.value >= seen.value - reach:
        return ""
    return f"{ref}: {ruler.value:g} mm {what} was answered, the photograph shows {length(seen)}: measure again"


def _copper(spot: Spot, case: Case) -> str:
    limits = case.rules.conductor_damage
    bare = spot.region.exposed_copper_mm
    shown = beyond(bare, limits.max_exposed_mm, limits.zero_within_mm)
    if answer_for(case.answers.copper, spot.ref) != "covered" or shown != "violated":
        return ""
    return f"{spot.ref}: copper was answered as covered, the photograph shows {length(bare)} bare: look again"
