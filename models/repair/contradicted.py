"""Answers that a photograph contradicts: one of the two is wrong, whichever of them the rules go by."""

from __future__ import annotations

from models.repair.answers import answer_for
from models.repair.case import Case
from models.repair.housing import described, shell_signs
from models.repair.splices import most_in_one_wire
from models.repair.spots import Joint, Shell, Spot, meets
from models.repair.words import label_words, length, several
from vision.findings import LABELS, RULER, Measure, Region


def contradicted(case: Case, least_wires: int) -> list[str]:
    """One line for each answer at odds with the photographs or with another answer, in the order of the places.

    least_wires : that the photographs show to need repair for certain
    """
    found = [line for spot in case.spots for line in (_distance(spot, case), _copper(spot, case)) if line]
    found += [line for view in case.views for line in (_copper(view, case),) if line]
    found += [line for view in case.places if view.seen_as for line in (_not_one(view, case),) if line]
    found += [line for joint in case.joints for line in (_joint(joint),) if line]
    found += [line for shell in case.shells for line in (_shell(shell, case),) if line]
    found += [line for shell in case.false_shells for line in _false_shell(shell, case)]
    found += _joints_counted(case)
    typed = case.answers.wire_count
    if typed is not None and typed < least_wires:
        found.append(
            f"{_were(typed, 'wire', ' to repair')} answered, the photographs show {least_wires} at least: count again"
        )
    # what was answered to be sound is no damage of the case any more, and may be the gravest contradiction
    return [line for place in case.places for line in (_label(place, case),) if line] + found


def _joints_counted(case: Case) -> list[str]:
    """Says of a count of joints that it goes with no further ones, or with those seen, not at all."""
    counted, told = case.answers.splices_on_one_wire, case.answers.further_splices
    if counted is None:
        return []
    low, most = most_in_one_wire([joint for joint in case.joints if joint.origin != "factory"])
    if counted < low:
        return [f"{_were(counted, 'joint', ' in one wire')} answered, the photographs show {low}: count again"]
    if told == "some" and counted <= 1 <= low:
        return [f"further sleeves were answered, and {several(counted, 'joint')} in one wire at most: count again"]
    if told == "none" and counted > most:
        return [
            f"{_were(counted, 'joint', ' in one wire')} answered and no further ones than the {most} seen: count again"
        ]
    return []


def _were(number: int, noun: str, where: str) -> str:
    return f"{several(number, noun)}{where} {'was' if number == 1 else 'were'}"


def _label(place: Spot, case: Case) -> str:
    """Says of a place that it was answered to be something else than what the photograph is sure of."""
    region, answered = place.region, case.answers.labels.get(place.ref)
    if answered is None or not _is_sure(region) or answered == region.label:
        return ""
    p = region.probabilities.get(region.label or "", 0.0)
    said, seen = map(label_words, (answered, region.label or ""))
    return f"{place.ref}: answered to be {said}, the photograph shows {seen} ({p:.0%}): look again"


def _is_sure(region: Region) -> bool:
    """Whether the photograph is sure of a label that rules know."""
    return region.label in LABELS and not region.unsure and not region.novel


def _not_one(view: Spot, case: Case) -> str:
    """Says of a place that was answered to be another view of one that it shows something else, or lies elsewhere."""
    place = next(one for one in case.places if one.ref == view.ref and not one.seen_as)
    said = f"{view.seen_as}: answered to be {view.ref}"
    shown = view.region
    sure = _is_sure(shown)
    label = answer_for(case.answers.labels, place.ref) or (place.region.label if _is_sure(place.region) else None)
    if sure and label is not None and shown.label != label:
        named, seen = map(label_words, (label, shown.label or ""))
        return f"{said}, which is {named}; it shows {seen}: look again"
    here, there = shown.to_termination_mm, place.region.to_termination_mm
    if here is None or there is None or here.low_bound or there.low_bound:
        return ""
    if abs(here.value - there.value) <= here.u95 + there.u95:
        return ""
    return (
        f"{said}, {length(there)} from the nearest termination; it shows {length(here)}: look again, or the other end "
        "is nearer there"
    )


def _shell(shell: Shell, case: Case) -> str:
    if case.answers.housing_state.get(shell.ref) != "sound" or not shell.housing.cracked:
        return ""
    return f"{shell.ref}: answered to be sound, the photograph shows it cracked or broken: look again"


def _false_shell(shell: Shell, case: Case) -> list[str]:
    """Says of what is no housing that damage of one is still named on it, or was seen there: which of the two is
    wrong, or what else is damaged there, nobody said."""
    said = f"{shell.ref}: answered to be no housing"
    here = [place for place in case.places if place.photo == shell.photo and meets(place, shell)]
    lines = [
        f"{said}, {spot.ref} on it is still damage of one: reject {spot.ref} or name it"
        for spot in here
        if spot.labels == ("connector",)
        if not any(other.photo == shell.photo and meets(spot, other) for other in case.shells)
    ]
    if lines or any(_label(place, case) for place in here):
        return lines
    if shell_signs(shell.housing, case) == "violated":
        return [f"{said}, the photograph shows damage of one ({described(shell.housing, case)}): look again"]
    return []


def _distance(spot: Spot, case: Case) -> str:
    if spot.ref not in case.answers.distances_mm:  # of a photograph, if of another view
        return ""
    return _apart(spot.ref, "from the termination", spot.to_termination_mm, spot.region.to_termination_mm)


def _joint(joint: Joint) -> str:
    near = _apart(joint.ref, "from the termination", joint.to_termination_mm, joint.seen_to_termination_mm)
    return near or _apart(joint.ref, "from the next joint", joint.to_next_mm, joint.seen_to_next_mm)


def _apart(ref: str, what: str, ruler: Measure | None, seen: Measure | None) -> str:
    """What a ruler read against what the photograph shows; nothing where there is only one of them."""
    if ruler is None or seen is None or ruler == seen or any(one.name == RULER for one in seen.sources):
        return ""
    reach = ruler.u95 + seen.u95
    too_far = ruler.value > seen.value + reach and not seen.low_bound
    if not too_far and ruler.value >= seen.value - reach:
        return ""
    return f"{ref}: {ruler.value:g} mm {what} by ruler, the photograph shows {length(seen)}: measure again"


def _copper(spot: Spot, case: Case) -> str:
    limits, seen = case.rules.conductor_damage, answer_for(case.answers.copper, spot.ref)
    broken = case.answers.broken_strands.get(spot.ref) or case.answers.nicked_strands.get(spot.ref)
    if broken and seen in ("covered", "bare"):
        return f"{spot.ref}: copper was answered as {seen}, and strands of it as nicked or broken: look again"
    bare = spot.region.exposed_copper_mm
    if bare is None or bare.value <= limits.max_exposed_mm + limits.zero_within_mm:
        return ""
    # what is answered of copper elsewhere says nothing of the copper in a repair sleeve
    if spot.labels == ("earlier_repair",) or seen != "covered":
        return ""
    return f"{spot.ref}: copper was answered as covered, the photograph shows {length(bare)} bare: look again"
