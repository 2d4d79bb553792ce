"""Remembers that the model in use could not be loaded and another one answers, so that pages can say so."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from desk.learning.corrected import LearningValue
from desk.learning.shelf import Shelf
from desk.records.columns import now
from models.damage.files import write_file

FALLBACK_FILE = "answers_instead.json"


class Fallback(LearningValue):
    """`wanted` is in use but cannot be loaded (`why`); `answers` does in its place since `at`."""

    wanted: str
    answers: str
    why: str
    at: str


def note_who_answers(shelf: Shelf, wanted: str, answers: str, why: str) -> None:
    """Keep who answers where it is not the model in use; forget it where it is. Writes only what has changed."""
    if answers == wanted:
        _path(shelf).unlink(missing_ok=True)
        return
    kept = _kept(shelf)
    if kept is None or (kept.wanted, kept.answers, kept.why) != (wanted, answers, why):
        shelf.models.mkdir(parents=True, exist_ok=True)
        new = Fallback(wanted=wanted, answers=answers, why=why, at=now().isoformat())
        write_file(_path(shelf), new.model_dump_json(indent=1).encode())


def who_answers_instead(shelf: Shelf, in_use: str) -> Fallback | None:
    """Who answers in place of the model in use; None where it answers itself, or no worker has found otherwise yet."""
    kept = _kept(shelf)
    return kept if kept is not None and kept.wanted == in_use else None


def _kept(shelf: Shelf) -> Fallback | None:
    try:
        return Fallback.model_validate_json(_path(shelf).read_bytes())
    except (OSError, ValidationError):
        return None


def _path(shelf: Shelf) -> Path:
    return shelf.models / FALLBACK_FILE
