"""Pages of the review queue and of the list of all assemblies."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from desk.learning.seen import kept_warning
from desk.learning.shelf import Shelf
from desk.pages.access import Visitor, desk_of, require
from desk.pages.filters import Narrowed, PageNumber
from desk.pages.render import page
from desk.shop import queue
from desk.shop.desk import Desk
from desk.shop.jobs import waiting
from desk.shop.standing import STATE_WORDS, urgency_words

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Anybody = Annotated[Visitor, Depends(require())]
Reader = Annotated[Visitor, Depends(require("reviewer", "analyst"))]


@router.get("/queue")
def queue_page(request: Request, desk: TheDesk, visitor: Reader, number: PageNumber = 1) -> Response:
    with desk.database.read() as session:
        rows, running = queue.review_queue(session, number), waiting(session)
    return page(
        request, "queue.html.j2", rows=rows, running=running, urgency_words=urgency_words,
        drift=kept_warning(Shelf(desk.data)),
    )  # fmt: skip


@router.get("/assemblies")
def list_page(
    request: Request,
    desk: TheDesk,
    visitor: Anybody,
    filters: Narrowed,
    number: PageNumber = 1,
) -> Response:
    with desk.database.read() as session:
        rows = queue.assemblies(session, filters, number)
    given = urlencode({name: value for name, value in vars(filters).items() if value})
    return page(
        request, "list.html.j2", rows=rows, filters=filters, given=given, STATE_WORDS=STATE_WORDS,
        urgency_words=urgency_words,
    )  # fmt: skip
