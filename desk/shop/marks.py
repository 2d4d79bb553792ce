"""What lists and pages show of an assembly's damage: each label with whether it is sure, and what it may be instead."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypedDict

from vision.findings import LABELS, PhotoFindings


class Mark(TypedDict):
    """One label as it is shown. `candidates`: the labels that cannot be told apart, where it is unsure."""

    label: str | None
    unsure: bool
    novel: bool
    candidates: list[str]


def marks_of(photos: Sequence[PhotoFindings]) -> list[Mark]:
    """One mark for each label; it is sure where one place bears it for sure. `sound` only where nothing else is."""
    found: dict[tuple[str | None, bool], Mark] = {}
    for mark in (mark for photo in photos for mark in _of_photo(photo)):
        kept = found.setdefault((mark["label"], mark["novel"]), mark)
        if kept is not mark:
            kept["unsure"] = kept["unsure"] and mark["unsure"]
            kept["candidates"] = _in_order([*kept["candidates"], *mark["candidates"]])
    marks = [mark for mark in found.values() if mark["label"] != "sound"] or list(found.values())
    for mark in marks:
        if not mark["unsure"]:
            mark["candidates"] = []
    return marks


def _of_photo(photo: PhotoFindings) -> list[Mark]:
    named = [_mark(r.label, r.unsure, r.novel, r.candidates) for r in photo.regions if r.label or r.unsure or r.novel]
    if named or not (photo.label or photo.unsure or photo.novel):
        return named
    return [_mark(photo.label, photo.unsure, photo.novel, photo.candidates)]


def _mark(label: str | None, unsure: bool, novel: bool, candidates: Iterable[str]) -> Mark:
    return Mark(label=None if novel else label, unsure=unsure, novel=novel, candidates=_in_order(candidates))


def _in_order(labels: Iterable[str]) -> list[str]:
    given = set(labels)
    return [*(label for label in LABELS if label in given), *sorted(given - set(LABELS))]
