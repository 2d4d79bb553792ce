"""Reads the review entries of an assembly from the records, as the pure review takes them."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.review.edits import EDIT, Entry
from desk.review.reviewed import Reviewed, reviewed
from models.repair import Answers, Rules
from vision.findings import PhotoFindings

SIGN_OFF = "sign_off"
"""Kind of the review entry that confirms the whole decision; it edits nothing."""


def entries_of(session: Session, assembly_id: int) -> list[Entry]:
    """Every edit on the assembly in its order; second opinions given blind and sign-offs are no edits."""
    row = tables.ReviewEntry
    query = (
        select(row, tables.Person.login)
        .join(tables.Person, tables.Person.id == row.person_id)
        .where(row.assembly_id == assembly_id, row.blind.is_(False), row.kind != SIGN_OFF)
        .order_by(row.id)
    )
    return [
        Entry(
            id=one.id,
            person=login,
            made_at=one.made_at.isoformat(),
            based_on=one.based_on_id,
            edit=EDIT.validate_python(one.payload),
        )
        for one, login in session.execute(query).all()
    ]


def after_review(
    session: Session, assembly_id: int, photos: Sequence[PhotoFindings], answers: Answers, rules: Rules
) -> Reviewed:
    """The findings and the decision as they are after everything that was put on record."""
    return reviewed(photos, entries_of(session, assembly_id), answers, rules)
