"""What another model would say of an assembly on record: shown beside the answer it has, and not put on record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from desk import assess
from desk.assess import AssessSettings
from desk.learning.model_shelf import folder_of, usable_model
from desk.learning.shelf import Shelf
from desk.parallel import Progress
from desk.records import tables
from desk.records.errors import NotFound
from desk.shop.assemblies import key_of
from desk.shop.desk import Desk
from desk.shop.joined import joined
from desk.shop.standing import findings_to_review, intake_answers
from desk.wording import ROUTE_WORDS, say_label, say_region
from models.repair import decide
from vision.findings import PhotoFindings


@dataclass(frozen=True)
class Beside:
    """One photograph's answers. `now`, `would`: answer and places in words."""

    photo: str
    model_now: str
    now: tuple[str, ...]
    would: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """Whether a person would read something else."""
        return self.now != self.would


@dataclass(frozen=True)
class Reassessed:
    """An assembly as it is on record and as another model would answer it, before anybody's review."""

    shop_order: str
    assembly_id: int
    photos: tuple[Beside, ...]
    route_now: str
    route_would: str

    @property
    def differs(self) -> bool:
        """Whether the route or a photograph's answer would be another."""
        return self.route_now != self.route_would or any(photo.differs for photo in self.photos)


def all_would_answer(
    desk: Desk, version: str, shop_orders: Sequence[str], on_progress: Progress | None = None
) -> list[Reassessed]:
    """`would_answer` for several assemblies; ModelRefused where the model cannot answer here."""
    folder = folder_of(Shelf(desk.data), version)
    usable_model(folder)
    found = []
    for done, order in enumerate(shop_orders, 1):
        with desk.database.read() as session:
            found.append(would_answer(session, desk, folder, order))
        if on_progress:
            on_progress("assessing again", done, len(shop_orders))
    return found


def would_answer(session: Session, desk: Desk, folder: Path, shop_order: str) -> Reassessed:
    """Let the model of a folder answer the photographs of an assembly again. Its review stays as it is, because it was
    made on the places that it names. NotFound where there is no such assembly or nothing of it was assessed.
    """
    row = tables.Assembly
    found = session.scalar(select(row).where(row.shop_order_key == key_of(shop_order)))
    photos = findings_to_review(session, found.id).photos if found is not None else ()
    if found is None or not photos:
        raise NotFound(f"expected an assembly with assessed photographs, got {shop_order!r}: check the shop order")
    files = {
        one.sha256: one.suffix
        for one in session.scalars(select(tables.Photograph).where(tables.Photograph.assembly_id == found.id))
    }
    answers = intake_answers(session, found.id, photos)
    settings = AssessSettings(desk.layouts, desk.rules, answers, model=folder)
    again: list[PhotoFindings] = []
    for photo in photos:
        told = assess.assess_photo(desk.store.checked(photo.photo.sha256, files[photo.photo.sha256]), settings)
        again.append(told.model_copy(update={"photo": photo.photo}))
    told_together = joined(again)
    return Reassessed(
        found.shop_order,
        found.id,
        tuple(_beside(a, b) for a, b in zip(photos, told_together, strict=True)),
        *(ROUTE_WORDS[decide(list(those), answers, desk.rules).route] for those in (photos, told_together)),
    )


def _beside(now: PhotoFindings, would: PhotoFindings) -> Beside:
    return Beside(now.photo.name, now.model.version, _in_words(now), _in_words(would))


def _in_words(photo: PhotoFindings) -> tuple[str, ...]:
    places = sorted(say_region(region) for region in photo.regions)
    return tuple(places) or (say_label(photo.label),)
