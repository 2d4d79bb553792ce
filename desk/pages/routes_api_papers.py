"""The JSON API, continued: work orders, quotes, the customer's answer, closing, their PDFs, the evidence file."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field
from starlette.responses import Response

from desk.pages.access import Visitor, desk_of, require
from desk.pages.routes_papers import evidence_page, printed
from desk.shop import closing, quotes
from desk.shop.assemblies import assembly
from desk.shop.desk import Desk
from desk.shop.orders import issue_order, order_sheet
from desk.shop.papers import APPROVAL, CLOSING, NOT_CLOSED, ORDER, QUOTE, papers_of
from models.repair import Answers
from models.repair.after import Closing

router = APIRouter(prefix="/api/v1", tags=["papers"])
TheDesk = Annotated[Desk, Depends(desk_of)]
Anybody = Annotated[Visitor, Depends(require("intake", "reviewer", "analyst"))]
Counter = Annotated[Visitor, Depends(require("intake", "reviewer"))]
Reviewer = Annotated[Visitor, Depends(require("reviewer"))]
Paper = Literal["a4", "letter"]
_PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}
}
_HTML: dict[int | str, dict[str, Any]] = {200: {"content": {"text/html": {"schema": {"type": "string"}}}}}


class Numbered(BaseModel):
    """The id of a paper that was put on record."""

    id: int


class PaperState(BaseModel):
    """A paper as it was put on record. `kind`: order, quote, approval, closing or not_closed; `number`: among its kind,
    as it is printed (addresses and `follows` go by `id`).
    """

    id: int
    number: int
    kind: str
    follows: int | None
    made_at: datetime
    content: dict[str, Any]


class NewApproval(BaseModel):
    """The customer's answer to a quote; `offer` is the name of one of its ways, or `declined`."""

    quote: int
    offer: str
    approved_by: str
    how: str
    approved_on: str
    note: str = ""


class NewClosing(BaseModel):
    """What was found at the bench beside the photographs of the finished repair."""

    joints_counted: Annotated[int, Field(ge=0, le=9999)] | None = None
    ruler_checked: bool = False
    answers: Answers = Field(default_factory=Answers)


class NotCounted(BaseModel):
    """A photograph sent as after the repair that came before the order or was taken back, by its number, and why it
    does not count."""

    number: int
    photograph_id: int
    sha256: str
    name: str
    why: str


class ClosingState(BaseModel):
    """What closing would come to now: `photos` (by hash) are held against the order, `running` are to be assessed."""

    order: int
    photos: list[str]
    not_counted: list[NotCounted]
    running: int
    outcome: Closing | None


class Closed(BaseModel):
    """The paper's id, and what the check came to."""

    id: int
    outcome: Closing


@router.get("/assemblies/{assembly_id}/papers")
def papers(desk: TheDesk, visitor: Anybody, assembly_id: int) -> list[PaperState]:
    """All papers of an assembly, the newest first."""
    with desk.database.read() as session:
        assembly(session, assembly_id)
        rows = papers_of(session, assembly_id, ORDER, QUOTE, APPROVAL, CLOSING, NOT_CLOSED)
    return [
        PaperState(
            id=row.id,
            number=row.number,
            kind=row.kind,
            follows=row.follows_id,
            made_at=row.made_at,
            content=row.payload,
        )
        for row in rows
    ]


@router.post("/assemblies/{assembly_id}/orders", status_code=201)
def order(desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Numbered:
    """Issue the work order of a review that is signed off."""
    with desk.database.write() as session:
        return Numbered(id=issue_order(session, desk, visitor.account, assembly_id))


@router.post("/assemblies/{assembly_id}/quotes", status_code=201)
def quote(desk: TheDesk, visitor: Counter, assembly_id: int) -> Numbered:
    """Make the quote of the newest work order."""
    with desk.database.write() as session:
        return Numbered(id=quotes.issue_quote(session, desk, visitor.account, assembly_id))


@router.post("/assemblies/{assembly_id}/approvals", status_code=201)
def approval(desk: TheDesk, visitor: Counter, assembly_id: int, body: NewApproval) -> Numbered:
    """Put the customer's answer to the newest quote on record."""
    with desk.database.write() as session:
        form = quotes.ApprovalForm(**body.model_dump())
        return Numbered(id=quotes.approve(session, visitor.account, assembly_id, form))


@router.post("/assemblies/{assembly_id}/closing", status_code=201)
def close(desk: TheDesk, visitor: Reviewer, assembly_id: int, body: NewClosing) -> Closed:
    """Hold the photographs of the finished repair against the newest work order; the outcome is kept either way."""
    told = closing.Told(body.joints_counted, body.ruler_checked, body.answers)
    with desk.database.write() as session:
        paper_id, outcome = closing.close(session, desk, visitor.account, assembly_id, told)
    return Closed(id=paper_id, outcome=outcome)


@router.get("/assemblies/{assembly_id}/closing")
def closing_state(desk: TheDesk, visitor: Reviewer, assembly_id: int) -> ClosingState:
    """What the photographs of the finished repair prove so far, and which do not count."""
    with desk.database.read() as session:
        found = closing.closing_sheet(session, desk, assembly_id)
    return ClosingState(
        order=found.order_id, photos=[photo.photo.sha256 for photo in found.photos],
        not_counted=[NotCounted(**vars(one)) for one in found.not_counted],
        running=found.running, outcome=found.outcome,
    )  # fmt: skip


@router.get("/orders/{paper_id}.pdf", response_class=Response, responses=_PDF)
def order_file(desk: TheDesk, visitor: Anybody, paper_id: int, paper: Paper = "a4") -> Response:
    """A work order as it was issued."""
    with desk.database.read() as session:
        return printed(*order_sheet(session, desk, paper_id, paper))


@router.get("/quotes/{paper_id}.pdf", response_class=Response, responses=_PDF)
def quote_file(desk: TheDesk, visitor: Anybody, paper_id: int, paper: Paper = "a4") -> Response:
    """A quote as it was made."""
    with desk.database.read() as session:
        return printed(*quotes.quote_sheet(session, paper_id, paper))


@router.get("/closings/{paper_id}.pdf", response_class=Response, responses=_PDF)
def closing_file(desk: TheDesk, visitor: Anybody, paper_id: int, paper: Paper = "a4") -> Response:
    """A closing, or an attempt that did not close."""
    with desk.database.read() as session:
        return printed(*closing.closing_sheet_pdf(session, desk, paper_id, paper))


@router.get("/assemblies/{assembly_id}/evidence", response_class=Response, responses=_HTML)
def evidence_file(desk: TheDesk, visitor: Anybody, assembly_id: int) -> Response:
    """The evidence file: one page that holds all it shows, the original photographs too."""
    return evidence_page(desk, visitor.account, assembly_id, save=True)
