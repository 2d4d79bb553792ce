"""Pages of the blind second opinion, and of how far people agree with each other and with the model."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from desk.overlay import path_of
from desk.pages.access import Visitor, desk_of, require
from desk.pages.render import page
from desk.shop import opinions
from desk.shop.assemblies import assembly, photographs_of
from desk.shop.desk import Desk
from desk.shop.people import Account

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Reviewer = Annotated[Visitor, Depends(require("reviewer"))]
Reader = Annotated[Visitor, Depends(require("reviewer", "analyst"))]


@router.get("/agreement")
def agreement_page(request: Request, desk: TheDesk, visitor: Reader) -> Response:
    with desk.database.read() as session:
        found = opinions.agreements(session, desk, visitor.account)
    return page(request, "agreement.html.j2", found=found)


@router.get("/assemblies/{assembly_id}/opinion")
def opinion_page(request: Request, desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Response:
    with desk.database.read() as session:
        row = assembly(session, assembly_id)
        photos = opinions.photographs_for(session, assembly_id, visitor.account)
        ids = {one.sha256: one.id for one in photographs_of(session, assembly_id)}
    return page(request, "opinion.html.j2", assembly=row, photos=photos, ids=ids, path_of=path_of)


@router.post("/assemblies/{assembly_id}/opinion")
async def give_opinion(request: Request, desk: TheDesk, visitor: Reviewer, assembly_id: int) -> Response:
    """One field for each place, named `photo:region`."""
    form = await request.form(max_files=0, max_fields=2000)
    given = {name: value for name, value in form.items() if isinstance(value, str)}
    await run_in_threadpool(_keep, desk, visitor.account, assembly_id, given)
    return RedirectResponse("/agreement", 303)


def _keep(desk: Desk, who: Account, assembly_id: int, given: dict[str, str]) -> None:
    with desk.database.write() as session:
        opinions.give(session, desk, who, assembly_id, given)
