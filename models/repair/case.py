"""The assembly as the rules see it: the regions, joints and housings of all its photographs, each with one name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from models.repair.answers import Answers, AnswersError, answer_for
from models.repair.limits import Rules
from models.repair.no_housing import NOT_A_HOUSING, why_no_distance, without_false_housings
from vision.findings import LABELS, Housing, Measure, PhotoFindings, Question, Region, Ring, Splice, Wire

DAMAGE_LABELS: tuple[str, ...] = tuple(label for label in LABELS if label != "sound")


@dataclass(frozen=True)
class Spot:
    """One region, the labels it may carry, and the wires it is known to touch.

    damage : regions of one number are one damage, seen in several photographs; -1: not looked into
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
    """A housing and the region that lies on it, if any."""

    ref: str
    photo: int
    housing: Housing


@dataclass(frozen=True)
class Case:
    """One assembly: what was seen, what was answered, what the limits are.

    places : every region seen, in the order of the photographs, those that somebody answered to be sound included;
    false_shells : what was taken for a housing and is none, as somebody answered
    """

    photos: tuple[PhotoFindings, ...]
    answers: Answers
    rules: Rules
    places: tuple[Spot, ...]
    joints: tuple[Joint, ...]
    shells: tuple[Shell, ...]
    false_shells: tuple[Shell, ...]

    @property
    def spots(self) -> tuple[Spot, ...]:
        """The places that are, or may be, damaged: what the rules judge."""
        return _not_sound(self.places)

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
    refs = _References(ordered, answers, rules)
    seen = tuple(
        Shell(refs.name(i, housing.id), i, housing) for i, photo in enumerate(ordered) for housing in photo.housings
    )
    none = tuple(shell for shell in seen if refs.answers.housing_state.get(shell.ref) == NOT_A_HOUSING)
    ordered = without_false_housings(ordered, _ids_by_photo(none))
    damages = _damages(ordered)
    places = tuple(
        replace(_spot(refs, i, photo, region), damage=damages[photo.photo.sha256, region.id])
        for i, photo in enumerate(ordered)
        for region in photo.regions
    )
    spots = _not_sound(places)
    joints = tuple(joint for i, photo in enumerate(ordered) for joint in _joints(refs, i, photo, spots))
    shells = tuple(shell for shell in seen if shell not in none)
    return Case(ordered, refs.answers, rules, places, joints, shells, none)


def seen_as_answered(photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> list[PhotoFindings]:
    """The photographs in the order given, without what was answered to be no housing: what is shown beside a decision.

    AnswersError on unknown ids.
    """
    if NOT_A_HOUSING not in answers.housing_state.values():
        return list(photos)
    by_file = {photo.photo.sha256 or photo.photo.name: photo for photo in open_case(photos, answers, rules).photos}
    return [by_file[photo.photo.sha256 or photo.photo.name] for photo in photos]


def prefixes(photos: Sequence[PhotoFindings]) -> list[str]:
    """What stands before an id of each photograph: its name, the file's hash where two share one; nothing of one."""
    names = Counter(photo.photo.name for photo in photos)
    told = [p.photo.name if names[p.photo.name] == 1 else p.photo.sha256[:8] for p in photos]
    return [f"{one}:" for one in told] if len(photos) > 1 else [""] * len(photos)


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
    """Spots of two photographs that may be one damage seen twice: not told apart by a common face, labels in common."""
    lays = [photo.lay for photo in case.photos]
    found = []
    for a, b in combinations(case.spots, 2):
        one, other = lays[a.photo], lays[b.photo]
        told = one is not None and other is not None and (one.frame, one.face) == (other.frame, other.face)
        if a.photo != b.photo and a.damage != b.damage and not told and set(a.labels) & set(b.labels):
            found.append((a, b))
    return found


_LARGEST_WIRE_MM2 = 240.0
"""Thicker than battery cables are, from memory: who answers more has read something else. Held against answers as they
are used, for one that is on record from before must stay readable."""
_PLACES = {
    "housing_state": ("housing",),
    "splice_origin": ("damage", "splice"),
    "distances_mm": ("damage", "splice"),
    "spacings_mm": ("damage", "splice"),
}
"""What an answer may be about; where nothing is said here, about a place of damage."""


def _kinds(photo: PhotoFindings) -> dict[str, set[str]]:
    """Ids that an answer may name, each with what it stands for (one id may stand for two things)."""
    kinds: dict[str, set[str]] = {}
    for kind, items in (("damage", photo.regions), ("splice", photo.splices), ("housing", photo.housings)):
        for item in items:
            kinds.setdefault(item.id, set()).add(kind)
    return kinds


def places_for(answer: str, photo: PhotoFindings) -> set[str]:
    """The ids in one photograph that an answer of this name may be about."""
    about = set(_PLACES.get(answer, ("damage",)))
    return {id for id, kinds in _kinds(photo).items() if kinds & about}


class _References:
    """Names that are unique over the photographs, and the answers under those names."""

    def __init__(self, photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> None:
        self._ruler_u95_mm = rules.termination_distance.ruler_u95_mm
        self._prefix = prefixes(photos)
        self._owners: dict[str, list[str]] = {}
        self._kinds: dict[str, set[str]] = {}
        for index, photo in enumerate(photos):
            for item, kinds in _kinds(photo).items():
                self._owners.setdefault(item, []).append(self.name(index, item))
                self._kinds[self.name(index, item)] = kinds
        self.answers = self._renamed(answers)

    def name(self, photo: int, item: str) -> str:
        return f"{self._prefix[photo]}{item}"

    def ruled(self, typed: dict[str, float], ref: str) -> Measure | None:
        """A distance somebody read off a ruler, with the ruler's uncertainty; None when nobody did."""
        return Measure(value=typed[ref], u95=self._ruler_u95_mm) if ref in typed else None

    def _renamed(self, answers: Answers) -> Answers:
        wrong: dict[str, str] = {}
        changed: dict[str, dict[str, object]] = {}
        for field in Answers.model_fields:
            value = getattr(answers, field)
            if isinstance(value, dict):
                changed[field] = {self._full(field, key, wrong): given for key, given in value.items()}
        size = answers.wire_size_mm2
        if size is not None and size > _LARGEST_WIRE_MM2:
            wrong["wire_size_mm2"] = f"expected a wire of at most {_LARGEST_WIRE_MM2:g} mm², got {size:g}"
        if wrong:
            raise AnswersError([f"answer {name}: {why}" for name, why in wrong.items()], names=list(wrong))
        return answers.model_copy(update=changed)

    def _full(self, field: str, key: str, wrong: dict[str, str]) -> str:
        about = set(_PLACES.get(field, ("damage",)))
        every = sorted(name for name, kinds in self._kinds.items() if kinds & about)
        owners = [name for name in self._owners.get(key, []) if name in every]
        if key in every:
            return key
        if len(owners) == 1:
            return owners[0]
        if owners:
            wrong[f"{field}.{key}"] = f"expected one of {', '.join(owners)}, got an id in several photographs"
        else:
            places = ", ".join(every) or f"no place at all (there is no {' or '.join(sorted(about))})"
            wrong[f"{field}.{key}"] = f"expected one of {places}, got {key!r}"
        return key


def _spot(refs: _References, index: int, photo: PhotoFindings, region: Region) -> Spot:
    ref = refs.name(index, region.id)
    ids = set(region.wires_affected.wire_ids) if region.wires_affected else set()
    wires = tuple(wire for wire in photo.wires if wire.id in ids)
    answered = refs.answers.labels.get(ref)
    distance = refs.ruled(refs.answers.distances_mm, ref) or region.to_termination_mm
    why = "" if distance else why_no_distance(photo, f"regions[{region.id}].to_termination_mm")
    labels = (answered,) if answered else possible_labels(region)
    return Spot(ref, index, region, labels, wires, distance, no_distance=why)


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


def _joints(refs: _References, index: int, photo: PhotoFindings, spots: Sequence[Spot]) -> list[Joint]:
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


def _joint_of(refs: _References, spot: Spot) -> Joint:
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
