"""Short names of photographs and places within one assembly, and answers kept under names that outlast them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from desk.review.edits import Answer, Edit
from models.repair import Answers
from models.repair.answers import SAME
from vision.findings import PhotoFindings, Region

_SHORT_SHA = 8


def numbered(photos: Sequence[PhotoFindings], numbers: Mapping[str, int]) -> tuple[PhotoFindings, ...]:
    """The findings with each photograph named by its number in the assembly. numbers : by hash, from 1."""
    return tuple(
        photo.model_copy(update={"photo": photo.photo.model_copy(update={"name": f"photo {numbers[sha]}"})})
        for photo in photos
        for sha in (photo.photo.sha256,)
    )


def place_name(photo: PhotoFindings, item: str, several: bool) -> str:
    """What a place is called on every page: `r1`, or `photo 2 · r1` where the assembly has several photographs."""
    return f"{photo.photo.name} · {item}" if several else item


def unjudged(photos: Sequence[PhotoFindings], judged: Sequence[str]) -> list[tuple[PhotoFindings, Region]]:
    """Places whose label nobody gave or confirmed."""
    seen = set(judged)
    return [(p, r) for p in photos for r in p.regions if f"{p.photo.sha256}:{r.id}" not in seen]


def lasting(edit: Edit, photos: Sequence[PhotoFindings]) -> Edit:
    """An answer with its places named by the photograph's hash: one more photograph changes no such name."""
    if not isinstance(edit, Answer):
        return edit
    names = _lasting_names(photos)
    return edit.model_copy(update={"answers": _renamed(edit.answers, names)})


def present(answers: Answers, photos: Sequence[PhotoFindings]) -> Answers:
    """Answers with their places named as the rules name them on these photographs."""
    several = len(photos) > 1
    names: dict[str, str] = {}
    owners: dict[str, list[str]] = {}
    for photo in photos:
        for item in _items(photo):
            ref = f"{photo.photo.name}:{item}" if several else item
            names |= {f"{photo.photo.sha256[:_SHORT_SHA]}:{item}": ref, f"{photo.photo.name}:{item}": ref}
            owners.setdefault(item, []).append(ref)
    # an id of one photograph only: a place that is added later may have it, too
    names |= {item: refs[0] for item, refs in owners.items() if len(refs) == 1 and item not in names}
    return _renamed(answers, names)


def by_hash(edit: Edit, files: Mapping[str, str]) -> Edit:
    """An answer that the first version kept under a file's name, under the photograph's hash. files : hash by name."""
    return _under(edit, {name: sha256[:_SHORT_SHA] for name, sha256 in files.items()})


def by_number(edit: Edit, numbers: Mapping[str, int]) -> Edit:
    """An answer about photographs that do not count, as people call them: nothing else names them by their number any
    more, so that it is not taken for one about another. numbers : of those photographs, by hash"""
    return _under(edit, {sha256[:_SHORT_SHA]: f"photo {number}" for sha256, number in numbers.items()})


def _under(edit: Edit, heads: Mapping[str, str]) -> Edit:
    """An answer with its places under other names of their photographs. heads : the new name by the one kept"""
    if not isinstance(edit, Answer):
        return edit
    dicts = {field: value for field, value in edit.answers if isinstance(value, dict)}
    refs = {key for value in dicts.values() for key in value} | {one for f in SAME for one in dicts[f].values()}
    split = {ref: ref.rpartition(":") for ref in refs}
    names = {ref: f"{heads[head]}:{item}" for ref, (head, _, item) in split.items() if head in heads}
    return edit.model_copy(update={"answers": _renamed(edit.answers, names)}) if names else edit


def _lasting_names(photos: Sequence[PhotoFindings]) -> dict[str, str]:
    names: dict[str, str] = {}
    bare: dict[str, list[str]] = {}
    for photo in photos:
        for item in _items(photo):
            full = f"{photo.photo.sha256[:_SHORT_SHA]}:{item}"
            names[f"{photo.photo.name}:{item}"] = full
            bare.setdefault(item, []).append(full)
    return names | {item: owners[0] for item, owners in bare.items() if len(owners) == 1}


def _items(photo: PhotoFindings) -> list[str]:
    regions, splices = [r.id for r in photo.regions], [s.id for s in photo.splices]
    return list(dict.fromkeys(regions + splices + [h.id for h in photo.housings]))


def _renamed(answers: Answers, names: Mapping[str, str]) -> Answers:
    update: dict[str, Any] = {
        field: {
            names.get(key, key): names.get(given, given) if field in SAME else given for key, given in value.items()
        }
        for field, value in answers
        if isinstance(value, dict) and value
    }
    return answers.model_copy(update=update) if update else answers
