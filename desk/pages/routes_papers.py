"""Pages of what follows the work order: quotes, the customer's answer, closing with photographs of the repair."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from desk.evidence import evidence_html, style_source
from desk.pages.access import Visitor, desk_of, require
from desk.pages.refusals import status_of
from desk.pages.render import page
from desk.pages.units import MM_PER_INCH, say_length
from desk.shop import closing, quotes
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.evidence import evidence_of
from desk.shop.people import Account
from desk.shop.sheet import sheet_of

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Anybody = Annotated[Visitor, Depends(require("intake", "reviewer", "analyst"))]
Counter = Annotated[Visitor, Depends(require("intake", "reviewer"))]
Reviewer = Annotated[Visitor, Depends(require("reviewer"))]
Paper = Literal["a4", "letter"]
Text = Annotated[str, Form()]


def printed(name: str, data: bytes) -> Response:
    """A PDF to be looked at in the browser."""
    return Response(data, media_type="application/pdf", headers={"Content-Disposition": f'inline; filename="{name}"'})


@router.post("/assemblies/{assembly_id}/quotes")
def issue_quote(desk: TheDesk, visitor: Counter, assembly_id: int) -> Response:
    with desk.database.write() as session:
        quotes.issue_quote(session, desk, visitor.account, assembly_id)
    return RedirectResponse(f"/assemblies/{assembly_id}#quotes", 303)


@router.get("/quotes/{paper_id}.pdf")
def quote_sheet(desk: TheDesk, visitor: Anybody, paper_id: int, paper: Paper = "a4") -> Response:
    with desk.database.read() as session:
        return printed(*quotes.quote_sheet(session, paper_id, paper))


@router.post("/assemblies/{assembly_id}/approvals")
def approve(
    desk: TheDesk,
    visitor: Counter,
    assembly_id: int,
    quote: Annotated[int, Form()],
    offer: Text = "",
    approved_by: Text = "",
    how: Text = "",
    approved_on: Text = "",
    note: Text = "",
) -> Response:
    form = quotes.ApprovalForm(quote, offer, approved_by, how, approved_on, note)
    with desk.database.write() as session:
        quotes.approve(session, visitor.account, assembly_id, form)
    return RedirectResponse(f"/assemblies/{assembly_id}#quotes", 303)


@router.get("/assemblies/{assembly_id}/closing")
def closing_page(request: Request, desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Response:
    return _closing(request, desk, assembly_id)


def _closing(request: Request, desk: Desk, assembly_id: int, status: int = 200, wrong: str | None = None) -> Response:
    with desk.database.read() as session:
        sheet, work = sheet_of(session, assembly_id), closing.closing_sheet(session, desk, assembly_id)
    numbers = {item.row.sha256: item for item in sheet.photographs}
    return page(request, "closing.html.j2", status=status, sheet=sheet, work=work, shown=numbers, wrong=wrong)


@router.post("/assemblies/{assembly_id}/closing")
async def close(request: Request, desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Response:
    """Fields `joints`, `ruler_checked`, and one for each answer, named `answer|place`."""
    form = await request.form(max_files=0, max_fields=2000)
    given = {name: value for name, value in form.items() if isinstance(value, str)}
    try:
        await run_in_threadpool(_close, desk, visitor.account, assembly_id, given)
    except Invalid as error:
        if error.field != "photographs":
            raise
        return await run_in_threadpool(_closing, request, desk, assembly_id, status_of(error), str(error))
    return RedirectResponse(f"/assemblies/{assembly_id}#closing", 303)


def _close(desk: Desk, who: Account, assembly_id: int, given: dict[str, str]) -> None:
    text = given.get("joints", "").strip()
    if text and not (text.isascii() and text.isdigit() and len(text) < 5):
        raise Invalid("joints", f"joints: expected how many were counted, got {text[:30]!r}: type a number")
    answers = closing.answers_from(given, MM_PER_INCH if who.unit == "in" else 1.0)
    told = closing.Told(int(text) if text else None, given.get("ruler_checked") == "yes", answers)
    with desk.database.write() as session:
        closing.close(session, desk, who, assembly_id, told)


@router.get("/closings/{paper_id}.pdf")
def closing_sheet(desk: TheDesk, visitor: Anybody, paper_id: int, paper: Paper = "a4") -> Response:
    with desk.database.read() as session:
        return printed(*closing.closing_sheet_pdf(session, desk, paper_id, paper))


@router.get("/assemblies/{assembly_id}/evidence")
def evidence(desk: TheDesk, visitor: Anybody, assembly_id: int, save: bool = False) -> Response:
    """One page that holds all it shows; `save` hands it out as a file."""
    return evidence_page(desk, visitor.account, assembly_id, save)


def evidence_page(desk: Desk, by: Account, assembly_id: int, save: bool) -> Response:
    """The evidence file as an answer, let through by its own policy only."""
    with desk.database.read() as session:
        found = evidence_of(session, desk, by, assembly_id)
    policy = f"default-src 'none'; img-src data:; style-src {style_source()}; frame-ancestors 'none'; base-uri 'none'"
    kind = "attachment" if save else "inline"
    name = f"evidence-{assembly_id}.html"
    headers = {"Content-Security-Policy": policy, "Content-Disposition": f'{kind}; filename="{name}"'}
    return HTMLResponse(evidence_html(found, partial(say_length, unit=by.unit), by.unit), headers=headers)
