"""Blind second opinions: who is asked on which assembly, what they say, and how far two people agree."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.figures import figures
from desk.records import tables
from desk.shop.desk import Desk
from desk.shop.errors import Invalid, NotAllowed
from desk.shop.labels import keep_while_given
from desk.shop.looking_back import places_named
from desk.shop.people import Account
from desk.shop.review_entries import OPINION, PUT_RIGHT, second_opinions
from desk.shop.standing import findings_to_review
from desk.statistics import Estimate
from vision.findings import PhotoFindings

SHARE_PERCENT = 5


@dataclass(frozen=True)
class Agreements:
    """Kappa of two people, and of the model and people, each over the places that both named; and what is asked."""

    people: Estimate
    model: Estimate
    asked: tuple[tables.Standing, ...]


def is_drawn(shop_order: str) -> bool:
    """Whether an assembly is among the 5 % that get a second opinion: by the hash of its number, so nobody chooses."""
    drawn = int.from_bytes(hashlib.sha256(f"second opinion {shop_order}".encode()).digest()[:8], "big")
    return drawn % 100 < SHARE_PERCENT


def photographs_for(session: Session, assembly_id: int, who: Account) -> tuple[PhotoFindings, ...]:
    """The photographs with the places found; NotAllowed for whoever has seen the review of this assembly.

    The page shows where to look, and neither the model's names nor the first reviewer's.
    """
    row = tables.ReviewEntry
    mine = select(row.id).where(row.assembly_id == assembly_id, row.person_id == who.id, row.kind != PUT_RIGHT)
    if session.scalar(mine.limit(1)):
        raise NotAllowed(
            "expected somebody who has said nothing on this assembly, got one of its reviewers: ask another"
        )
    photos = findings_to_review(session, assembly_id).photos
    if not any(photo.regions for photo in photos):
        raise Invalid("assembly", "expected an assembly with places to name, got none: choose another from the list")
    return photos


def give(session: Session, desk: Desk, who: Account, assembly_id: int, labels: Mapping[str, str]) -> int:
    """Keep an opinion: a label for every place, `photo:region`; Invalid where one is missing or unknown."""
    photos = photographs_for(session, assembly_id, who)
    places = [f"{photo.photo.sha256}:{region.id}" for photo in photos for region in photo.regions]
    keep_while_given(session, labels.values())
    known = desk.labels
    for place in places:
        if labels.get(place) not in known:
            raise Invalid("labels", "expected a label for every place, got one without: name it, sound is a label too")
    row = tables.ReviewEntry(
        assembly_id=assembly_id, kind=OPINION, payload={"labels": {place: labels[place] for place in places}},
        person_id=who.id, blind=True, model_version=photos[0].model.version[:80], rules_sha256=desk.rules_sha256,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row.id


def agreements(session: Session, desk: Desk, who: Account) -> Agreements:
    """Both kappas over all assemblies, and which of those drawn and signed off wait for this person's opinion.

    A pair is of two people always: see `second_opinions`.
    """
    found = figures([], [], [], list(places_named(session, desk)))
    return Agreements(found.kappa_people, found.kappa_model, _asked(session, who))


def _asked(session: Session, who: Account) -> tuple[tables.Standing, ...]:
    row, table = tables.ReviewEntry, tables.Standing
    mine = select(row.assembly_id).where(row.person_id == who.id, row.kind != PUT_RIGHT)
    query = select(table).where(table.state == "reviewed", table.label.is_not(None), table.assembly_id.not_in(mine))
    drawn = [one for one in session.scalars(query.order_by(table.assembly_id)) if is_drawn(one.shop_order)]
    given = {assembly_id for assembly_id, _, _ in second_opinions(session)}
    return tuple(one for one in drawn if one.assembly_id not in given and _has_places(session, one.assembly_id))


def _has_places(session: Session, assembly_id: int) -> bool:
    """Whether there is anything to name: an assembly on which nothing was found is not asked about."""
    return any(photo.regions for photo in findings_to_review(session, assembly_id).photos)
