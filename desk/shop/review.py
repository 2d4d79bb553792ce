"""Puts review entries on record: each says who, when, on what it was based, and with which model and rules."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.columns import now
from desk.review.edits import Edit, EditError, Entry
from desk.review.history import waiting
from desk.review.reviewed import Reviewed, fits
from desk.shop.assemblies import assembly
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.people import Account
from desk.shop.review_entries import SIGN_OFF, after_review, entries_of
from desk.shop.standing import intake_answers, newest_findings, refresh


@dataclass(frozen=True)
class OnRecord:
    """What became of an entry: its number, whether it waits to be settled, and the review with it."""

    id: int
    conflicting: bool
    review: Reviewed


def review_of(session: Session, desk: Desk, assembly_id: int) -> Reviewed:
    """The review as it stands; Invalid while no photograph is assessed."""
    assembly(session, assembly_id)
    photos = newest_findings(session, assembly_id).photos
    if not photos:
        raise Invalid("photographs", "expected an assessed photograph to review, got none yet: wait, or photograph it")
    return after_review(session, assembly_id, photos, intake_answers(session, assembly_id, photos), desk.rules)


def newest_entry(session: Session, assembly_id: int) -> int | None:
    """Number of the newest entry that is no blind opinion: what a page shows that it has seen."""
    row = tables.ReviewEntry
    return session.scalar(select(func.max(row.id)).where(row.assembly_id == assembly_id, row.blind.is_(False)))


def put_on_record(
    session: Session, desk: Desk, account: Account, assembly_id: int, edit: Edit, based_on: int | None
) -> OnRecord:
    """Keep an edit. `based_on`: the newest entry its writer had seen.

    One that does not fit is refused (Invalid). One that fits, but was written without knowledge of somebody else's
    newest entry, is kept and waits to be settled.
    """
    photos = newest_findings(session, assembly_id).photos
    _known(session, assembly_id, based_on)
    entries, answers = entries_of(session, assembly_id), intake_answers(session, assembly_id, photos)
    number = (session.scalar(select(func.max(tables.ReviewEntry.id))) or 0) + 1
    new = Entry(
        id=number, person=account.login, made_at=now().isoformat(), based_on=based_on, edit=edit
    )  # the records give the number; this one orders it behind all others
    doubtful = number in waiting([*entries, new])
    try:
        if not doubtful:
            fits(photos, entries, answers, desk.rules, new)
    except EditError as error:
        raise Invalid(edit.kind, str(error)) from error
    row = _row(session, desk, account, assembly_id, edit.kind, edit.model_dump(mode="json", exclude_defaults=False))
    row.based_on_id, row.conflicting = based_on, doubtful
    session.flush()
    refresh(session, desk, assembly_id)
    return OnRecord(row.id, doubtful, review_of(session, desk, assembly_id))


def sign_off(session: Session, desk: Desk, account: Account, assembly_id: int, based_on: int | None) -> int:
    """Confirm the whole decision as it stands; Invalid while a conflict waits or something newer was not seen."""
    review = review_of(session, desk, assembly_id)
    if review.conflicts:
        raise Invalid(
            "sign_off", "expected no entry in conflict, got one: settle it first, with both versions before you"
        )
    if based_on != newest_entry(session, assembly_id):
        raise Invalid("sign_off", "expected a decision you have seen, got a newer one: reload the page and look again")
    decided: dict[str, object] = {"route": review.after.route, "route_worst": review.after.route_worst}
    row = _row(session, desk, account, assembly_id, SIGN_OFF, decided)
    row.based_on_id = based_on
    session.flush()
    refresh(session, desk, assembly_id)
    return row.id


def _known(session: Session, assembly_id: int, based_on: int | None) -> None:
    if based_on is None:
        return
    row = session.get(tables.ReviewEntry, based_on)
    if row is None or row.assembly_id != assembly_id:
        raise Invalid("based_on", f"expected an entry of this assembly, got number {based_on}: reload the page")


def _row(
    session: Session, desk: Desk, account: Account, assembly_id: int, kind: str, payload: dict[str, object]
) -> tables.ReviewEntry:
    photos = newest_findings(session, assembly_id).photos
    models = ", ".join(sorted({photo.model.version for photo in photos}))
    row = tables.ReviewEntry(
        assembly_id=assembly_id, kind=kind, payload=payload, person_id=account.id, model_version=models[:80],
        rules_sha256=desk.rules_sha256,
    )  # fmt: skip
    session.add(row)
    return row
