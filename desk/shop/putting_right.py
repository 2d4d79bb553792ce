"""Puts right what was sent or said at intake, on record: a photograph's face, one taken back, what was said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from desk.records import tables
from desk.records.errors import NotFound
from desk.shop.assemblies import (
    CLASS_WORDS,
    IntakeForm,
    correct_intake,
    in_turn,
    newest_intake,
    one_line,
    photograph_numbers,
)
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.intake import FACE_WORDS, FACES
from desk.shop.papers import CLOSING, ORDER, papers_of
from desk.shop.people import Account
from desk.shop.review_entries import AFTER_REPAIR, PUT_RIGHT
from desk.shop.standing import newest_findings, refresh, signed_off

_LONGEST_WHY = 200


@dataclass(frozen=True)
class PutRight:
    """Something put right at intake: when, by whom, and what in words."""

    at: datetime
    by: str
    says: str


def change_face(session: Session, desk: Desk, by: Account, assembly_id: int, photograph_id: int, face: str) -> None:
    """Let a photograph stand under another face; nothing is put on record where it stands there already."""
    if face not in FACES:
        raise Invalid("face", f"face: expected {', '.join(FACES)}, got {face[:30]!r}")
    row = _to_change(session, assembly_id, photograph_id)
    if not row.counts:
        raise Invalid("face", "face: expected a photograph that counts, got one taken back: put it back first")
    if row.face_now != face:
        _change(session, desk, by, row, face, True, "")


def take_back(session: Session, desk: Desk, by: Account, assembly_id: int, photograph_id: int, why: str) -> None:
    """Let a photograph count no longer; it stays on record with the reason, and can be put back."""
    row = _to_change(session, assembly_id, photograph_id)
    if not row.counts:
        raise Invalid("photograph", "expected a photograph that counts, got one taken back already: reload the page")
    reason = one_line("why", "why it is taken back", why, _LONGEST_WHY)
    _change(session, desk, by, row, row.face_now, False, reason)


def put_back(session: Session, desk: Desk, by: Account, assembly_id: int, photograph_id: int) -> None:
    """Let a photograph that was taken back count again, under the face it had."""
    row = _to_change(session, assembly_id, photograph_id)
    if row.counts:
        raise Invalid("photograph", "expected a photograph that was taken back, got one that counts: reload the page")
    _change(session, desk, by, row, row.face_now, True, "")


def correct(session: Session, desk: Desk, by: Account, assembly_id: int, form: IntakeForm, based_on: int) -> None:
    """Correct an intake. Where the decision or its order follows from what changed, that is an entry of the review: a
    sign-off given before stands no longer, and one by somebody who has not seen it is refused. Of a closed assembly
    nothing follows any more."""
    in_turn(session, assembly_id)
    before, assessed = newest_intake(session, assembly_id), newest_findings(session, assembly_id)
    signed = signed_off(session, assembly_id, assessed)
    correct_intake(session, by, assembly_id, form, based_on)
    after = newest_intake(session, assembly_id)
    decides = _decides(before) != _decides(after) and not papers_of(session, assembly_id, CLOSING)
    if assessed.photos and decides:
        _entry(session, desk, by, assembly_id, {"intake": after.id, "reopens": signed})
    refresh(session, desk, assembly_id)


def stay_as_they_are(session: Session, assembly_id: int) -> dict[str, str]:
    """Why photographs cannot be changed any more, by their hash: papers that were issued stand on them."""
    rows = select(tables.Photograph.sha256).where(tables.Photograph.assembly_id == assembly_id)
    if papers_of(session, assembly_id, CLOSING):
        return dict.fromkeys(session.scalars(rows), "the assembly is closed")
    return {
        photo["photo"]["sha256"]: f"work order {order.number} was issued on it"
        for order in papers_of(session, assembly_id, ORDER)
        for photo in order.payload["photos"]
    }


def put_right(session: Session, assembly_id: int) -> list[PutRight]:
    """Everything that was put right of an assembly's intake and its photographs, oldest first."""
    names = {one.id: one.name for one in session.scalars(select(tables.Person))}
    change, photograph, intake = tables.PhotographChange, tables.Photograph, tables.Intake
    numbers = photograph_numbers(session, assembly_id)
    changes = session.execute(
        select(change, photograph.sha256)
        .join(photograph, photograph.id == change.photograph_id)
        .where(photograph.assembly_id == assembly_id)
        .order_by(change.id)
    ).all()
    found = [
        PutRight(row.made_at, names[row.made_by], f"photo {numbers[sha]} {_change_words(row)}") for row, sha in changes
    ]
    entry = tables.ReviewEntry
    kept = session.scalars(select(entry.payload).where(entry.assembly_id == assembly_id, entry.kind == PUT_RIGHT))
    reopening = {payload.get("intake") for payload in kept if payload.get("reopens")}
    query = select(intake).where(intake.assembly_id == assembly_id).order_by(intake.id)
    for before, after in pairwise(session.scalars(query.options(undefer(intake.circuit_list))).all()):
        if words := _intake_words(before, after):
            found.append(PutRight(after.made_at, names[after.made_by], _said(words, after.id in reopening)))
    return sorted(found, key=lambda one: one.at)


def _to_change(session: Session, assembly_id: int, photograph_id: int) -> tables.Photograph:
    """The photograph's row, while nobody else changes the assembly; refused where papers stand on it."""
    in_turn(session, assembly_id)
    row = session.get(tables.Photograph, photograph_id) if 0 < photograph_id < 2**31 else None
    if row is None or row.assembly_id != assembly_id:
        raise NotFound(f"expected a photograph of this assembly, got number {photograph_id}: reload the page")
    why = stay_as_they_are(session, assembly_id).get(row.sha256)
    if why:
        number = photograph_numbers(session, assembly_id)[row.sha256]
        raise Invalid("photograph", f"expected a photograph that may still be changed, got photo {number}: {why}")
    return row


def _change(
    session: Session, desk: Desk, by: Account, row: tables.Photograph, face: str, counts: bool, why: str
) -> None:
    """Put the change on record. One that the decision follows from is an entry of the review, too: a sign-off that was
    given before stands no longer, and one by somebody who has not seen it is refused."""
    assembly_id, was = row.assembly_id, row.face_now
    decides = not was == face == AFTER_REPAIR
    signed = decides and signed_off(session, assembly_id, newest_findings(session, assembly_id))
    change = tables.PhotographChange(
        photograph_id=row.id, was=was, face=face, counts=counts, why=why, reopens=signed, made_by=by.id
    )
    session.add(change)
    session.flush()
    if decides:
        _entry(session, desk, by, assembly_id, {"change": change.id})
    session.expire(row)  # its face and whether it counts are read from the changes
    refresh(session, desk, assembly_id)


def _entry(session: Session, desk: Desk, by: Account, assembly_id: int, payload: Mapping[str, object]) -> None:
    models = ", ".join(sorted({photo.model.version for photo in newest_findings(session, assembly_id).photos}))
    row = tables.ReviewEntry(
        assembly_id=assembly_id, kind=PUT_RIGHT, payload=dict(payload), person_id=by.id, model_version=models[:80],
        rules_sha256=desk.rules_sha256,
    )  # fmt: skip
    session.add(row)
    session.flush()


def _change_words(row: tables.PhotographChange) -> str:
    if row.was != row.face:
        says = f"is the {FACE_WORDS[row.face]} (was: {FACE_WORDS[row.was]})"
    else:
        says = "put back" if row.counts else f"taken back: {row.why}"
    return _said(says, row.reopens)


def _said(words: str, reopens: bool) -> str:
    return f"{words}; the signed-off decision went back to review" if reopens else words


def _decides(row: tables.Intake) -> tuple[object, ...]:
    """What of an intake the decision and its order follow from."""
    return row.circuit_class, row.vehicle_key, row.circuit_list


def _intake_words(before: tables.Intake, after: tables.Intake) -> str:
    """What a correction changed, in words; empty where it changed nothing."""
    pairs = (
        ("shop order", before.shop_order, after.shop_order),
        ("vehicle", before.vehicle, after.vehicle),
        ("circuits", CLASS_WORDS[before.circuit_class], CLASS_WORDS[after.circuit_class]),
        ("what the customer says", before.customer_says, after.customer_says),
        ("mats", before.mats, after.mats),
        ("circuit list", before.circuit_list_name or "none", after.circuit_list_name or "none"),
    )
    says = [f"{name} {now or 'nothing'} (was: {was or 'nothing'})" for name, was, now in pairs if was != now]
    if before.circuit_list != after.circuit_list and before.circuit_list_name == after.circuit_list_name:
        says.append("circuit list: another file of the same name")
    return f"intake corrected: {'; '.join(says)}" if says else ""
