"""Names that are unique over the photographs of an assembly, and the answers under those names."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from models.repair.answers import SAME, Answers, AnswersError
from models.repair.limits import Rules
from models.repair.same_place import Views, mistakes_in_views, under_one_name, views_in
from vision.findings import Measure, PhotoFindings


def prefixes(photos: Sequence[PhotoFindings]) -> list[str]:
    """What stands before an id of each photograph: its name, the file's hash where two share one; nothing of one."""
    names = Counter(photo.photo.name for photo in photos)
    told = [p.photo.name if names[p.photo.name] == 1 else p.photo.sha256[:8] for p in photos]
    return [f"{one}:" for one in told] if len(photos) > 1 else [""] * len(photos)


_LARGEST_WIRE_MM2 = 240.0
"""Thicker than battery cables are, from memory: who answers more has read something else. Held against answers as they
are used, for one that is on record from before must stay readable."""
_PLACES = {
    "housing_state": ("housing",),
    "splice_origin": ("damage", "splice"),
    "distances_mm": ("damage", "splice"),
    "spacings_mm": ("damage", "splice"),
    **dict.fromkeys(SAME, ("damage", "housing")),
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


class References:
    """Names that are unique over the photographs, and the answers under those names: what was said of another view of
    a place under the place's. Raises AnswersError."""

    def __init__(self, photos: Sequence[PhotoFindings], answers: Answers, rules: Rules) -> None:
        self._ruler_u95_mm = rules.termination_distance.ruler_u95_mm
        self._prefix = prefixes(photos)
        self._owners: dict[str, list[str]] = {}
        self._kinds: dict[str, set[str]] = {}
        self._photo: dict[str, int] = {}
        for index, photo in enumerate(photos):
            for item, kinds in _kinds(photo).items():
                self._owners.setdefault(item, []).append(self.name(index, item))
                self._kinds[self.name(index, item)] = kinds
                self._photo[self.name(index, item)] = index
        self.answers = self._renamed(answers)
        self.views: Views = views_in(self.answers)

    def name(self, photo: int, item: str) -> str:
        """Of something in one photograph."""
        return f"{self._prefix[photo]}{item}"

    def ruled(self, typed: dict[str, float], ref: str) -> Measure | None:
        """A distance somebody read off a ruler, with the ruler's uncertainty; None when nobody did."""
        return Measure(value=typed[ref], u95=self._ruler_u95_mm) if ref in typed else None

    def _renamed(self, answers: Answers) -> Answers:
        wrong: dict[str, str] = {}
        changed: dict[str, dict[str, object]] = {}
        as_given: dict[str, str] = {}
        for field in Answers.model_fields:
            value = getattr(answers, field)
            if isinstance(value, dict):
                changed[field] = self._under_full_names(field, value, wrong, as_given)
        size = answers.wire_size_mm2
        if size is not None and size > _LARGEST_WIRE_MM2:
            wrong["wire_size_mm2"] = f"expected a wire of at most {_LARGEST_WIRE_MM2:g} mm², got {size:g}"
        named = answers.model_copy(update=changed)
        wrong = wrong or _as_given(mistakes_in_views(named, self._kinds, self._photo), as_given)
        if not wrong:
            named, differing = under_one_name(named)
            wrong = _as_given(differing, as_given)
        if wrong:
            raise AnswersError([f"answer {name}: {why}" for name, why in wrong.items()], names=list(wrong))
        return named

    def _under_full_names(
        self, field: str, value: dict[str, Any], wrong: dict[str, str], as_given: dict[str, str]
    ) -> dict[str, object]:
        """One kind of answer by the places' names; `wrong` gets why one cannot be, `as_given` the name it came by."""
        found: dict[str, object] = {}
        for key, given in value.items():
            name, answer = self._full(field, key, wrong), f"{field}.{key}"
            said = self._full(field, given, wrong, answer) if field in SAME else given
            if found.setdefault(name, said) != said:
                wrong[answer] = f"expected one answer for {name}, got {found[name]} and {said}: take one back"
            as_given[f"{field}.{name}"] = answer
        return found

    def _full(self, field: str, key: str, wrong: dict[str, str], of: str = "") -> str:
        """The name that a key stands for; `wrong` gets why it stands for none, under the key or what it is given of."""
        about = set(_PLACES.get(field, ("damage",)))
        every = sorted(name for name, kinds in self._kinds.items() if kinds & about)
        owners = [name for name in self._owners.get(key, []) if name in every]
        if key in every:
            return key
        if len(owners) == 1:
            return owners[0]
        if owners:
            wrong[of or f"{field}.{key}"] = f"expected one of {', '.join(owners)}, got an id in several photographs"
        else:
            places = ", ".join(every) or f"no place at all (there is no {' or '.join(sorted(about))})"
            wrong[of or f"{field}.{key}"] = f"expected one of {places}, got {key!r}"
        return key


def _as_given(wrong: Mapping[str, str], as_given: Mapping[str, str]) -> dict[str, str]:
    """The same mistakes under the names that the answers were given by."""
    return {as_given[name]: why for name, why in wrong.items()}
