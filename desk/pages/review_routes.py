"""The review page and its part of the JSON API: what stands, a new entry, the sign-off."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel, Field
from sqlalchemy.orm import Session
from starlette.responses import Response

from desk.pages.access import Visitor, desk_of, require
from desk.pages.render import page
from desk.pages.review_state import state
from desk.review.edits import Edit, Withdraw
from desk.shop import order_ahead as ahead
from desk.shop import review
from desk.shop.assemblies import photographs_of
from desk.shop.desk import Desk
from desk.shop.errors import NotAllowed
from desk.shop.intake import FACE_WORDS
from desk.shop.orders import plan_words
from desk.shop.people import Account
from desk.shop.review_entries import entries_of
from desk.shop.sheet import sheet_of
from desk.wording import say_places
from models.repair.pins import ends_of_list

router = APIRouter()
TheDesk = Annotated[Desk, Depends(desk_of)]
Reviewer = Annotated[Visitor, Depends(require("reviewer"))]


class NewEntry(BaseModel):
    """An edit and the newest entry that its writer had seen, null before the first."""

    based_on: int | None = None
    edit: Edit


class SignOff(BaseModel):
    """The newest entry that the signer had seen; `unlooked`: places let stand though nobody judged them; `despite`:
    answers let stand though the photographs contradict them, as the decision's `contradicted` says them, and open
    questions let stand that may still worsen the route, as `still_open` says them."""

    based_on: int | None = None
    unlooked: Annotated[list[Annotated[str, Field(max_length=120)]], Field(max_length=2000)] = []
    despite: Annotated[list[Annotated[str, Field(max_length=2000)]], Field(max_length=2000)] = []


class OrderAhead(BaseModel):
    """A work order that is not issued yet. `says`: the line its sheets would begin with; `left_open`: what a sign-off
    leaves open for it, in a line, empty where that is nothing; `asks`: its open questions, in words."""

    provisional: bool
    says: str
    left_open: str
    asks: list[str]


@router.get("/assemblies/{assembly_id}/review", include_in_schema=False)
def review_page(request: Request, desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Response:
    with desk.database.read() as session:
        sheet = sheet_of(session, assembly_id)
        found = review.review_of(session, desk, assembly_id)  # says what is missing
        unseen = review.unseen_faces(session, assembly_id, found)
    return page(request, "review.html.j2", sheet=sheet, unseen_faces=unseen, FACE_WORDS=FACE_WORDS)


@router.get("/api/v1/assemblies/{assembly_id}/review", tags=["review"])
def review_state(desk: TheDesk, visitor: Reviewer, assembly_id: int) -> dict[str, Any]:
    """The review as it stands: places, questions, decision, history."""
    with desk.database.read() as session:
        return _state(session, desk, visitor.account, assembly_id)


@router.get("/api/v1/assemblies/{assembly_id}/review/order", tags=["review"])
def order_ahead(desk: TheDesk, visitor: Reviewer, assembly_id: int) -> OrderAhead:
    """How the work order would stand if the review were signed off now. Asked for apart: its plan may take seconds."""
    with desk.database.read() as session:
        order = ahead.order_ahead(session, desk, assembly_id, review.review_of(session, desk, assembly_id))
    return OrderAhead(
        provisional=order.provisional,
        says=order.says_state(),
        left_open=ahead.left_open(order),
        asks=[say_places(question.ask) for question in order.asks()],
    )


@router.post("/api/v1/assemblies/{assembly_id}/review/entries", tags=["review"], status_code=201)
def new_entry(desk: TheDesk, visitor: Reviewer, assembly_id: int, given: NewEntry) -> dict[str, Any]:
    """Put an edit on record; the review with it. `conflicting`: it was kept and waits to be settled."""
    with desk.database.write() as session:
        if isinstance(given.edit, Withdraw):
            _own(session, assembly_id, given.edit.entry, visitor.account)
        done = review.put_on_record(session, desk, visitor.account, assembly_id, given.edit, given.based_on)
        found = _state(session, desk, visitor.account, assembly_id)
    return found | {"entry": done.id, "conflicting": done.conflicting}


@router.post("/api/v1/assemblies/{assembly_id}/review/sign-off", tags=["review"], status_code=201)
def sign_off(desk: TheDesk, visitor: Reviewer, assembly_id: int, given: SignOff) -> dict[str, Any]:
    """Confirm the whole decision as it is shown; places that nobody judged are named in `unlooked`, answers that the
    photographs contradict and questions that may still worsen the route in `despite`."""
    with desk.database.write() as session:
        signed = review.sign_off(
            session, desk, visitor.account, assembly_id, given.based_on, given.unlooked, given.despite
        )
    return {"entry": signed}


def _own(session: Session, assembly_id: int, number: int, who: Account) -> None:
    for entry in entries_of(session, assembly_id):
        if entry.id == number and entry.person != who.login:
            raise NotAllowed("expected an entry of your own to take back, got somebody else's: correct it by a new one")


def _state(session: Session, desk: Desk, who: Account, assembly_id: int) -> dict[str, Any]:
    found = review.review_of(session, desk, assembly_id)
    pictures = {
        row.sha256: {"id": row.id, "number": number, "file": row.name, "face": FACE_WORDS[row.face_now]}
        for number, row in enumerate(photographs_of(session, assembly_id), 1)
    }
    entries, newest = entries_of(session, assembly_id), review.newest_entry(session, assembly_id)
    plan = plan_words(session, desk, assembly_id, found)
    listed = ends_of_list(ahead.circuits_of(session, assembly_id))
    shown = state(found, entries, newest, who.login, desk.rules, who.unit, pictures, plan, listed)
    return shown | {"still_open": review.still_open_words(found, desk.rules)}
