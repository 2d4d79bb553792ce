"""What goes with an assembly that is rebuilt elsewhere: the damages listed, what was measured, what nobody has seen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from desk.by_hand import counted_in_all, is_sound, labels_left, origin_left, ruled_distances
from desk.order_answers import Answered
from desk.order_model import Order
from desk.wording import AT_BENCH, say_counted, say_label, say_measure, say_measured, say_region, say_rule
from models.repair.spots import is_own
from models.repair.words import length, several
from vision.findings import Covering, Decision, PhotoFindings, Region

DAMAGE_HEADS = ("place", "damage", "along the wire", "wires", "bare copper", "to the termination")
_AFTER_REPAIR = ("drop-budget", "fuse-coordination", "recurrence", "circuit-class")
"""Rules whose open verdict says nothing of what must be looked at on the assembly itself."""
_PHOTOS_NAMED = 6
_TAGS = {"RODENT REMAINS": {"rodent"}, "BURNT INSULATION": {"external_heat", "electrical_overload"}}
"""What is marked on the outside of an assembly with damage of these labels."""


@dataclass(frozen=True)
class Handover:
    """What the next bench gets.

    with_it : what is handed on, to be ticked; damages : a row for each place, in `DAMAGE_HEADS`' order; look : what
    was not seen or is not settled
    """

    with_it: tuple[str, ...]
    damages: tuple[tuple[str, ...], ...]
    look: tuple[str, ...]


def handover(order: Order, photos: Sequence[PhotoFindings]) -> Handover | None:
    """Of an order whose route is remanufacture; None of any other."""
    if order.work.route != "remanufacture":
        return None
    decision = order.decided()
    rows = (row for photo in photos for row in _rows(photo, order, decision, len(photos) > 1))
    return Handover(tuple(_with_it(order, photos)), tuple(rows), tuple(_look(photos, decision, order.answers)))


def _with_it(order: Order, photos: Sequence[PhotoFindings]) -> Iterator[str]:
    yield (
        "The assembly as it came off and complete: housings, terminals, coverings, clips and brackets stay on it; "
        "nothing more is opened or cut off. Loose pieces in a bag tied to it."
    )
    yield "A tag tied to it: order number, assembly, vehicle, part number of the assembly."
    names = [photo.name for photo in order.photos]
    more = f" and {len(names) - _PHOTOS_NAMED} more" if len(names) > _PHOTOS_NAMED else ""
    yield f"This order, and {several(len(names), 'photograph')} as files: {', '.join(names[:_PHOTOS_NAMED])}{more}."
    yield "The circuit list or diagram of the assembly, where the shop has one."
    left = [set(labels_left(photo, region, order.answers)) for photo in photos for region in photo.regions]
    for tag, labels in _TAGS.items():
        if any(labels & one for one in left):
            perhaps = "" if any(one <= labels for one in left) else "PERHAPS "
            yield f"Marked on the outside: {perhaps}{tag}, see the cautions of this order."


def _rows(photo: PhotoFindings, order: Order, decision: Decision, several_photos: bool) -> Iterator[tuple[str, ...]]:
    head = f"{photo.photo.name}:" if several_photos else ""
    ruled = ruled_distances(photo, order.answers)
    for region in photo.regions:
        labels = labels_left(photo, region, order.answers)
        if labels != ("sound",):
            along = _measured(region, labels, decision, order, ruled.get(region.id))
            yield (head + region.id, _damage(region, labels), *along)
    for splice in photo.splices:
        origin = origin_left(photo, splice, order.answers)
        if origin != "factory":
            far = ruled.get(splice.id) or say_measured(splice.to_termination_mm, decision, "termination-distance")
            joint = "repair joint" if origin == "repair" else "joint, repair or factory"
            yield (head + splice.id, joint, "–", splice.wire_id or "–", "–", far)


def _damage(region: Region, labels: tuple[str, ...]) -> str:
    """In words; a label of the shop's own keeps its name, whatever rules the answer treats it by."""
    return say_label(labels[0]) if len(labels) == 1 and not is_own(region) else say_region(region)


def _measured(
    region: Region, labels: tuple[str, ...], decision: Decision, order: Order, ruled: str | None
) -> tuple[str, ...]:
    along = say_measured(region.length_mm, decision, short=True)
    if labels == ("connector",):
        return along, "–", "–", "–"
    counted = counted_in_all(order.answers)
    wires = say_counted(region.wires_affected, decision, short=True)
    copper = say_measured(region.exposed_copper_mm, decision, "conductor-damage", short=True)
    far = ruled or say_measured(region.to_termination_mm, decision, "termination-distance", short=True)
    return along, f"{counted} in all, {AT_BENCH}" if counted is not None else wires, copper, far


def _look(photos: Sequence[PhotoFindings], decision: Decision, answers: Sequence[Answered]) -> Iterator[str]:
    """Under coverings first: damage known to run on there, then all that is covered, then what no rule could settle."""
    for photo in photos:
        head = f"{photo.photo.name}: " if len(photos) > 1 else ""
        damaged = [region for region in photo.regions if not is_sound(photo, region, answers)]
        hidden = [region.id for region in damaged if region.continues_under_covering]
        if hidden:
            yield f"{head}{', '.join(hidden)} runs on under a covering: what is measured is the least of it."
        if photo.coverings:
            named = "; ".join(_covered(one) for one in photo.coverings)
            yield f"{head}Nothing was seen under {several(len(photo.coverings), 'covering')}: {named}."
        seen = f"{photo.inspected_share:.0%} seen of what is in the picture"
        yield f"{head}{seen}; what lies outside it or on the face turned down is unseen."
    open_rules = [r for r in decision.rules if r.verdict == "cannot_tell" and r.id not in _AFTER_REPAIR]
    for rule in open_rules:
        yield f"Not settled, {say_rule(rule)}: {rule.says}."


def _covered(covering: Covering) -> str:
    long = f", {length(covering.length_mm)}" if covering.length_mm is not None else ""
    wide = f", {say_measure(covering.width_mm, 'mm')} wide" if covering.width_mm is not None else ""
    return f"{covering.id} {covering.kind}{long}{wide}"
