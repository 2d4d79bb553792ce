"""What the photographs did not measure well enough to decide anything: to be counted or measured by hand."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from desk.order_answers import Answered, label_answered
from desk.wording import AT_BENCH, helps_by_hand, limits_of, say_count_ends, say_ends
from models.repair.answers import SAME
from models.repair.plan_input import CUTTING_STEPS
from models.repair.spots import overlap, possible_labels
from models.repair.verdicts import count_too_wide, too_wide
from vision.findings import Decision, Measure, PhotoFindings, Region, Splice


@dataclass(frozen=True)
class ByHand:
    """One thing to be counted or measured, and what the photographs leave open: `between 0 and 42`."""

    what: str
    seen: str


OF_A_REGION: tuple[tuple[str, str, str | None, str | None], ...] = (
    ("length along the wire", "length_mm", None, None),
    ("near edge to the termination", "to_termination_mm", "termination-distance", "distances_mm"),
    ("bare copper, all wires", "exposed_copper_mm", "conductor-damage", "copper"),
)
"""Measures of a place in words, their fields, the rule whose limit each is held against, and the answer that says what
a hand would."""


def by_hand(photos: Sequence[PhotoFindings], decision: Decision, answers: Sequence[Answered] = ()) -> list[ByHand]:
    """What of an assembly is too wide to use, not answered, and may still change the route or the work, the number of
    wires to repair first.

    None where the assembly is rebuilt or referred whatever they are. The wires of a place that are all of them are not
    asked for twice.
    """
    if not helps_by_hand(decision):
        return []
    given = {(one.name, one.on): one.answer for one in answers}
    counted = counted_in_all(answers) is not None
    count, limits = decision.wires_to_repair, limits_of(decision, "wire-count")
    all_of_them = say_count_ends(count) if count is not None and count_too_wide(count, limits) else None
    found = [ByHand(_ALL, all_of_them)] if all_of_them else []
    several = len(photos) > 1
    for photo in photos:
        for region in photo.regions:
            ref = f"{photo.photo.name}:{region.id}" if several else region.id
            if is_sound(photo, region, answers):
                continue
            here = _given_here(photo, region, given)
            used = _used(_names(photo, region.id) if several else (region.id,), decision)
            for joint in _joints_by(photo, region, answers):
                used |= _used(_names(photo, joint) if several else (joint,), decision) & {"to_termination_mm"}
            open_here = _counts(region, decision) if not counted and "wires_affected" in used else []
            open_here += [(what, seen) for what, seen, field in _measures(region, decision, here) if field in used]
            of_it = [(what, seen) for what, seen in open_here if (what, seen) != (_HERE, all_of_them)]
            found += [ByHand(f"{ref}: {what}", seen) for what, seen in of_it]
    return found


_ALL, _HERE = "wires to repair, earlier repairs counted", "wires damaged"


_WORKED_ON = (*CUTTING_STEPS, "sleeve")
_NOT_BY_DISTANCE = {"hidden-damage", "housing", "fused-insulation"}
_BY_COPPER = {"conductor-damage", "label", "earlier-repair"}


def _used(names: Sequence[str], decision: Decision) -> set[str]:
    """The fields of a place that a rule waits for or a step of the work needs. names : those it may have there."""
    place = re.compile("|".join(rf"(?<![\w:]){re.escape(name)}(?!\w)" for name in names))
    asked = {q.changes.split(":")[0] for q in decision.open_questions if place.search(q.ask)}
    steps = {step.action for step in decision.actions if step.on in names}
    used = {"length_mm", "wires_affected"} if asked or steps & set(_WORKED_ON) else set()
    if asked - _NOT_BY_DISTANCE or steps & set(CUTTING_STEPS):
        used.add("to_termination_mm")
    return used | {"exposed_copper_mm"} if asked & _BY_COPPER else used


def _joints_by(photo: PhotoFindings, region: Region, answers: Sequence[Answered]) -> list[str]:
    """The joints that take their distance from this place, as `models.repair.case` gives it to them."""
    ruled = ruled_distances(photo, answers)
    repairs = [one for one in photo.regions if "earlier_repair" in labels_left(photo, one, answers)]
    lies_on = {
        splice.id: next((one.id for one in repairs if overlap(one.rings_px, splice.rings_px)), None)
        for splice in photo.splices
        if splice.to_termination_mm is None and splice.id not in ruled
    }
    return [joint for joint, place in lies_on.items() if place == region.id]


def labels_left(photo: PhotoFindings, region: Region, answers: Sequence[Answered]) -> tuple[str, ...]:
    """The labels that a place may carry after the answers: the one answered, else all that the photograph leaves."""
    given = {(one.name, one.on): one.answer for one in answers}
    said = label_answered(_given_here(photo, region, given).get("labels", ""))
    return (said,) if said is not None else possible_labels(region)


def origin_left(photo: PhotoFindings, splice: Splice, answers: Sequence[Answered]) -> str:
    """Where a joint comes from: as somebody at the bench said, else as the photograph says."""
    names = _names(photo, splice.id)
    return next((one.answer for one in answers if one.name == "splice_origin" and one.on in names), splice.origin)


def is_sound(photo: PhotoFindings, region: Region, answers: Sequence[Answered]) -> bool:
    """Whether a place is none: as somebody at the bench said, or the photograph without a doubt."""
    return labels_left(photo, region, answers) == ("sound",)


def view_of(photo: PhotoFindings, region: Region, answers: Sequence[Answered]) -> str | None:
    """The place of another photograph that this one was said to be, and from which side; None where it is itself."""
    names, sides = _names(photo, region.id), dict(zip(SAME, ("", ", from its other side"), strict=True))
    return next((one.answer + sides[one.name] for one in answers if one.name in sides and one.on in names), None)


def _given_here(photo: PhotoFindings, region: Region, given: Mapping[tuple[str, str | None], str]) -> dict[str, str]:
    """What was answered of this place, by the answer's name; one about all copper says nothing of a repair sleeve."""
    names = _names(photo, region.id)
    here = {name: answer for (name, on), answer in given.items() if on in names}
    if ("copper", None) in given and "earlier_repair" not in (region.label, *region.candidates):
        here.setdefault("copper", given["copper", None])
    return here


def _names(photo: PhotoFindings, item: str) -> tuple[str, str, str]:
    """The names under which an answer may be about a place, splice or housing of this photograph."""
    return f"{photo.photo.name}:{item}", f"{photo.photo.sha256[:8]}:{item}", item


def ruled_distances(photo: PhotoFindings, answers: Sequence[Answered]) -> dict[str, str]:
    """Distances to the termination that were measured at the bench, in words, by the id of region or splice."""
    given = {one.on: one.answer for one in answers if one.name == "distances_mm"}
    items = [*(region.id for region in photo.regions), *(splice.id for splice in photo.splices)]
    return {i: f"{given[name]}, {AT_BENCH}" for i in items for name in _names(photo, i) if name in given}


def counted_in_all(answers: Sequence[Answered]) -> str | None:
    """How many wires somebody counted in the whole assembly; None where nobody did."""
    return next((one.answer for one in answers if one.name == "wire_count"), None)


def _counts(region: Region, decision: Decision) -> list[tuple[str, str]]:
    count = region.wires_affected
    wide = count is not None and count_too_wide(count, limits_of(decision, "wire-count"))
    return [(_HERE, say_count_ends(count))] if count is not None and wide else []


def _measures(region: Region, decision: Decision, here: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """What is too wide of a place: in words, the interval, its field."""
    found = []
    for what, field, rule, answer in OF_A_REGION:
        measure: Measure | None = getattr(region, field)
        if measure is not None and answer not in here and too_wide(measure, limits_of(decision, rule)):
            found.append((what, say_ends(measure), field))
    return found
