"""The evidence file: one page without scripts on what was seen, measured, decided and done, for customer or insurer."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from PIL import Image

from desk.errors import one_line
from desk.overlay import path_of
from desk.pictures import bytes_uri, data_uri
from desk.report import TEMPLATES, environment
from desk.wording import CLOSING_WORDS, asked_together, say_measure, say_measured, say_places, say_step
from vision.findings import Decision, Measure, PhotoFindings, Region
from vision.reading import PhotoError, read_photo

_STYLE = "evidence.css"
ORIGINALS_AT_MOST_BYTES = 60_000_000
"""All originals of one page together; a browser opens a page of a third more (base64) within seconds."""
_BROWSERS_SHOW = {".jpg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}
_TO_SAVE_ONLY = {".heic": "image/heic", ".tif": "image/tiff"}
_ORIENTATION = 0x0112


@dataclass(frozen=True)
class View:
    """What the page holds of a photograph, as data addresses; or why it holds nothing to look at.

    `picture` is to look at, and is the original bit for bit where `is_original`. Where browsers do not show the
    original, it is `to_save`.
    """

    picture: str | None
    is_original: bool = False
    to_save: str | None = None
    why_not: str | None = None


@dataclass(frozen=True)
class Pictured:
    """One photograph: what the page holds of it, and what is known of the original."""

    number: int
    face: str
    file: str
    suffix: str
    sha256: str
    size_bytes: int
    width_px: int
    height_px: int
    taken_at: str | None
    received_at: str
    received_by: str
    view: View
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
    """Everything the page shows. `versions`: what the answers were made with, by name.

    `too_large_bytes`: how much all originals hold together, where that is too much for one page.
    """

    shop_order: str
    vehicle: str
    customer_says: str
    circuit_class: str
    opened_at: str
    made_at: str
    made_by: str
    state: str
    photos: Sequence[Pictured]
    too_large_bytes: int | None
    places: Sequence[Place]
    decision: Decision
    happened: Sequence[Happened]
    papers: Sequence[Happened]
    versions: Mapping[str, str]


def view_of(path: Path, whole: bool) -> View:
    """The photograph for the page: the original where it may be `whole`, with a view where browsers show none."""
    if not whole:
        return _scaled(path, None)
    data = path.read_bytes()
    media = _BROWSERS_SHOW.get(path.suffix)
    if media and not _turned_unsurely(path):
        return View(bytes_uri(data, media), is_original=True)
    return _scaled(path, bytes_uri(data, media or _TO_SAVE_ONLY[path.suffix]))


def _scaled(path: Path, to_save: str | None) -> View:
    try:
        return View(data_uri(read_photo(path).bgr), to_save=to_save)
    except PhotoError as error:
        return View(None, to_save=to_save, why_not=one_line(error))


def _turned_unsurely(path: Path) -> bool:
    """Whether a browser may show it lying: all obey the orientation in JPEG, not all that in PNG and WebP."""
    if path.suffix == ".jpg":
        return False
    with Image.open(path) as image:
        return image.getexif().get(_ORIENTATION, 1) != 1


def style() -> str:
    """The page's only style sheet."""
    return (TEMPLATES / _STYLE).read_text("utf-8")


def style_source() -> str:
    """How a content security policy names that style sheet, so that nothing else is let through."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(style().encode()).digest()).decode("ascii") + "'"


def evidence_html(evidence: Evidence, say: Callable[[Measure | None], str] = say_measure, unit: str = "mm") -> str:
    """The page as text; it asks for nothing else and holds no script. say : how lengths are written, in that unit."""
    env = environment()
    env.globals.update(say_by_hand=partial(say_measured, unit=unit))
    env.globals.update(asked_together=asked_together, say_step=say_step, path_of=path_of, closing_words=CLOSING_WORDS)
    env.filters.update(places=say_places)
    return env.get_template("evidence.html.j2").render(
        e=evidence,
        most_bytes=ORIGINALS_AT_MOST_BYTES,
        style=style(),
        style_source=style_source(),
        how_sure=how_sure,
        say=say,
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
