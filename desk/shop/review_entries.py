"""Reads the review entries of an assembly from the records, as the pure review takes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from desk.records import tables
from desk.review.edits import EDIT, Entry
from desk.review.places import by_hash, by_number
from desk.review.reviewed import Reviewed, reviewed
from models.repair import Answers, Rules
from vision.findings import PhotoFindings

AFTER_REPAIR = "after_repair"
"""The face of photographs that close an order; all others tell the damage."""
OPINION = "opinion"
"""Kind of the row that holds a blind second opinion; it edits nothing."""
SIGN_OFF = "sign_off"
"""Kind of the review entry that confirms the whole decision; it edits nothing."""
REOPENED = "reopened"
"""Kind of the entry that sends a signed-off assembly back to review; it edits nothing."""
PUT_RIGHT = "put_right"
"""Kind of the entry that says what the decision follows from now: intake put something right; it edits nothing."""
NO_EDITS = (SIGN_OFF, REOPENED, PUT_RIGHT)
NO_WORD_ON_PLACES = (OPINION, PUT_RIGHT)
"""Kinds of rows whose writer may still be a second person: neither says what a place is called in the review."""


def entries_of(session: Session, assembly_id: int) -> list[Entry]:
    """Every edit on the assembly in its order; second opinions given blind and sign-offs are no edits."""
    row, files = tables.ReviewEntry, _files(session, assembly_id)
    aside = _not_counting(session, assembly_id)
    query = (
        select(row, tables.Person.login)
        .join(tables.Person, tables.Person.id == row.person_id)
        .where(row.assembly_id == assembly_id, row.blind.is_(False), row.kind.not_in(NO_EDITS))
        .order_by(row.id)
    )
    return [
        Entry(
            id=one.id,
            person=login,
            made_at=one.made_at.isoformat(),
            based_on=one.based_on_id,
            edit=by_number(by_hash(EDIT.validate_python(one.payload), files), aside),
        )
        for one, login in session.execute(query).all()
    ]


def second_opinions(session: Session, assembly_id: int | None = None) -> list[tuple[int, str, dict[str, str]]]:
    """The blind opinions that count, oldest first: assembly, sign-in name, labels by place; None: on all assemblies.

    People are told apart by their account, wherever they signed in from. Who has put anything else on record on the
    same assembly, before the opinion or after it, is no second person there: the opinion stays on record and is held
    against no review, for it would agree with itself. Somebody with two accounts is two people to the desk.
    """
    row, other = tables.ReviewEntry, aliased(tables.ReviewEntry)
    more = select(other.id).where(
        other.assembly_id == row.assembly_id,
        other.person_id == row.person_id,
        other.kind.not_in(NO_WORD_ON_PLACES),
    )
    query = (
        select(row.assembly_id, tables.Person.login, row.payload)
        .join(tables.Person, tables.Person.id == row.person_id)
        .where(row.kind == OPINION, ~more.exists())
        .order_by(row.id)
    )
    if assembly_id is not None:
        query = query.where(row.assembly_id == assembly_id)
    return [(one, login, payload["labels"]) for one, login, payload in session.execute(query).all()]


def _files(session: Session, assembly_id: int) -> dict[str, str]:
    """Photographs by file name: the first version kept answers under it. Names that two of them have are left out."""
    photograph = tables.Photograph
    rows = session.execute(
        select(photograph.name, photograph.sha256).where(photograph.assembly_id == assembly_id)
    ).all()
    count = Counter(row.name for row in rows)
    return {row.name: row.sha256 for row in rows if count[row.name] == 1}


def _not_counting(session: Session, assembly_id: int) -> dict[str, int]:
    """Numbers of the photographs that the decision does not follow from, by hash."""
    photograph = tables.Photograph
    rows = session.execute(
        select(photograph.sha256, photograph.counts, photograph.face_now)
        .where(photograph.assembly_id == assembly_id)
        .order_by(photograph.id)
    ).all()
    return {row.sha256: number for number, row in enumerate(rows, 1) if not row.counts or row.face_now == AFTER_REPAIR}


def after_review(
    session: Session, assembly_id: int, photos: Sequence[PhotoFindings], answers: Answers, rules: Rules
) -> Reviewed:
    """The findings and the decision as they are after everything that was put on record."""
    return reviewed(photos, entries_of(session, assembly_id), answers, rules)
