"""Rules for joints, found and planned: distance to the termination, spacing, number in one wire, earlier repairs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from models.repair.case import Case
from models.repair.conductor import ends_in_view, sleeve_copper
from models.repair.spots import Joint, Spot, overlap
from models.repair.verdicts import REMANUFACTURE, REPAIR, SERVICE, Hit, at_least, count_at_most, guard
from models.repair.words import length, several
from vision.findings import Action, Measure, Question, Verdict


def joint_rules(case: Case) -> list[Hit]:
    """What the rules say of every joint found; factory joints are part of the design and not judged."""
    joints = [joint for joint in case.joints if joint.origin != "factory"]
    hits = [hit for joint in joints for hit in (_distance(joint, case), _spacing(joint, joints, case)) if hit]
    hits += _per_wire(joints, [hit for hit in hits if hit.rule == "splice-spacing"], case)
    return hits + [_earlier(joint, hits, case) for joint in joints]


def _judged(hit: Hit, joint: Joint, verdict: Verdict, case: Case, ask: Question) -> Hit:
    """The hit for one joint: a broken limit only counts once the joint is known to be a repair."""
    if verdict == "met":
        return replace(hit, verdict="met")
    if verdict == "violated" and joint.certain:
        return replace(hit, verdict="violated", floor=REPAIR)
    return replace(hit, verdict="cannot_tell", needs=REPAIR, questions=(ask,) if verdict == "cannot_tell" else ())


def _distance(joint: Joint, case: Case) -> Hit:
    limit = case.rules.termination_distance.min_mm
    measured = joint.to_termination_mm
    says = f"{joint.ref}: joint {length(measured)} from the nearest termination, limit at least {limit:g} mm"
    says += _lost(joint.no_distance)
    hit = Hit("termination-distance", "met", says, joint.ref, measured, limit, "mm")
    ask = case.question("termination-distance", joint.ref, "a joint that is too near is done again")
    return _judged(hit, joint, at_least(measured, limit), case, ask)


def _lost(why: str) -> str:
    """Why a distance is no longer known, as the end of a sentence."""
    return f"; {why}" if why else ""


def _spacing(joint: Joint, joints: Sequence[Joint], case: Case) -> Hit | None:
    """Spacing to the next joint; None where it is known that no other joint lies on the same wire."""
    measured = joint.to_next_mm
    others = [o for o in joints if o.photo == joint.photo and o.ref != joint.ref]
    shared = [o for o in others if o.wire is None or joint.wire is None or o.wire == joint.wire]
    ruled = joint.ref in case.answers.spacings_mm
    more = "none" if ruled else further(joint, case)
    if measured is None and not shared and more == "none":
        return None
    limit = case.rules.splice_spacing.min_mm
    says = f"{joint.ref}: joint {length(measured)} from the next one, limit at least {limit:g} mm"
    hit = Hit("splice-spacing", "met", says, joint.ref, measured, limit, "mm")
    verdict = at_least(measured, limit)
    if more == "some" and verdict == "met":  # by the one that is seen; the nearest is to be measured
        verdict = "cannot_tell"
    if more is None and verdict != "violated" and not (measured is None and shared):
        return _perhaps_more(hit, joint, case)
    ask = case.question("splice-spacing", joint.ref, "a joint that is too near another is moved")
    hit = _judged(hit, joint, verdict, case, ask)
    if hit.verdict == "violated":
        return replace(hit, actions=(Action(action="move_splice", on=joint.ref, why=says),))
    return hit


def _perhaps_more(hit: Hit, joint: Joint, case: Case) -> Hit:
    """Of a joint that has others only where nobody looked: its wires are to be followed, by whoever has them in hand.

    What a joint is at all is asked first.
    """
    limits = case.rules.splice_spacing
    none = "no other joint is seen" if joint.to_next_mm is None else hit.says.removeprefix(f"{joint.ref}: ")
    says = f"{joint.ref}: {none}, but its wire is not seen from end to end: further ones may be nearer"
    changes = "splice-spacing: a joint that is too near another is moved"
    ask = Question(ask=limits.ask_further, why=limits.why_further, changes=changes)
    return replace(
        hit, verdict="cannot_tell", says=says, needs=REPAIR if _out_of_sight(joint, case) else SERVICE, worst=REPAIR,
        questions=(ask,) if joint.certain else (),
    )  # fmt: skip


def further(joint: Joint, case: Case) -> Literal["none", "some"] | None:
    """Whether its wire holds joints that no photograph shows: as answered, or as one seen whole says; None: not known.

    Where somebody counted one joint in a wire at most, there are none.
    """
    counted, told = case.answers.splices_on_one_wire, case.answers.further_splices
    if told == "some":
        return "some"
    if told == "none" or (counted is not None and counted <= 1):
        return "none"
    return "none" if _seen_whole(joint, case) else None


def _seen_whole(joint: Joint, case: Case) -> bool:
    """Whether the photograph shows the joint's wire from termination to termination, with nothing laid over it."""
    photo = case.photos[joint.photo]
    wire = next((wire for wire in photo.wires if wire.id == joint.wire), None)
    cut = {end.id for end in photo.terminations if end.kind == "cut_end"}
    if wire is None or len(wire.ends) != 2 or None in wire.ends or cut.intersection(wire.ends):
        return False
    hiding = (c for c in photo.coverings if c.kind != _TIE)
    return not any(not c.rings_px or overlap([wire.centreline_px], c.rings_px) for c in hiding)


def under_covering(case: Case) -> bool:
    """Whether a covering may hide a sleeve in any of the photographs."""
    return any(covering.kind != _TIE for photo in case.photos for covering in photo.coverings)


def _out_of_sight(joint: Joint, case: Case) -> bool:
    """Whether a part of the bundle lies under a covering, or may run on out of the picture.

    Where nothing does, a further sleeve would lie in plain view: it is asked after and not waited for.
    """
    if under_covering(case):
        return True
    spot = next((spot for spot in case.spots if spot.ref == joint.spot), None)
    return spot is None or not ends_in_view(spot, case)


_TIE = "tie"
"""A covering of a few millimetres, beneath which no sleeve finds room."""


def _per_wire(joints: Sequence[Joint], spacings: Sequence[Hit], case: Case) -> list[Hit]:
    """The largest number of repair joints in one wire, over all photographs.

    spacings : what the rule on spacing says of each joint
    """
    typed = case.answers.splices_on_one_wire
    if not joints and typed is None:
        return []
    limit = case.rules.splices_per_wire.max_splices
    low, most = (typed, typed) if typed is not None else most_in_one_wire(joints)
    more = {further(joint, case) for joint in joints} if typed is None else {"none"}
    high = most if more <= {"none"} else None
    verdict = count_at_most(low, high, limit)
    number = f"{low}" if low == most else f"between {low} and {most}"
    says = f"up to {several(number, 'repair joint')} in one wire, limit {limit}"
    measured = Measure(value=(low + most) / 2, u95=(most - low) / 2)
    if high is None:
        says = f"up to {several(number, 'repair joint')} seen in one wire, perhaps more out of sight, limit {limit}"
        measured = Measure(value=float(low), u95=0.0, low_bound=True)
    hit = Hit("splices-per-wire", verdict, says, "assembly", measured, float(limit), "splices")
    if verdict == "violated":
        why = f"{says}: replace it end to end"
        action = Action(action="replace_circuit", on="the wire with the most joints", why=why)
        return [replace(hit, floor=REPAIR, actions=(action,))]
    if verdict == "cannot_tell":
        ask = case.question("splices-per-wire", "assembly", "a wire with too many joints is replaced end to end")
        looked_for = [hit for hit in spacings if hit.verdict == "cannot_tell"] if None in more else []
        if looked_for and case.rules.splice_spacing.applies and count_at_most(low, most, limit) == "met":
            # only what nobody saw is open, and the question about the spacing asks after that
            waits = any(hit.needs > SERVICE for hit in looked_for)
            return [replace(hit, needs=REPAIR if waits else SERVICE, worst=REPAIR)]
        return [replace(hit, needs=REPAIR, questions=(ask,))]
    return [hit]


def most_in_one_wire(joints: Sequence[Joint]) -> tuple[int, int]:
    """Least and greatest number of repair joints that one wire can hold; a wire seen in two photographs may be one."""
    sure = Counter((joint.photo, joint.wire) for joint in joints if joint.certain and joint.wire)
    low = max(sure.values(), default=1 if any(joint.certain for joint in joints) else 0)
    high = 0
    for photo in {joint.photo for joint in joints}:
        here = [joint for joint in joints if joint.photo == photo]
        named = Counter(joint.wire for joint in here if joint.wire)
        high += max(named.values(), default=0) + sum(joint.wire is None for joint in here)
    return low, max(low, high)


def _earlier(joint: Joint, hits: Sequence[Hit], case: Case) -> Hit:
    """Whether an earlier repair keeps the rules for joints, and what becomes of it."""
    own = [hit for hit in hits if hit.on == joint.ref and case.rules.of(hit.rule).applies]
    broken = [hit for hit in own if hit.verdict == "violated"]
    changes = "a repair that breaks a rule is done again, a factory joint stays"
    origin = case.question("earlier-repair", joint.ref, changes)  # a photograph may take a factory joint for a repair
    if broken:
        action = Action(action="redo_earlier_repair", on=joint.ref, why="; ".join(hit.says for hit in broken))
        says = f"{joint.ref}: earlier repair breaks a rule for joints"
        asked = () if joint.ref in case.answers.splice_origin else (origin,)
        return Hit("earlier-repair", "violated", says, joint.ref, floor=REPAIR, questions=asked, actions=(action,))
    if all(hit.verdict == "met" for hit in own):
        return _by_copper(joint, case)
    says = f"{joint.ref}: cannot tell whether this joint keeps the rules for repairs"
    needs = max(hit.needs for hit in own)
    # of a place that may be none, what it is at all is asked already
    asked = () if joint.certain or joint.ref == joint.spot else (origin,)
    return Hit("earlier-repair", "cannot_tell", says, joint.ref, needs=needs, worst=REPAIR, questions=asked)


def _by_copper(joint: Joint, case: Case) -> Hit:
    """A joint that lies where it may: it stays if its copper is covered, which the rule on conductors judges."""
    spot = next((s for s in case.spots if s.ref == joint.spot), None)
    copper = sleeve_copper(spot, case) if spot is not None and case.rules.conductor_damage.applies else "met"
    if copper == "met":
        return Hit("earlier-repair", "met", f"{joint.ref}: keeps the rules for joints and stays", joint.ref)
    if copper == "violated" and joint.certain and spot is not None and spot.certain:
        says = f"{joint.ref}: bare copper at the sleeve"
        action = Action(action="redo_earlier_repair", on=joint.ref, why=says)
        return Hit("earlier-repair", "violated", says, joint.ref, floor=REPAIR, actions=(action,))
    says = f"{joint.ref}: lies where a joint may; cannot tell whether its copper is covered"
    return Hit("earlier-repair", "cannot_tell", says, joint.ref, worst=REPAIR)


def planned_joints(spot: Spot, hits: Sequence[Hit], case: Case) -> list[Hit]:
    """The family rules' hits for one region with its planned joints placed: lawful spot, new lead, or end to end."""
    rebuilt = any(hit.floor >= REMANUFACTURE and case.rules.of(hit.rule).applies for hit in hits)
    if rebuilt or all(hit.splices == "no" for hit in hits):
        return list(hits)
    limits = case.rules.termination_distance
    distance = spot.to_termination_mm
    verdict = at_least(distance, limits.min_mm) if limits.applies else "met"
    covered = verdict == "met" and spot.region.continues_under_covering and limits.applies
    if covered:
        verdict = "cannot_tell"
    says = f"{spot.ref}: damage {length(distance)} from the nearest termination, joints at least {limits.min_mm:g} mm"
    says += _lost(spot.no_distance)
    placed = Hit("termination-distance", verdict, says, spot.ref, distance, limits.min_mm, "mm")
    if verdict == "cannot_tell":
        ask = case.question("termination-distance", spot.ref, "nearer than the limit, the terminal's lead is replaced")
        if covered:  # the distance is known; how far the damage runs is not, and the covering is asked to be opened
            placed = replace(placed, says=f"{says}; it runs on under a covering, perhaps nearer")
        asked = () if covered and case.rules.hidden_damage.applies else (ask,)
        placed = replace(placed, floor=REPAIR, questions=asked)
    elif verdict == "violated":
        placed = replace(placed, floor=REPAIR)
    return [*(_placed(hit, spot, verdict, case) for hit in hits), placed]


def _placed(hit: Hit, spot: Spot, verdict: Verdict, case: Case) -> Hit:
    actions = tuple(
        _lawful(step, spot, verdict, case) if step.action == "splice_in_section" else step for step in hit.actions
    )
    return replace(hit, actions=actions)


def _lawful(action: Action, spot: Spot, verdict: Verdict, case: Case) -> Action:
    """The same repair where its joints may lie."""
    if _too_many(spot, 1 if verdict == "violated" else 2, case):
        limit = case.rules.splices_per_wire.max_splices
        why = f"{action.why}. With more than {limit} joints in one wire, replace the wire end to end."
        return Action(action="replace_circuit", on=spot.ref, why=why)
    minimum = case.rules.termination_distance.min_mm
    if verdict == "violated":
        return _lead(action, spot, case)
    near = f"Joints no nearer than {minimum:g} mm to a termination, staggered, clear of branches and moving parts."
    return Action(action="splice_in_section", on=spot.ref, why=f"{action.why}. {near}")


def _too_many(spot: Spot, planned: int, case: Case) -> bool:
    limits = case.rules.splices_per_wire
    affected = spot.region.wires_affected
    ids = affected.wire_ids if affected else []
    found = Counter(j.wire for j in case.joints if j.photo == spot.photo and j.origin == "repair" and j.wire in ids)
    return limits.applies and max(found.values(), default=0) + planned > limits.max_splices


def lead_length_mm(distance: Measure, extent: Measure | None, minimum_mm: float, allowance_mm: float) -> int | None:
    """Length of a new terminal lead, whole mm upwards: past the damage, not under the minimum, plus the joint's own.

    The far ends of both uncertainties are taken, so that no damage stays in the wire. None where the extent is unknown
    or only a lower bound.
    """
    if extent is None or extent.low_bound:
        return None
    past_damage = distance.value + distance.u95 + extent.value + extent.u95
    return math.ceil(round(max(minimum_mm, past_damage) + allowance_mm, 6))


def _lead(action: Action, spot: Spot, case: Case) -> Action:
    limits = case.rules.termination_distance
    assert spot.to_termination_mm is not None  # a violated distance was measured
    lead = lead_length_mm(spot.to_termination_mm, spot.region.length_mm, limits.min_mm, limits.joint_allowance_mm)
    shown = f"{action.why}. The damage is {length(spot.to_termination_mm)} from the termination"
    if lead is None:
        why = f"{shown}: new lead past the damage, at least {limits.min_mm + limits.joint_allowance_mm:g} mm"
        return Action(action="replace_terminal_lead", on=spot.ref, why=f"{why}; its length is measured at the bench.")
    joint_at = lead - limits.joint_allowance_mm
    if any(_other_end_too_near(wire.length_mm, wire.ends, joint_at, limits.min_mm) for wire in spot.wires):
        why = f"{shown}; a joint {limits.min_mm:g} mm from both ends finds no place: replace the wire end to end."
        return Action(action="replace_circuit", on=spot.ref, why=why)
    why = f"{shown}: new terminal and lead of at least {lead} mm, {limits.joint_allowance_mm:g} mm of it for the joint."
    return Action(action="replace_terminal_lead", on=spot.ref, why=why)


def _other_end_too_near(wire: Measure | None, ends: Sequence[str | None], joint_at: float, minimum: float) -> bool:
    """Whether a wire traced to both ends is too short for a joint that keeps the minimum from its other end."""
    if wire is None or wire.low_bound or None in ends:
        return False
    return wire.value - guard(wire) - joint_at < minimum
