"""Takes wires measured with a ruler into the bench notes that the work order's plan is made from."""

from __future__ import annotations

from typing import Any

from desk.review.edits import Branches, EditError, MeasureWire
from models.repair.bench import BenchNotes, mistakes_in


def noted(notes: BenchNotes, edit: MeasureWire | Branches) -> BenchNotes:
    """The notes with the edit; a wire measured again stands in its former place. EditError where it cannot be."""
    if isinstance(edit, MeasureWire):
        others = tuple(wire for wire in notes.wire if wire.id != edit.wire.id)
        after = notes.model_copy(update={"wire": (*others, edit.wire)})
    else:
        after = notes.model_copy(update={"branch_points_mm": tuple(sorted(edit.at_mm))})
    mistakes = mistakes_in(after)
    if mistakes:
        raise EditError("; ".join(mistakes))
    return after


def said_of(notes: BenchNotes, edit: MeasureWire | Branches) -> Any:
    """What the notes hold of the thing the edit is about, as plain values; None where nothing."""
    if isinstance(edit, Branches):
        return None if notes.branch_points_mm is None else list(notes.branch_points_mm)
    wire = next((wire for wire in notes.wire if wire.id == edit.wire.id), None)
    return None if wire is None else wire.model_dump(mode="json")
