"""Rules for bitten, cut and chafed wires: damaged copper, and worn insulation over sound copper."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from models.repair.answers import Answers, answer_for
from models.repair.case import Case
from models.repair.limits import ConductorDamage
from models.repair.spots import Spot, ends_known
from models.repair.verdicts import REMANUFACTURE, REPAIR, SERVICE, Hit, at_most, beyond, why_broken
from models.repair.words import length
from vision.findings import STUB_MM, Action, PhotoFindings, Question, Ring, Verdict

_SCALE_SLACK = 1.25
"""Outlines and ends are compared in pixels by one scale for the whole picture; a camera that looks on aslant shows what
is near it larger. What was a stub on the mat's plane must be one here, or a bite's own stub would keep it open."""
_WORN = ("rodent", "abrasion")
_PARTS_WIRES = ("rodent", "external_heat")
"""Damages that may leave a wire in two: teeth cut it, fire burns it through."""


_SLEEVE_OR_JOINT = "a sleeve, or a joint in the wire"
_SLEEVE_AGAIN = "an earlier repair whose copper is bare is done again"


def joint_undecided(question: Question) -> bool:
    """Whether it depends on this open question if a wire is cut at all."""
    of_copper = question.changes in (f"conductor-damage: {_SLEEVE_OR_JOINT}", f"conductor-damage: {_SLEEVE_AGAIN}")
    return of_copper or question.changes.startswith("label:")


def copper_verdict(spot: Spot, answers: Answers, limits: ConductorDamage) -> Verdict:
    """Whether the copper is damaged: what the photograph shows, then what somebody saw under a magnifier.

    A severed wire is never argued away. Bare copper counts as nicked until somebody looked at its strands.
    """
    seen = answer_for(answers.copper, spot.ref)
    known = _known_copper(spot, seen, answers, limits)
    if known is not None:
        return known
    shown = _shown_copper(spot, limits)
    return "met" if seen == "covered" and shown == "cannot_tell" else shown


def _known_copper(spot: Spot, seen: str | None, answers: Answers, limits: ConductorDamage) -> Verdict | None:
    """What a severed wire or an answer says of the copper; None where the photograph has to tell.

    seen: the answer about the copper of this place.
    """
    if at_most(spot.evidence("severed_wires", 0.0), 0.5) == "violated" or seen == "damaged":
        return "violated"
    nicked, broken = answers.nicked_strands.get(spot.ref), answers.broken_strands.get(spot.ref)
    if (nicked or 0) > limits.nicked_strands_allowed or (broken or 0) > limits.broken_strands_allowed:
        return "violated"
    counted = nicked is not None and broken is not None
    return "met" if counted or seen == "bare" else None


def _shown_copper(spot: Spot, limits: ConductorDamage) -> Verdict:
    return beyond(spot.region.exposed_copper_mm, limits.max_exposed_mm, limits.zero_within_mm)


def sleeve_copper(spot: Spot, case: Case) -> Verdict:
    """Whether copper lies bare at a repair sleeve, which no sound repair shows.

    Sleeves, their print and the wires that enter them may look like copper, so a photograph can clear a sleeve and
    raise the question, not condemn it. What was seen of copper elsewhere says nothing of it: the answer must be about
    this place. Strands can be counted on bare copper only.
    """
    seen, answers = _seen_here(spot, case.answers), case.answers
    counted = spot.ref in answers.nicked_strands or spot.ref in answers.broken_strands
    known = _known_copper(spot, seen, answers, case.rules.conductor_damage)
    if seen == "bare" or counted or known == "violated":
        return "violated"
    clear = seen == "covered" or _shown_copper(spot, case.rules.conductor_damage) == "met"
    return "met" if clear else "cannot_tell"


def _seen_here(spot: Spot, answers: Answers) -> str | None:
    """What was answered about the copper of this very place."""
    return answers.copper.get(spot.ref) if isinstance(answers.copper, dict) else None


def conductor_damage(spot: Spot, label: str, case: Case) -> Hit | None:
    """Copper nicked, bitten or severed. An overloaded circuit is replaced whole, so it is not judged here."""
    if label == "electrical_overload":
        return None
    if label == "earlier_repair":
        return _in_sleeve(spot, case)
    verdict = copper_verdict(spot, case.answers, case.rules.conductor_damage)
    if verdict == "violated":
        return _damaged(spot, label, case)
    if label not in _WORN:
        return _burnt_through(spot, label, case) if verdict == "cannot_tell" and label in _PARTS_WIRES else None
    limits, exposed = case.rules.conductor_damage, spot.region.exposed_copper_mm
    if verdict == "met":
        looked = answer_for(case.answers.copper, spot.ref)
        says = f"{spot.ref}: no damaged copper found" + (f" (answered: {looked})" if looked else "")
        return Hit("conductor-damage", verdict, says, spot.ref, exposed, limits.max_exposed_mm, "mm")
    needs, worst, ask_ends = _ends(spot, label, case)
    asked = case.question("conductor-damage", spot.ref, _SLEEVE_OR_JOINT)
    says = f"{spot.ref}: cannot tell whether copper is damaged (bare copper: {length(exposed)})"
    look = Action(
        action="inspect_conductor", on=spot.ref,
        why=f"{says}: look with a magnifier; whole copper gets a sleeve, nicked or cut copper is cut out",
    )  # fmt: skip
    return Hit(
        "conductor-damage", verdict, says, spot.ref, exposed, limits.max_exposed_mm, "mm",
        floor=REPAIR, worst=worst, needs=needs, repairs="maybe", splices="maybe", questions=(asked, *ask_ends),
        actions=(look,),
    )  # fmt: skip


def _in_sleeve(spot: Spot, case: Case) -> Hit | None:
    """Copper at a repair sleeve: judged when somebody saw it, asked where the photograph does not clear it.

    The route waits for the answer only where the colour of copper shows.
    """
    limits, exposed, copper = case.rules.conductor_damage, spot.region.exposed_copper_mm, sleeve_copper(spot, case)
    if copper == "met":
        return None
    if _known_copper(spot, _seen_here(spot, case.answers), case.answers, limits) == "violated":
        return _damaged(spot, "earlier_repair", case)
    hit = Hit("conductor-damage", copper, "", spot.ref, exposed, limits.max_exposed_mm, "mm")
    if copper == "violated":
        says = f"{spot.ref}: bare copper was seen at the sleeve"
        # a repair is done again, as its joint's own rule says; a factory joint belongs there and is covered again
        factory = any(joint.spot == spot.ref and joint.origin == "factory" for joint in case.joints)
        steps = (Action(action="sleeve", on=spot.ref, why=says),) if factory else ()
        return replace(hit, says=says, floor=REPAIR, repairs="yes", actions=steps)
    shows = _shown_copper(spot, limits) == "violated"
    _, worst, _ = _ends(spot, "earlier_repair", case)
    sign = f"the colour of copper shows over {length(exposed)}" if shows else f"bare copper {length(exposed)}"
    says = f"{spot.ref}: {sign} at the sleeve; cannot tell if copper is bare"
    look = Action(action="inspect_conductor", on=spot.ref, why=f"{says}: look with a magnifier")
    return replace(
        hit, says=says, worst=worst, needs=REPAIR if shows else SERVICE, repairs="maybe" if shows else "no",
        questions=(case.question("conductor-damage", spot.ref, _SLEEVE_AGAIN),), actions=(look,) if shows else (),
    )  # fmt: skip


def _burnt_through(spot: Spot, label: str, case: Case) -> Hit | None:
    """Heat is judged by its insulation; that it may have reached the copper is asked, and not waited for."""
    _, worst, _ = _ends(spot, label, case)
    if worst == REPAIR:
        return None
    asked = case.question("conductor-damage", spot.ref, "with unknown ends the assembly is rebuilt")
    says = f"{spot.ref}: cannot tell whether the heat reached the copper"
    return Hit("conductor-damage", "cannot_tell", says, spot.ref, worst=worst, questions=(asked,))


def _ends(spot: Spot, label: str, case: Case) -> tuple[int, int, tuple[Question, ...]]:
    """The route that unidentified wire ends force as long as they are, the worst they may force, and the question.

    A wire in one piece shows by itself which two ends belong together, and where no bundle leaves the photograph both
    ends of one that may be in two are likely on the bench: there the answer can still worsen the route but is not
    waited for.
    """
    known = ends_known(spot, case.answers)
    parted = "met" if known else _parted(spot, label, case.answers)
    if parted == "met":
        return REPAIR, REPAIR, ()
    if known is False:
        return REMANUFACTURE, REMANUFACTURE, ()
    limits = case.rules.conductor_damage
    changes = "conductor-damage: with unknown ends the assembly is rebuilt, not repaired in the vehicle"
    asked = Question(ask=limits.ask_ends.replace("{on}", spot.ref), why=limits.why_ends, changes=changes)
    waits = parted == "violated" and (_known_cut(spot, case.answers) or not ends_in_view(spot, case))
    return (REMANUFACTURE if waits else REPAIR), REMANUFACTURE, (asked,)


def _known_cut(spot: Spot, answers: Answers) -> bool:
    """Whether somebody saw broken copper: whoever stands before it can as well say which ends belong together."""
    severed = at_most(spot.evidence("severed_wires", 0.0), 0.5) == "violated"
    seen = answer_for(answers.copper, spot.ref) == "damaged" or bool(answers.broken_strands.get(spot.ref))
    return severed or seen


def ends_in_view(spot: Spot, case: Case) -> bool:
    """Whether no photograph shows, or leaves possible, that a wire of this place runs on to an end nobody sees."""
    if not case.rules.conductor_damage.ends_in_view_suffice or spot.region.continues_under_covering:
        return False
    if any(_loose_ends(photo) for photo in case.photos):
        return False
    return at_most(spot.evidence("open_ends", 0.0), 0.5) == "met"


def _parted(spot: Spot, label: str, answers: Answers) -> Verdict:
    """Whether a wire may be in two: violated where that must be reckoned with, met where it is known to be in one."""
    severed = spot.evidence("severed_wires", 0.0)
    if severed is not None:
        return at_most(severed, 0.5)
    return "violated" if _known_cut(spot, answers) or label in _PARTS_WIRES else "cannot_tell"


def _loose_ends(photo: PhotoFindings) -> bool:
    """Whether a bundle ends at nothing in a photograph, elsewhere than at a damage, where stubs are its own."""
    reach = _SCALE_SLACK * STUB_MM / photo.scale.mm_per_px if photo.scale.mm_per_px else 0.0
    for end in photo.terminations:
        x, y = end.position_px
        if end.kind == "cut_end" and not any(_holds(r.rings_px, x, y, reach) for r in photo.regions):
            return True
    return False


def _holds(rings: Iterable[Ring], x: float, y: float, reach: float) -> bool:
    """Whether a place lies in the box about an outline, widened by the reach or, without one, by half the box; px."""
    points = [point for ring in rings for point in ring]
    if not points:
        return False
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    more = reach or max(max(xs) - min(xs), max(ys) - min(ys)) / 2
    return min(xs) - more <= x <= max(xs) + more and min(ys) - more <= y <= max(ys) + more


def _damaged(spot: Spot, label: str, case: Case) -> Hit:
    limits, exposed = case.rules.conductor_damage, spot.region.exposed_copper_mm
    severed = spot.evidence("severed_wires", 0.0)
    shown = length(exposed) + why_broken(exposed, limits.max_exposed_mm, "mm")
    says = f"{spot.ref}: copper damaged (bare copper: {shown}"
    says += f", severed wires: {severed.value:.0f})" if severed and severed.value >= 1 else ")"
    needs, worst, questions = _ends(spot, label, case)
    rebuilt = needs == REMANUFACTURE and not questions
    if rebuilt:
        says += "; the ends that belong together are not identified"
        action = Action(action="remanufacture", on=spot.ref, why=f"{says}. {limits.why_ends}")
    else:
        action = Action(action="splice_in_section", on=spot.ref, why=f"{says}: cut it out, join in a new piece")
    return Hit(
        "conductor-damage", "violated", says, spot.ref, exposed, limits.max_exposed_mm, "mm",
        floor=REMANUFACTURE if rebuilt else REPAIR, worst=worst, needs=needs, repairs="yes",
        splices="no" if rebuilt else "yes", questions=questions, actions=(action,),
    )  # fmt: skip


def insulation_only(spot: Spot, label: str, case: Case) -> Hit | None:
    """Worn insulation over sound copper gets a sleeve; what settles it is asked by `conductor-damage`."""
    if label not in _WORN:
        return None
    limits = case.rules.conductor_damage
    copper = copper_verdict(spot, case.answers, limits) if limits.applies else "met"
    if copper == "violated":
        return None
    lost = spot.evidence("insulation_loss_length", limits.unstated_u95_mm) or spot.region.length_mm
    says = f"{spot.ref}: insulation worn over {length(lost)}"
    sleeve = Action(action="sleeve", on=spot.ref, why=f"{says}, copper sound: make the insulation good")
    if copper == "met":
        return Hit(
            "insulation-only", "violated", says + ", copper sound", spot.ref, lost, None, "mm",
            floor=REPAIR, repairs="yes", sleeve_only=True, actions=(sleeve,),
        )  # fmt: skip
    return Hit(
        "insulation-only", "cannot_tell", says + "; cannot tell whether copper is damaged", spot.ref, lost, None, "mm",
        floor=REPAIR, repairs="yes", sleeve_only=True,
    )  # fmt: skip
