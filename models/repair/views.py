"""What is seen of one thing in several photographs, where a person said so, put together under one name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf

from models.repair.answers import Answers
from models.repair.same_place import Views, as_seen_in, beside, either_label, least_wires, nearer, told_together
from models.repair.spots import Joint, Shell, Spot, meets
from vision.findings import Count, Measure


def seen_once(every: Sequence[Spot], views: Views) -> tuple[tuple[Spot, ...], tuple[Spot, ...]]:
    """The places with what their other views tell beside, those views under the places' names; and each view once more
    as what it adds to its place.

    A place is what it was named by; only where a view can be none of that, it may be either, and is asked about.
    """
    named = {spot.ref: spot for spot in every}
    shown: dict[tuple[str, int], Count | None] = {}
    for view, ref in views.of.items():
        if view not in named or ref not in named:
            continue  # of housings
        place, other = named[ref], named[view]
        behind = view in views.other_side
        count = shown[ref, other.photo] = beside(shown.get((ref, other.photo)), other.region.wires_affected)
        seen = other.region.model_copy(update={"wires_affected": count})
        named[ref] = replace(
            place,
            region=told_together(place.region, seen, behind),
            labels=either_label(place.labels, other.labels),
            to_termination_mm=nearer(place.to_termination_mm, other.to_termination_mm),
            least_wires=max(place.least_wires, least_wires(place.region.wires_affected, count)),
            no_distance="" if other.to_termination_mm else place.no_distance,
        )
        if not behind:
            number = {named[view].damage: place.damage}
            named = {name: replace(s, damage=number.get(s.damage, s.damage)) for name, s in named.items()}
    places, more = [], []
    for spot in every:
        ref = views.place(spot.ref)
        if ref == spot.ref:
            places.append(named[ref])
            continue
        place = named[ref]
        places.append(replace(named[spot.ref], ref=ref, labels=place.labels, seen_as=spot.ref))
        more.append(replace(place, region=as_seen_in(place.region, spot.region), seen_as=spot.ref))
    return tuple(places), tuple(more)


def one_name_each(shells: Sequence[Shell], every: Sequence[Spot], views: Views) -> tuple[Shell, ...]:
    """The housings, those that were said to be one under one name; damaged housings of one place are."""
    of = dict(views.of)
    broken = [spot for spot in every if spot.labels == ("connector",)]
    under_spot = {spot.ref: [s.ref for s in shells if s.photo == spot.photo and meets(spot, s)] for spot in broken}
    for view, ref in views.of.items():
        under, at = under_spot.get(view, []), under_spot.get(ref, [])
        if len(under) == len(at) == 1:
            itself = of.get(at[0], at[0])
            if under[0] not in {*of, *of.values(), itself}:  # a view is never of a view, nor of itself
                of[under[0]] = itself
    return tuple(replace(shell, ref=of[shell.ref], seen_as=shell.ref) if shell.ref in of else shell for shell in shells)


def joints_once(joints: Sequence[Joint], places: Sequence[Spot], answers: Answers) -> tuple[Joint, ...]:
    """Without those that another view of their place shows again: of its views the one with most of them counts, and
    of equals the place itself. What the other views tell goes to the one of them that is nearest to a termination."""
    twice = {place.ref for place in places if place.seen_as}
    itself = {place.ref: place.photo for place in places if not place.seen_as}
    shown: dict[str, Counter[int]] = {}
    for joint in joints:
        if joint.spot in twice:
            shown.setdefault(joint.spot, Counter())[joint.photo] += 1
    chosen = {ref: max(count, key=lambda photo: (count[photo], photo == itself[ref])) for ref, count in shown.items()}
    here = [joint.spot not in chosen or joint.photo == chosen[joint.spot] for joint in joints]
    kept = [joint for joint, stays in zip(joints, here, strict=True) if stays]
    for again in (joint for joint, stays in zip(joints, here, strict=True) if not stays):
        alike = [k for k, joint in enumerate(kept) if joint.spot == again.spot]
        nearest = min(alike, key=lambda k: _near(kept[k]))
        kept[nearest] = _told_of_joint(kept[nearest], again, answers)
    return tuple(kept)


def _near(joint: Joint) -> float:
    return joint.to_termination_mm.value if joint.to_termination_mm is not None else inf


def _told_of_joint(joint: Joint, again: Joint, answers: Answers) -> Joint:
    """The joint with what another view tells of it: what somebody answered there, else what is nearer for certain."""
    far = _nearer_of(joint, again, "to_termination_mm", answers.distances_mm)
    return replace(
        joint,
        origin=_origin_of(joint, again, answers),
        to_termination_mm=far,
        to_next_mm=_nearer_of(joint, again, "to_next_mm", answers.spacings_mm),
        seen_to_termination_mm=nearer(joint.seen_to_termination_mm, again.seen_to_termination_mm),
        seen_to_next_mm=nearer(joint.seen_to_next_mm, again.seen_to_next_mm),
        no_distance="" if far else joint.no_distance,
    )


def _origin_of(joint: Joint, again: Joint, answers: Answers) -> str:
    """Where the joint comes from, by two views: as answered, else what one tells; not known where they disagree."""
    for one in (joint, again):
        if one.ref in answers.splice_origin:
            return one.origin
    told = {joint.origin, again.origin} - {"unknown"}
    # a factory joint in one view only stays to be asked about
    return joint.origin if joint.origin == again.origin else "repair" if told == {"repair"} else "unknown"


def _nearer_of(joint: Joint, again: Joint, name: str, answered: Mapping[str, float]) -> Measure | None:
    one: Measure | None = getattr(joint, name)
    other: Measure | None = getattr(again, name)
    if joint.ref in answered:
        return one
    return other if again.ref in answered else nearer(one, other)
