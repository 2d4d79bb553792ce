"""Issues work orders from reviewed assemblies, and keeps each as it was issued."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy.orm import Session

from desk.errors import DeskError
from desk.order_make import make_order
from desk.order_model import Order
from desk.order_pages import order_pdf
from desk.records import tables
from desk.review.reviewed import Reviewed
from desk.shop.assemblies import assembly, in_turn, newest_intake, photographs_of
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.intake import FACE_WORDS
from desk.shop.order_ahead import MAY_BE_ISSUED, inputs_of, order_ahead
from desk.shop.papers import ORDER, add_paper, paper
from desk.shop.people import Account
from desk.shop.review import review_of, unseen_faces
from desk.shop.standing import newest_findings, newest_word, refresh, signed_off
from vision.findings import PhotoFindings


def issue_order(session: Session, desk: Desk, account: Account, assembly_id: int) -> int:
    """Plan the repair as the review stands and keep the order; its id. Invalid before the sign-off."""
    in_turn(session, assembly_id)  # what the order is made of stays until it is on record
    row = assembly(session, assembly_id)
    state = refresh(session, desk, assembly_id).state
    if state not in MAY_BE_ISSUED:
        raise Invalid("order", "expected a review that is signed off, got one that is not: sign it off, then issue")
    review, held = review_of(session, desk, assembly_id), newest_intake(session, assembly_id)
    assessed, sources = inputs_of(session, desk, assembly_id, review)
    files = files_of(session, desk, assembly_id)
    try:
        order = make_order(assessed, sources, files, answers=review.answers)
    except DeskError as error:
        raise Invalid("order", str(error)) from error
    photos = [photo.model_dump(mode="json", by_alias=True) for photo in review.photos]
    head = {"vehicle": held.vehicle, "received, date": f"{row.made_at:%Y-%m-%d}"}
    unseen = [FACE_WORDS[face] for face in unseen_faces(session, assembly_id, review)]
    order_kept = order.model_dump(mode="json", by_alias=True)
    signed = newest_word(session, assembly_id) if _stands(session, assembly_id) else None
    payload = {
        "order": order_kept, "photos": photos, "head": head, "unseen": unseen,
        "signed_off": {"person": signed.person_id, "date": f"{signed.made_at:%Y-%m-%d}"} if signed else None,
    }  # fmt: skip
    paper_id = add_paper(session, account, assembly_id, ORDER, payload)
    refresh(session, desk, assembly_id)
    return paper_id


def _stands(session: Session, assembly_id: int) -> bool:
    """Whether the newest word is still a sign-off: an assembly that has an order gets another without one."""
    return signed_off(session, assembly_id, newest_findings(session, assembly_id))


def plan_words(session: Session, desk: Desk, assembly_id: int, review: Reviewed) -> str | None:
    """What the order's plan would say of the wires that were measured; None while none were."""
    if not review.notes.wire:
        return None
    try:
        return order_ahead(session, desk, assembly_id, review).work.says
    except DeskError as error:
        return str(error).removeprefix("order: ")


def order_sheet(session: Session, desk: Desk, paper_id: int, paper_size: str = "a4") -> tuple[str, bytes]:
    """An issued order as (file name, PDF): what was decided then, with its photographs."""
    row = paper(session, paper_id, ORDER)
    order = Order.model_validate(row.payload["order"])
    photos = [PhotoFindings.model_validate(one) for one in row.payload["photos"]]
    known = head_of(row) | _signer(session, row)
    return f"order-{row.number}.pdf", order_pdf(
        order, photos, files_of(session, desk, row.assembly_id), paper_size, known, row.payload.get("unseen", ())
    )


def _signer(session: Session, order: tables.Paper) -> dict[str, str]:
    """Who signed the decision off, in the box for it; empty where something was said since, or not kept."""
    signed = order.payload.get("signed_off")
    if not signed:
        return {}
    person = session.get_one(tables.Person, signed["person"])
    return {"decided by, date": f"{person.name or person.login}, {signed['date']}, signed off at the desk"}


def head_of(order: tables.Paper) -> dict[str, str]:
    """What stands in the boxes at the head of an order's sheets, as it was issued; earlier versions kept less."""
    return {"order number": str(order.number), **order.payload.get("head", {})}


def files_of(session: Session, desk: Desk, assembly_id: int) -> dict[str, Path]:
    """Photographs in the store by hash, each held against its hash; one that is missing is named by the store."""
    return {row.sha256: desk.store.checked(row.sha256, row.suffix) for row in photographs_of(session, assembly_id)}
