"""Takes what was measured and named at the bench into the notes that the work order's plan is made from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from desk.review.edits import Branches, EditError, MeasureWire, NameEnd
from models.repair.bench import BenchNotes, mistakes_in
from models.repair.references import prefixes
from vision.findings import PhotoFindings

Noted = MeasureWire | Branches | NameEnd
"""Edits that are bench notes."""


def noted(notes: BenchNotes, edit: Noted, photos: Sequence[PhotoFindings]) -> BenchNotes:
    """The notes with the edit; a wire measured again stands in its former place. EditError where it cannot be."""
    if isinstance(edit, MeasureWire):
        others = tuple(wire for wire in notes.wire if wire.id != edit.wire.id)
        after = notes.model_copy(update={"wire": (*others, edit.wire)})
    elif isinstance(edit, NameEnd):
        after = notes.model_copy(update={"connectors": notes.connectors | {end_ref(edit, photos): edit.connector}})
    else:
        after = notes.model_copy(update={"branch_points_mm": tuple(sorted(edit.at_mm))})
    mistakes = mistakes_in(after)
    if mistakes:
        raise EditError("; ".join(mistakes))
    return after


def said_of(notes: BenchNotes, edit: Noted, photos: Sequence[PhotoFindings]) -> Any:
    """What the notes hold of the thing the edit is about, as plain values; None where nothing."""
    if isinstance(edit, NameEnd):
        return notes.connectors.get(end_ref(edit, photos))
    if isinstance(edit, Branches):
        return None if notes.branch_points_mm is None else list(notes.branch_points_mm)
    wire = next((wire for wire in notes.wire if wire.id == edit.wire.id), None)
    return None if wire is None else wire.model_dump(mode="json")


def field_of(edit: Noted) -> str:
    """What the edit is about, as changes name it."""
    if isinstance(edit, NameEnd):
        return "connector"
    return f"wire {edit.wire.id}" if isinstance(edit, MeasureWire) else "branch points"


def end_ref(edit: NameEnd, photos: Sequence[PhotoFindings]) -> str:
    """The end as the plan names it; EditError where the photograph or the end is not there."""
    for head, photo in zip(prefixes(photos), photos, strict=True):
        if photo.photo.sha256 == edit.photo and edit.end in ends_of(photo):
            return head + edit.end
    raise EditError(f"expected an end in a photograph that counts for the decision, got {edit.end}: reload the page")


def ends_of(photo: PhotoFindings) -> list[str]:
    """Ids of the housings and terminals of a photograph, each once."""
    ids = [*(end.id for end in photo.terminations), *(shell.id for shell in photo.housings)]
    return list(dict.fromkeys(ids))
