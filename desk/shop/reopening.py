"""Sends a signed-off assembly back to review, with the reason on record."""

from __future__ import annotations

from sqlalchemy.orm import Session

from desk.records import tables
from desk.shop.assemblies import in_turn
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.people import Account
from desk.shop.review_entries import REOPENED
from desk.shop.standing import newest_findings, refresh


def send_back(session: Session, desk: Desk, account: Account, assembly_id: int, why: str) -> int:
    """Keep the entry and make the assembly wait for a reviewer; Invalid where it is not signed off, or without why."""
    in_turn(session, assembly_id)
    if not why.strip():
        raise Invalid("why", "expected why it is to be looked at again, got nothing: write a word")
    row = session.get(tables.Standing, assembly_id)
    if row is None or row.state != "reviewed":
        raise Invalid("assembly", "expected a signed-off assembly without an order, got another: open its page")
    models = ", ".join(sorted({photo.model.version for photo in newest_findings(session, assembly_id).photos}))
    entry = tables.ReviewEntry(
        assembly_id=assembly_id, kind=REOPENED, payload={"why": why.strip()[:2000]}, person_id=account.id,
        model_version=models[:80], rules_sha256=desk.rules_sha256,
    )  # fmt: skip
    session.add(entry)
    session.flush()
    refresh(session, desk, assembly_id)
    return entry.id
