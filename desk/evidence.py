"""The evidence file: one page without scripts on what was seen, measured, decided and done, for customer or insurer."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from desk.overlay import path_of
from desk.pictures import data_uri
from desk.report import TEMPLATES, environment
from desk.wording import CLOSING_WORDS, say_measure, say_places, say_step
from vision.findings import Decision, PhotoFindings, Region
from vision.reading import PhotoError, read_photo

_STYLE = "evidence.css"


@dataclass(frozen=True)
class Pictured:
    """One photograph: its picture scaled for the page, or why there is none, and what is known of the original."""

    number: int
    face: str
    file: str
    sha256: str
    size_bytes: int
    width_px: int
    height_px: int
    taken_at: str | None
    received_at: str
    received_by: str
    picture: str | None
    why_not: str | None
    findings: PhotoFindings | None


@dataclass(frozen=True)
class Place:
    """One place of damage as it stands, as the model saw it, and who judged it."""

    name: str
    region: Region
    seen: Region | None
    judged_by: str | None


@dataclass(frozen=True)
class Happened:
    """Something on record: when, who, and what in words."""

    at: str
    who: str
    what: str


@dataclass(frozen=True)
class Evidence:
    """Everything the page shows. `versions`: what the answers were made with, by name."""

    shop_order: str
    vehicle: str
    customer_says: str
    circuit_class: str
    opened_at: str
    made_at: str
    made_by: str
    state: str
    photos: Sequence[Pictured]
    places: Sequence[Place]
    decision: Decision
    happened: Sequence[Happened]
    papers: Sequence[Happened]
    versions: Mapping[str, str]


def picture_of(path: Path) -> tuple[str | None, str | None]:
    """The photograph scaled for the page as a data address; or None and why."""
    try:
        return data_uri(read_photo(path).bgr), None
    except PhotoError as error:
        return None, str(error)


def style() -> str:
    """The page's only style sheet."""
    return (TEMPLATES / _STYLE).read_text("utf-8")


def style_source() -> str:
    """How a content security policy names that style sheet, so that nothing else is let through."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(style().encode()).digest()).decode("ascii") + "'"


def evidence_html(evidence: Evidence) -> str:
    """The page as text; it asks for nothing else and holds no script."""
    env = environment()
    env.globals.update(say_step=say_step, path_of=path_of, closing_words=CLOSING_WORDS)
    env.filters.update(places=say_places)
    return env.get_template("evidence.html.j2").render(
        e=evidence, style=style(), style_source=style_source(), how_sure=how_sure, say=say_measure
    )


def how_sure(place: Place) -> str:
    """How sure the label is: who gave it, or what the model gives it."""
    region, seen = place.region, place.seen
    said = _share(seen) if seen is not None else "added by a person, not seen by the model"
    if place.judged_by:
        same = seen is not None and seen.label == region.label and not (seen.unsure or seen.novel)
        return f"{'confirmed' if same else 'named'} by {place.judged_by}; the model: {said}"
    return f"the model alone: {said}"


def _share(region: Region) -> str:
    if region.novel:
        return "damage of a kind it does not know"
    ordered = sorted(region.probabilities.items(), key=lambda item: -item[1])
    shares = ", ".join(f"{label.replace('_', ' ')} {p:.0%}" for label, p in ordered[:3] if p >= 0.01)
    return ("unsure, " if region.unsure else "") + (shares or "no shares given")
