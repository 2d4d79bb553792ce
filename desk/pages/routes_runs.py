"""Pages of analysts' long work: asked for, on its way with the time left, stopped, and what came of it."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from starlette.responses import RedirectResponse, Response

from desk.learning import runs
from desk.learning.asked import ask_for, asked_of
from desk.learning.choices import TrainingChoices
from desk.learning.run_progress import say_left
from desk.learning.waiting import orders_waiting
from desk.pages.access import Visitor, desk_of, require
from desk.pages.render import page
from desk.shop.assemblies import assembly
from desk.shop.desk import Desk

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Analyst = Annotated[Visitor, Depends(require("analyst"))]
Text = Annotated[str, Form(max_length=20_000)]
_USUAL = TrainingChoices()
_WAITING = 20


@router.post("/learning/snapshots")
def keep(desk: TheDesk, visitor: Analyst) -> Response:
    return _asked(desk, visitor, "keep", {})


@router.post("/learning/retrain")
def retrain(
    desk: TheDesk,
    visitor: Analyst,
    snapshot: Text = "",
    weight: Annotated[float, Form()] = _USUAL.weight,
    scenes: Annotated[int, Form()] = _USUAL.scenes,
    seed: Annotated[int, Form()] = _USUAL.seed,
    keep_out: Text = "",
) -> Response:
    values = {"snapshot": snapshot, "weight": weight, "scenes": scenes, "seed": seed, "keep_out": lines_of(keep_out)}
    return _asked(desk, visitor, "retrain", values)


@router.post("/learning/models/{version}/compare")
def compare(
    desk: TheDesk, visitor: Analyst, version: str, snapshot: Text = "", scenes: Annotated[int, Form()] = 0
) -> Response:
    return _asked(desk, visitor, "compare", {"version": version, "snapshot": snapshot or None, "scenes": scenes})


@router.post("/learning/models/{version}/answer")
def answer(desk: TheDesk, visitor: Analyst, version: str, orders: Text = "") -> Response:
    named = lines_of(orders)
    if not named:
        with desk.database.read() as session:
            named = orders_waiting(session, _WAITING)
    return _asked(desk, visitor, "answer", {"version": version, "orders": named})


@router.post("/assemblies/{assembly_id}/other-model")
def other_model(desk: TheDesk, visitor: Analyst, assembly_id: int, version: Text = "") -> Response:
    with desk.database.read() as session:
        order = assembly(session, assembly_id).shop_order
    return _asked(desk, visitor, "answer", {"version": version, "orders": [order]})


@router.get("/learning/runs/{run_id}")
def run_page(request: Request, desk: TheDesk, visitor: Analyst, run_id: int) -> Response:
    with desk.database.read() as session:
        run = runs.run_of(session, run_id)
    return page(
        request, "run.html.j2", run=run, words=runs.KIND_WORDS[run.kind], say_left=say_left,
        has_workers=desk.has_workers,
    )  # fmt: skip


@router.post("/learning/runs/{run_id}/stop")
def stop(desk: TheDesk, visitor: Analyst, run_id: int) -> Response:
    with desk.database.write() as session:
        runs.stop(session, run_id)
    return RedirectResponse(f"/learning/runs/{run_id}", 303)


def lines_of(text: str) -> list[str]:
    """What was typed, one name a line or parted by commas, each once."""
    return list(dict.fromkeys(part.strip() for part in re.split(r"[\n,;]", text) if part.strip()))


def _asked(desk: Desk, visitor: Visitor, kind: str, values: dict[str, object]) -> Response:
    number = ask_for(desk, visitor.account, asked_of(kind, values))
    return RedirectResponse(f"/learning/runs/{number}", 303)
