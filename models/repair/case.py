"""The assembly as the rules see it: the regions, joints and housings of all its photographs, each with one name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from models.repair.answers import Answers
from models.repair.limits import Rules
from models.repair.no_housing import NOT_A_HOUSING, why_no_distance, without_false_housings
from models.repair.references import References, prefixes
from models.repair.spots import Joint, Shell, Spot, centre, overlap, possible_labels
from models.repair.views import joints_once, one_name_each, seen_once
from vision.findings import PhotoFindings, Question, Region, Splice


@dataclass(frozen=True)
class Case:
    """One assembly: what was seen, what was answered, what the limits are.

    places : every region seen, in the order of the photographs, those that somebody answered to be sound included, and
    other views of a place; views : those of damaged places, as what more is seen of the place;
    false_shells : what was taken for a housing and is none, as somebody answered
    """

    photos: tuple[PhotoFindings, ...]
    answers: Answers
    rules: Rules
    places: tuple[Spot, ...]
    joints: tuple[Joint, ...]
    shells: tuple[Shell, ...]
    false_shells: tuple[Shell, ...]
    views: tuple[Spot, ...] = ()

    @property
    def spots(self) -> tuple[Spot, ...]:
        """The places that are, or may be, damaged, each once: what the rules judge."""
        return tuple(place for place in _not_sound(self.places) if not place.seen_as)

    def seen_in(self, photo: int) -> tuple[Spot, ...]:
        """The places that are, or may be, damaged as one photograph shows them, other views among them."""
        return tuple(place for place in _not_sound(self.places) if place.photo == photo)

    def name(self, photo: int, item: str) -> str:
        """A name for something in one photograph that nothing in another one has; of a place, its `ref`."""
        return f"{prefixes(self.photos)[photo]}{item}"

    def question(self, rule_id: str, on: str, changes: str) -> Question:
        """The rule's question about one thing, in the words of the rules file."""
        limits = self.rules.of(rule_id)
        return Question(ask=limits.ask.replace("{on}", on), why=limits.why, changes=f"{rule_id}: {changes}")


def open_case(photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> Case:
    """The case in an order that does not depend on the order of the photographs; AnswersError on unknown ids."""
    if not photos:
        raise ValueError("expected at least one photograph's findings, got none")
    ordered = _each_once(photos)
    refs = References(ordered, answers, rules)
    views = refs.views
    seen = [Shell(refs.name(i, shell.id), i, shell) for i, photo in enumerate(ordered) for shell in photo.housings]
    none = tuple(shell for shell in seen if refs.answers.housing_state.get(views.place(shell.ref)) == NOT_A_HOUSING)
    ordered = without_false_housings(ordered, _ids_by_photo(none))
    damages = _damages(ordered)
    every = [
        replace(_spot(refs, i, photo, region), damage=damages[photo.photo.sha256, region.id])
        for i, photo in enumerate(ordered)
        for region in photo.regions
    ]
    places, more = seen_once(every, views)
    joints = [joint for i, photo in enumerate(ordered) for joint in _joints(refs, i, photo, _not_sound(places))]
    shells = one_name_each([shell for shell in seen if shell not in none], every, views)
    once = joints_once(joints, places, refs.answers)
    return Case(ordered, refs.answers, rules, places, once, shells, none, _not_sound(more))


def seen_as_answered(photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> list[PhotoFindings]:
    """The photographs in the order given, without what was answered to be no housing: what is shown beside a decision.

    AnswersError on unknown ids.
    """
    if NOT_A_HOUSING not in answers.housing_state.values():
        return list(photos)
    by_file = {photo.photo.sha256 or photo.photo.name: photo for photo in open_case(photos, answers, rules).photos}
    return [by_file[photo.photo.sha256 or photo.photo.name] for photo in photos]


def _ids_by_photo(shells: Iterable[Shell]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    for shell in shells:
        found.setdefault(shell.photo, []).append(shell.housing.id)
    return found


def _not_sound(places: Iterable[Spot]) -> tuple[Spot, ...]:
    return tuple(place for place in places if place.labels != ("sound",))


def _each_once(photos: Sequence[PhotoFindings]) -> tuple[PhotoFindings, ...]:
    """The photographs by name, whatever order they came in; the same file twice is one photograph."""
    by_name = sorted(photos, key=lambda p: (p.photo.name, p.photo.sha256, p.model_dump_json()))
    once: dict[str, PhotoFindings] = {}
    for photo in by_name:
        once.setdefault(photo.photo.sha256 or photo.photo.name, photo)
    return tuple(once.values())


def _damages(photos: Sequence[PhotoFindings]) -> dict[tuple[str, str], int]:
    """A number for each region (photograph's sha256, id), the same for those that were recognised as one damage."""
    named = {(p.photo.sha256, r.id): {(o.photo, o.id) for o in r.seen_also} for p in photos for r in p.regions}
    number = {key: k for k, key in enumerate(named)}
    for one, others in named.items():
        for other in others:
            if one in named.get(other, ()):  # one that was drawn anew since no longer says so
                old, new = number[other], number[one]
                number = {key: new if value == old else value for key, value in number.items()}
    return number


def perhaps_one(case: Case) -> list[tuple[Spot, Spot]]:
    """Spots of two photographs that may be one damage seen twice: not told apart by a common face, labels in common.

    Of each two the one that shows more comes first: what it is, how far from a termination, how long.
    """
    lays = [photo.lay for photo in case.photos]
    seen_in = {(place.ref, place.photo) for place in case.places}  # one that has a view there is no other place of it
    found = []
    for a, b in combinations(case.spots, 2):
        one, other = lays[a.photo], lays[b.photo]
        told = one is not None and other is not None and (one.frame, one.face) == (other.frame, other.face)
        if (a.ref, b.photo) in seen_in or (b.ref, a.photo) in seen_in:
            continue
        if a.photo != b.photo and a.damage != b.damage and not told and set(a.labels) & set(b.labels):
            found.append((b, a) if _shown_of(b) > _shown_of(a) else (a, b))
    return found


def _shown_of(spot: Spot) -> tuple[bool, bool, bool]:
    return spot.certain, spot.to_termination_mm is not None, spot.region.length_mm is not None


def _spot(refs: References, index: int, photo: PhotoFindings, region: Region) -> Spot:
    own = refs.name(index, region.id)
    ref = refs.views.place(own)
    ids = set(region.wires_affected.wire_ids) if region.wires_affected else set()
    wires = tuple(wire for wire in photo.wires if wire.id in ids)
    answered = refs.answers.labels.get(ref)
    distance = refs.ruled(refs.answers.distances_mm, ref) or region.to_termination_mm
    why = "" if distance else why_no_distance(photo, f"regions[{region.id}].to_termination_mm")
    labels = (answered,) if answered else possible_labels(region)
    return Spot(own, index, region, labels, wires, distance, no_distance=why)


def _joints(refs: References, index: int, photo: PhotoFindings, spots: Sequence[Spot]) -> list[Joint]:
    here = [spot for spot in spots if spot.photo == index and "earlier_repair" in spot.labels]
    found: list[Joint] = []
    covered: set[str] = set()
    for splice in photo.splices:
        ref = refs.name(index, splice.id)
        spot = next((s for s in here if overlap(s.region.rings_px, splice.rings_px)), None)
        origin = refs.answers.splice_origin.get(ref) or _origin(splice, spot)
        distance = splice.to_termination_mm
        if spot is not None:
            covered.add(spot.ref)
            distance = distance or spot.to_termination_mm
        distance = refs.ruled(refs.answers.distances_mm, ref) or distance
        why = why_no_distance(photo, f"splices[{splice.id}].to_termination_mm") or (spot.no_distance if spot else "")
        spacing = refs.ruled(refs.answers.spacings_mm, ref) or splice.to_next_splice_mm
        found.append(
            Joint(
                ref, index, splice.wire_id, origin, distance, spacing, spot.ref if spot else None, splice.position_px,
                splice.to_termination_mm, splice.to_next_splice_mm,
                no_distance="" if distance else why,
            )
        )  # fmt: skip
    return found + [_joint_of(refs, spot) for spot in here if spot.ref not in covered]


def _origin(splice: Splice, spot: Spot | None) -> str:
    """Where a joint comes from; a region called an earlier repair makes it one, unless the joint says factory."""
    if spot is None or not spot.certain:
        return splice.origin
    return "unknown" if splice.origin == "factory" else "repair"


def _joint_of(refs: References, spot: Spot) -> Joint:
    origin = refs.answers.splice_origin.get(spot.ref) or ("repair" if spot.certain else "unknown")
    spacing = refs.ruled(refs.answers.spacings_mm, spot.ref)
    wire = spot.wires[0].id if len(spot.wires) == 1 else None
    return Joint(
        spot.ref, spot.photo, wire, origin, spot.to_termination_mm, spacing, spot.ref, centre(spot.region.rings_px),
        no_distance=spot.no_distance,
    )  # fmt: skip
