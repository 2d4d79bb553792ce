"""The assembly as the rules see it: the regions, joints and housings of all its photographs, each with one name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import inf

from models.repair.answers import Answers, answer_for
from models.repair.limits import Rules
from models.repair.no_housing import NOT_A_HOUSING, why_no_distance, without_false_housings
from models.repair.references import References, prefixes
from models.repair.same_place import Views, as_seen_in, beside, either_label, least_wires, nearer, told_together
from vision.findings import LABELS, Count, Housing, Measure, PhotoFindings, Question, Region, Ring, Splice, Wire

DAMAGE_LABELS: tuple[str, ...] = tuple(label for label in LABELS if label != "sound")


@dataclass(frozen=True)
class Spot:
    """One region, the labels it may carry, and the wires it is known to touch.

    damage : regions of one number are one damage, seen in several photographs; -1: not looked into
    seen_as : the name of another view of the place `ref`, which somebody said it is; empty of the place itself
    least_wires : so many are touched for certain where there is no count of all
    no_distance : why the distance is no longer known, where it went to what somebody found to be no housing
    """

    ref: str
    photo: int
    region: Region
    labels: tuple[str, ...]
    wires: tuple[Wire, ...]
    to_termination_mm: Measure | None
    damage: int = -1
    no_distance: str = ""
    seen_as: str = ""
    least_wires: int = 1

    @property
    def certain(self) -> bool:
        """Whether there is one label only."""
        return len(self.labels) == 1

    def evidence(self, feature: str, unstated_u95: float) -> Measure | None:
        """A sign as a measure; `FEATURE_u95` in the evidence is its uncertainty, otherwise `unstated_u95`."""
        values = {item.feature: item.value for item in self.region.evidence}
        if feature not in values:
            return None
        return Measure(value=values[feature], u95=max(values.get(f"{feature}_u95", unstated_u95), 0.0))


@dataclass(frozen=True)
class Joint:
    """A joint found on a wire: a splice, or an earlier-repair region in which no splice was told apart.

    Distances are a ruler's where somebody read one; `seen` ones are the photograph's. no_distance : as of a spot
    """

    ref: str
    photo: int
    wire: str | None
    origin: str
    to_termination_mm: Measure | None
    to_next_mm: Measure | None
    spot: str | None
    at_px: tuple[float, float] | None = None
    seen_to_termination_mm: Measure | None = None
    seen_to_next_mm: Measure | None = None
    no_distance: str = ""

    @property
    def certain(self) -> bool:
        """Whether it is known to be a repair."""
        return self.origin == "repair"


@dataclass(frozen=True)
class Shell:
    """A housing. seen_as : as of a spot"""

    ref: str
    photo: int
    housing: Housing
    seen_as: str = ""


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
    once = _joints_once(joints, places, refs.answers)
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


def meets(spot: Spot, shell: Shell) -> bool:
    """Whether a place lies on a housing."""
    return overlap(spot.region.rings_px, shell.housing.rings_px)


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


def is_own(region: Region) -> bool:
    """Whether the region carries for sure a label that a shop added, which no rule knows."""
    return region.label is not None and region.label not in LABELS and not region.unsure and not region.novel


def possible_labels(region: Region) -> tuple[str, ...]:
    """Every label the region may carry, in contract order: its own when sure, else its candidates, else any damage.

    A label that a shop added is none that a rule knows: it may be any damage, until somebody says how to treat it.
    """
    if region.label is not None and region.label not in LABELS:
        return DAMAGE_LABELS
    if region.label is not None and not region.unsure and not region.novel:
        return (region.label,)
    named = set(region.candidates) | ({region.label} if region.label else set())
    if region.novel or not named:
        named |= set(DAMAGE_LABELS)
    return tuple(label for label in LABELS if label in named)


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


def _joints_once(joints: Sequence[Joint], places: Sequence[Spot], answers: Answers) -> tuple[Joint, ...]:
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


def overlap(one: Iterable[Ring], other: Iterable[Ring]) -> bool:
    """Whether the bounding boxes of two outlines meet; px, x right, y down."""
    a, b = _box(one), _box(other)
    if a is None or b is None:
        return False
    return a[0] <= b[2] and b[0] <= a[2] and a[1] <= b[3] and b[1] <= a[3]


def centre(rings: Iterable[Ring]) -> tuple[float, float] | None:
    """The middle of an outline's box, px; None without points."""
    box = _box(rings)
    return None if box is None else ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)


def _box(rings: Iterable[Ring]) -> tuple[float, float, float, float] | None:
    points = [point for ring in rings for point in ring]
    if not points:
        return None
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def ends_known(spot: Spot, answers: Answers) -> bool | None:
    """Whether both ends of every wire of the region are known: the answer, else the traced wires; None: not known."""
    answered = answer_for(answers.both_ends_identified, spot.ref)
    if answered is not None:
        return answered
    affected = spot.region.wires_affected
    if affected is None or not spot.wires or len(spot.wires) < affected.high:
        return None
    traced = all(len(wire.ends) == 2 and None not in wire.ends for wire in spot.wires)
    return True if traced else None
