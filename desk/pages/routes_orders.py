"""Issuing a work order from a reviewed assembly, and its PDF."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends
from starlette.responses import RedirectResponse, Response

from desk.pages.access import Visitor, desk_of, require
from desk.shop.desk import Desk
from desk.shop.orders import issue_order, order_sheet

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]


@router.post("/assemblies/{assembly_id}/orders")
def issue(desk: TheDesk, visitor: Annotated[Visitor, Depends(require("reviewer"))], assembly_id: int) -> Response:
    with desk.database.write() as session:
        issue_order(session, desk, visitor.account, assembly_id)
    return RedirectResponse(f"/assemblies/{assembly_id}#orders", 303)


@router.get("/orders/{paper_id}.pdf")
def sheet(
    desk: TheDesk,
    visitor: Annotated[Visitor, Depends(require("intake", "reviewer", "analyst"))],
    paper_id: int,
    paper: Literal["a4", "letter"] = "a4",
) -> Response:
    with desk.database.read() as session:
        name, data = order_sheet(session, desk, paper_id, paper)
    return Response(data, media_type="application/pdf", headers={"Content-Disposition": f'inline; filename="{name}"'})
