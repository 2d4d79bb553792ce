"""Gathers an assembly's evidence file from the records."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.errors import one_line
from desk.evidence import ORIGINALS_AT_MOST_BYTES, Evidence, Happened, Pictured, Place, View, view_of
from desk.quote import HOW_WORDS
from desk.records import tables
from desk.records.columns import now
from desk.records.errors import PhotoAltered, PhotoMissing
from desk.review.places import place_name
from desk.review.reviewed import Reviewed
from desk.review.telling import entry_words, names_of, presented
from desk.shop.assemblies import CLASS_WORDS, assembly, newest_intake, photograph_numbers, photographs_of
from desk.shop.desk import Desk
from desk.shop.intake import FACE_WORDS
from desk.shop.papers import APPROVAL, CLOSING, NOT_CLOSED, ORDER, QUOTE, papers_of
from desk.shop.people import Account
from desk.shop.putting_right import put_right
from desk.shop.review import review_of
from desk.shop.review_entries import PUT_RIGHT, REOPENED, SIGN_OFF, entries_of
from desk.shop.standing import STATE_WORDS, findings_to_review
from desk.wording import CLOSING_WORDS, ROUTE_WORDS
from models.repair.words import several
from vision.findings import PhotoFindings

_KINDS = (ORDER, QUOTE, APPROVAL, CLOSING, NOT_CLOSED)


def evidence_of(session: Session, desk: Desk, by: Account, assembly_id: int) -> Evidence:
    """Everything on record of an assembly that was assessed; a photograph that is amiss is said on the page."""
    row, held = assembly(session, assembly_id), newest_intake(session, assembly_id)
    review = review_of(session, desk, assembly_id)
    after = findings_to_review(session, assembly_id, after_repair=True).photos
    people = {one.id: one.name for one in session.scalars(select(tables.Person))}
    standing = session.get(tables.Standing, assembly_id)
    findings = {photo.photo.sha256: photo for photo in (*review.photos, *after)}
    files = _files(session, desk, assembly_id)
    size_bytes = sum(file.stat().st_size for file in files.values() if isinstance(file, Path))
    too_large = size_bytes > ORIGINALS_AT_MOST_BYTES
    return Evidence(
        shop_order=row.shop_order,
        vehicle=held.vehicle,
        customer_says=held.customer_says,
        circuit_class=CLASS_WORDS[held.circuit_class],
        opened_at=f"{_moment(row.made_at)} by {people[row.made_by]}",
        made_at=_moment(now()),
        made_by=by.name,
        state=STATE_WORDS[standing.state] if standing else "opened",
        photos=_photos(session, assembly_id, files, not too_large, findings, people),
        too_large_bytes=size_bytes if too_large else None,
        places=_places(session, assembly_id, review),
        decision=review.after,
        happened=_happened(session, assembly_id, review, people),
        papers=_papers(session, assembly_id, people),
        versions=_versions(desk, [*review.photos, *after]),
    )


def _moment(moment: Any) -> str:
    return str(moment.strftime("%Y-%m-%d %H:%M UTC"))


def _files(session: Session, desk: Desk, assembly_id: int) -> dict[str, Path | str]:
    """Each photograph's file by its hash, held against it; or what is amiss."""
    found: dict[str, Path | str] = {}
    for row in photographs_of(session, assembly_id):
        try:
            found[row.sha256] = desk.store.checked(row.sha256, row.suffix)
        except (PhotoMissing, PhotoAltered) as error:
            found[row.sha256] = one_line(error)
    return found


def _photos(
    session: Session,
    assembly_id: int,
    files: Mapping[str, Path | str],
    whole: bool,
    findings: Mapping[str, PhotoFindings],
    people: Mapping[int, str],
) -> list[Pictured]:
    found = []
    for number, row in enumerate(photographs_of(session, assembly_id), 1):
        file = files[row.sha256]
        view = view_of(file, whole) if isinstance(file, Path) else View(None, why_not=file)
        found.append(
            Pictured(
                number, _face_words(row), row.name, row.suffix, row.sha256, row.size_bytes, row.width_px,
                row.height_px, row.taken_at, _moment(row.made_at), people[row.made_by], view,
                findings.get(row.sha256),
            )
        )  # fmt: skip
    return found


def _face_words(row: tables.Photograph) -> str:
    return f"{FACE_WORDS[row.face_now]}{'' if row.counts else ', taken back: it does not count'}"


def _places(session: Session, assembly_id: int, review: Reviewed) -> list[Place]:
    """Every place as it stands, with who judged it last."""
    names = {person.login: person.name for person in session.scalars(select(tables.Person))}
    judges = {
        f"{entry.edit.photo}:{entry.edit.region}": names.get(entry.person, entry.person)
        for entry in entries_of(session, assembly_id)
        if entry.edit.kind in ("confirm", "relabel", "add") and getattr(entry.edit, "region", None)
    }
    seen = {f"{p.photo.sha256}:{r.id}": r for p in review.originals for r in p.regions}
    several, judged = len(review.photos) > 1, set(review.judged)
    places = []
    for photo in review.photos:
        for region in photo.regions:
            key = f"{photo.photo.sha256}:{region.id}"
            by = judges.get(key, "a reviewer") if key in judged else None
            places.append(Place(place_name(photo, region.id, several), region, seen.get(key), by))
    return places


def _happened(session: Session, assembly_id: int, review: Reviewed, people: Mapping[int, str]) -> list[Happened]:
    """Entries, sign-offs and what intake put right, in their order; blind second opinions are no part of the decision.

    Photographs keep their names where they were taken back: entries were made on them.
    """
    entries = {entry.id: presented(entry, review) for entry in entries_of(session, assembly_id)}
    names = names_of(review, entries.values(), photograph_numbers(session, assembly_id))
    aside = {item.entry: item for item in review.set_aside}
    row = tables.ReviewEntry
    query = select(row).where(row.assembly_id == assembly_id, row.blind.is_(False), row.kind != PUT_RIGHT)
    found = [(one.at, Happened(_moment(one.at), one.by, one.says)) for one in put_right(session, assembly_id)]
    for one in session.scalars(query.order_by(row.id)):
        if one.kind == SIGN_OFF:
            words = _sign_off_words(one.payload)
        elif one.kind == REOPENED:
            words = f"sent back to review: {one.payload['why']}"
        else:
            words = entry_words(entries[one.id], names, review.treated, entries)
            words += f" ({aside[one.id].words}: {aside[one.id].reason})" if one.id in aside else ""
        found.append((one.made_at, Happened(_moment(one.made_at), people[one.person_id], words)))
    return [happened for _, happened in sorted(found, key=lambda item: item[0])]


def _sign_off_words(signed: Mapping[str, Any]) -> str:
    """The route, and everything that the signer was asked about and let stand."""
    words = [f"signed off: {ROUTE_WORDS[signed['route']]}"]
    if stood := len(signed.get("unlooked", ())):
        words.append(f"{several(stood, 'place')} let stand as the model showed {'it' if stood == 1 else 'them'}")
    if unseen := signed.get("unseen_faces", ()):
        words.append(f"without a photograph of the {' and the '.join(FACE_WORDS[face] for face in unseen)}")
    # rows of before the question was asked have no such list
    words += [f"let stand although a photograph contradicts it: “{line}”" for line in signed.get("contradicted", ())]
    if left := signed.get("still_open", ()):
        worst, lines = ROUTE_WORDS[signed["route_worst"]], ", ".join(f"“{line}”" for line in left)
        words.append(f"open questions let stand, with which it may become {worst} at worst: {lines}")
    return "; ".join(words)


def _papers(session: Session, assembly_id: int, people: Mapping[int, str]) -> list[Happened]:
    rows = papers_of(session, assembly_id, *_KINDS)[::-1]
    numbers = {row.id: row.number for row in rows}
    return [Happened(_moment(row.made_at), people[row.made_by], _paper_words(row, numbers)) for row in rows]


def _paper_words(row: tables.Paper, numbers: Mapping[int, int]) -> str:
    held = row.payload
    if row.kind == ORDER:
        return f"work order {row.number}: {held['order']['work']['says']}"
    if row.kind == QUOTE:
        offers = [f"{o['name']} {o['price']:.2f} {held['currency']}" for o in held["offers"] if o["price"] is not None]
        return f"quote {row.number}: {', '.join(offers)}{' (invented example prices)' if held['invented'] else ''}"
    if row.kind == APPROVAL:
        what = f"agreed to {held['offer']}, {held['price']:.2f} {held['currency']}" if held["offer"] else "declined"
        quote = numbers[held["quote"]]
        return f"{held['approved_by']} {what}, {HOW_WORDS[held['how']]}, {held['approved_on']}, to quote {quote}"
    return f"closing {row.number}: {CLOSING_WORDS[held['outcome']['state']]}"


def _versions(desk: Desk, photos: Sequence[PhotoFindings]) -> dict[str, str]:
    return {
        "loomtriage": metadata.version("loomtriage"),
        "model": ", ".join(sorted({photo.model.version for photo in photos})),
        "features": ", ".join(sorted({photo.model.feature_version for photo in photos})),
        "rules, SHA-256": desk.rules_sha256,
    }
