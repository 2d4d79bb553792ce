"""One place seen in two photographs, where a person said so: judged as each shows it, counted and planned once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from models.repair.answers import SAME, Answers
from vision.findings import LABELS, RULER, Count, Measure, Region

_SAME_SIDE, _OTHER_SIDE = SAME


@dataclass(frozen=True)
class Views:
    """What was answered to be another view of a place. of : the place, by the name of the view; other_side : the views
    that show the place's other side. Names are unique over the photographs."""

    of: Mapping[str, str]
    other_side: frozenset[str]

    def place(self, name: str) -> str:
        """The name of the place itself."""
        return self.of.get(name, name)


def views_in(answers: Answers) -> Views:
    """The views that the answers name."""
    return Views({**answers.same_place, **answers.other_side}, frozenset(answers.other_side))


def only_same(answers: Answers) -> Answers:
    """Those that say of two places that they are one."""
    return Answers(**{field: getattr(answers, field) for field in SAME})


def mistakes_in_views(answers: Answers, kinds: Mapping[str, set[str]], photo_of: Mapping[str, int]) -> dict[str, str]:
    """What cannot be, by the answer's name.

    kinds, photo_of : of every name that there is, what it stands for and the number of its photograph
    """
    wrong: dict[str, str] = {}
    views = views_in(answers)
    for field in SAME:
        for view, place in getattr(answers, field).items():
            name = f"{field}.{view}"
            if view in answers.same_place and view in answers.other_side:
                wrong[name] = f"expected {view} to show one side of a place, got it as the same side and as the other"
            elif photo_of[view] == photo_of[place]:
                wrong[name] = f"expected a place of another photograph, got {place}: draw one outline round both"
            elif place in views.of:
                wrong[name] = f"expected a place itself, got {place}, another view of {views.of[place]}: name that"
            elif not kinds[view] & kinds[place]:
                wrong[name] = f"expected a {' or '.join(sorted(kinds[view]))}, got {place}, which is none"
    return wrong


def under_one_name(answers: Answers) -> tuple[Answers, dict[str, str]]:
    """What was answered of a view goes for its place; and, by the answer's name, where two such answers differ."""
    views, wrong = views_in(answers), dict[str, str]()
    update: dict[str, Any] = {}
    for field, value in answers:
        if field in SAME or not isinstance(value, dict) or not views.of.keys() & value.keys():
            continue
        kept = {name: given for name, given in value.items() if name not in views.of}
        for view, place in views.of.items():
            if view in value and kept.setdefault(place, value[view]) != value[view]:
                wrong[f"{field}.{view}"] = (
                    f"expected one answer for {place} and {view}, which are one place, got {kept[place]} and "
                    f"{value[view]}: take one back"
                )
        update[field] = kept
    return answers.model_copy(update=update), wrong


def told_together(place: Region, view: Region, other_side: bool) -> Region:
    """The place with what only its other view tells: measures that it lacks, and how many wires it may touch at most.

    What the place measures itself stands (it was named for being the better view); its distance goes by `nearer`.
    """
    return place.model_copy(
        update={
            "wires_affected": _counted(place.wires_affected, view.wires_affected, other_side),
            "length_mm": _known(place.length_mm, view.length_mm),
            "area_mm2": _known(place.area_mm2, view.area_mm2),
            "continues_under_covering": place.continues_under_covering or view.continues_under_covering,
        }
    )


def as_seen_in(place: Region, view: Region) -> Region:
    """The place with the signs of its other view: what only that one shows counts, too. A sign that it lacks says
    nothing against the place's own."""
    told = {item.feature for item in view.evidence}
    own = [item for item in place.evidence if item.feature.removesuffix("_u95") not in told]
    return place.model_copy(
        update={
            "evidence": [*view.evidence, *own],
            "exposed_copper_mm": _more(place.exposed_copper_mm, view.exposed_copper_mm),
        }
    )


def nearer(one: Measure | None, other: Measure | None) -> Measure | None:
    """Of two distances to the nearest termination the one read off a ruler, else the nearer where that is certain, for
    each view may lack that termination; else the first."""
    if one is None or other is None:
        return one or other
    ruled = [any(source.name == RULER for source in measure.sources) for measure in (one, other)]
    if ruled[0] or ruled[1]:
        return one if ruled[0] else other
    certain = not other.low_bound and other.value + other.u95 < one.value - one.u95
    return other if certain or (one.low_bound and not other.low_bound) else one


def either_label(place: tuple[str, ...], view: tuple[str, ...]) -> tuple[str, ...]:
    """The labels of a place whose view may be `view`: its own, for who said that both are one saw them, but all of both
    where they have none in common. Then one of the two shows something else for certain, and nobody said which."""
    if set(place) & set(view):
        return place
    return tuple(label for label in LABELS if label in {*place, *view})


def _known(one: Measure | None, other: Measure | None) -> Measure | None:
    """The first where it is one; a bound gives way to a value."""
    if one is None or (one.low_bound and other is not None and not other.low_bound):
        return other
    return one


def beside(one: Count | None, other: Count | None) -> Count | None:
    """Wires of two views in one photograph, where equal ids are one wire."""
    if one is None or other is None:
        return one or other
    sure = {id for count in (one, other) if count.low >= len(count.wire_ids) for id in count.wire_ids}
    low = max(one.low, other.low, len(sure))
    ids = sorted({*one.wire_ids, *other.wire_ids})
    return Count(value=max(low, one.value, other.value), low=low, high=max(low, one.high + other.high), wire_ids=ids)


def least_wires(place: Count | None, view: Count | None) -> int:
    """How many wires are there for certain, where one of the two views tells it."""
    return max([1, *(count.low for count in (place, view) if count is not None)])


def _more(one: Measure | None, other: Measure | None) -> Measure | None:
    known = [measure for measure in (one, other) if measure is not None]
    return max(known, key=lambda measure: measure.value + measure.u95, default=None)


def _counted(place: Count | None, view: Count | None, other_side: bool) -> Count | None:
    """Wires of the place. Of its other side others may be seen, so that there are at most as many as both show."""
    if other_side:
        if place is None or view is None:
            return None
        low, value = max(place.low, view.low), max(place.value, view.value)
        return Count(value=value, low=low, high=place.high + view.high, wire_ids=place.wire_ids)
    if place is None or view is None:
        return place or (view.model_copy(update={"wire_ids": []}) if view is not None else None)
    low, high = max(place.low, min(view.low, place.high)), max(place.high, view.low)
    return place.model_copy(update={"low": low, "value": min(max(place.value, low), high), "high": high})
