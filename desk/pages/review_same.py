"""Which places of an assembly's photographs are, or may be, one, and why photographs were not joined."""

from __future__ import annotations

from typing import Any

from desk.review.places import place_name
from desk.review.reviewed import Reviewed
from models.repair import Rules
from models.repair.case import Case, open_case, perhaps_one
from vision.findings import PhotoFindings


def same_places(found: Reviewed, rules: Rules) -> tuple[dict[str, dict[str, Any]], list[list[str]]]:
    """What is one over several photographs, or may be; nothing of a single one.

    Of each place, by `photo:region`: its name for an answer, which place it was said to be and from which side, the
    places of other photographs that it can be said to be, and those that it was recognised as. And the names of places,
    two by two, that may be one damage: nobody said so, and the photographs do not tell.
    """
    if len(found.photos) < 2:
        return {}, []
    case = open_case(found.photos, found.answers, rules)
    names = _names(case)
    views = {place.seen_as: place for place in case.places if place.seen_as}
    own = {(p.photo, p.region.id): p.seen_as or p.ref for p in case.places}
    damage = {p.seen_as or p.ref: p.damage for p in case.places}
    states: dict[str, dict[str, Any]] = {}
    for (index, region), ref in own.items():
        view = views.get(ref)
        elsewhere = [other for (at, _), other in own.items() if at != index]
        states[f"{case.photos[index].photo.sha256}:{region}"] = {
            "ref": ref,
            "of": names[view.ref] if view is not None else None,
            "other_side": ref in case.answers.other_side,
            "others": [{"ref": other, "name": names[other]} for other in elsewhere if other not in views],
            "recognised": [names[o] for o in elsewhere if damage[o] == damage[ref] and o not in views and view is None],
            "viewed": any(other.ref == ref for other in views.values()),
        }
    return states, [[names[one.ref], names[other.ref]] for one, other in perhaps_one(case)]


def not_joined(photo: PhotoFindings) -> str | None:
    """Why a photograph stands alone, where it does."""
    return next((missing.reason for missing in photo.missing if missing.field == "lay"), None)


def _names(case: Case) -> dict[str, str]:
    """What pages call each place, by the name that the rules give it."""
    return {(p.seen_as or p.ref): place_name(case.photos[p.photo], p.region.id, True) for p in case.places}
