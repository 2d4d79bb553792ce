"""The analyst's pages: the corrected set, models and their cards, doubtful labels, what to confirm next, drift."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Request, UploadFile
from starlette.responses import FileResponse, RedirectResponse, Response

from desk.errors import DeskError
from desk.learning import model_shelf
from desk.learning.choices import TrainingChoices
from desk.learning.comparison import MEANINGS, PROMOTION, USUAL_SCENES
from desk.learning.corrected import Snapshot
from desk.learning.differing import picture_file
from desk.learning.doubts import agreed, newest_doubts
from desk.learning.drift import ALPHA, MOVED_SD
from desk.learning.model_text import CURVE_CAUTION, ROWS, say_false, say_span, say_verdict
from desk.learning.own_labels import (
    GOOD_ASSEMBLIES,
    LEAST_ASSEMBLIES,
    OLD_ANSWERS,
    LabelRefused,
    add_label,
    labels_shown,
    remove_label,
    say_progress,
)
from desk.learning.page_values import (
    card_json,
    doubts_shown,
    drift_shown,
    examples_shown,
    model_card,
    overview,
)
from desk.learning.runs import KIND_WORDS, newest_runs
from desk.learning.seen import kept_warning
from desk.learning.shelf import Shelf, as_file, find_snapshot, kept_snapshots
from desk.learning.take import absent_photographs, bring_in
from desk.learning.text import CEILING, WEAK_MODEL, say_doubt_stands, say_untold
from desk.learning.waiting import to_confirm_first
from desk.pages.access import Visitor, desk_of, require
from desk.pages.learning_charts import calibration, drift_charts, importance, label_mix, learning_curve
from desk.pages.render import page
from desk.shop.desk import Desk
from desk.shop.reopening import send_back

router = APIRouter(include_in_schema=False)
TheDesk = Annotated[Desk, Depends(desk_of)]
Analyst = Annotated[Visitor, Depends(require("analyst"))]
Text = Annotated[str, Form(max_length=2000)]
Number = Annotated[int, Form(ge=0, le=2**53)]
_FIRST = 8


@router.get("/learning")
def learning_page(request: Request, desk: TheDesk, visitor: Analyst) -> Response:
    return _first_page(request, desk)


def _first_page(request: Request, desk: Desk, wrong: str | None = None, typed: str = "") -> Response:
    """The page; `wrong`: why the label `typed` there was not added, said beside its field."""
    shelf = Shelf(desk.data)
    found = overview(shelf)
    with desk.database.read() as session:
        first, work = to_confirm_first(session, _FIRST), newest_runs(session)
        own = labels_shown(session, desk)
    newest = found.snapshots[0] if found.snapshots else None
    return page(
        request, "learning.html.j2", status=400 if wrong else 200, wrong=wrong, typed=typed, found=found,
        newest=newest, agreed=agreed(newest) if newest else None,
        first=first, drift=kept_warning(shelf), doubts=len(newest_doubts(shelf)[1]), say_verdict=say_verdict, work=work,
        absent=absent_photographs(shelf, found.snapshots), usual=TrainingChoices(), KIND_WORDS=KIND_WORDS,
        has_workers=desk.has_workers, ceiling=CEILING, own=own, say_progress=say_progress, OLD_ANSWERS=OLD_ANSWERS,
        least=LEAST_ASSEMBLIES, good=GOOD_ASSEMBLIES,
    )  # fmt: skip


@router.post("/learning/labels")
def new_label(request: Request, desk: TheDesk, visitor: Analyst, label: Text = "") -> Response:
    try:
        add_label(desk, visitor.account.login, label)
    except LabelRefused as error:
        return _first_page(request, desk, str(error), label)
    return RedirectResponse("/learning#own", 303)


@router.post("/learning/labels/{label}/remove")
def no_label(desk: TheDesk, visitor: Analyst, label: str) -> Response:
    remove_label(desk, visitor.account.login, label)
    return RedirectResponse("/learning#own", 303)


@router.post("/learning/snapshots/import")
def bring_snapshot(desk: TheDesk, visitor: Analyst, file: UploadFile | None = None) -> Response:
    if file is None or not file.filename:
        raise DeskError("expected the file of an exported corrected set, got none: choose one")
    bring_in(Shelf(desk.data), file.file.read(), file.filename)
    return RedirectResponse("/learning#corrected", 303)


@router.get("/learning/snapshots/{snapshot}.json")
def snapshot_file(desk: TheDesk, visitor: Analyst, snapshot: str) -> Response:
    found = find_snapshot(Shelf(desk.data), snapshot)
    headers = {"Content-Disposition": f'attachment; filename="corrections-{found.id}.json"'}
    return Response(as_file(found), media_type="application/json", headers=headers)


@router.get("/learning/models/{version}")
def card_page(request: Request, desk: TheDesk, visitor: Analyst, version: str) -> Response:
    card = model_card(Shelf(desk.data), version)
    with desk.database.read() as session:
        examples = examples_shown(session, Shelf(desk.data), version)
    used = model_shelf.in_use(Shelf(desk.data)).version
    comparison = card.comparison
    return page(
        request, "model.html.j2", card=card, used=used, rows=ROWS, say_span=say_span, say_false=say_false,
        charts=importance(card.data), curve=learning_curve(card.curve) if card.curve else None, caution=CURVE_CAUTION,
        calibration=[calibration(one) if one.calibrates else None for one in comparison.sets] if comparison else [],
        PROMOTION=PROMOTION, MEANINGS=MEANINGS, snapshots=_kept(Shelf(desk.data)), scenes=USUAL_SCENES,
        examples=[one for one in examples if one.photograph_id and one.rings],
    )  # fmt: skip


@router.get("/learning/models/{version}/card.json")
def card_file(desk: TheDesk, visitor: Analyst, version: str) -> dict[str, Any]:
    card = model_card(Shelf(desk.data), version)
    with desk.database.read() as session:
        return card_json(card, examples_shown(session, Shelf(desk.data), version))


@router.get("/learning/models/{version}/differing/{file}")
def differing_picture(desk: TheDesk, visitor: Analyst, version: str, file: str) -> Response:
    model_shelf.folder_of(Shelf(desk.data), version)
    return FileResponse(picture_file(Shelf(desk.data), version, file), media_type="image/jpeg")


@router.post("/learning/models/{version}/promote")
def promote(desk: TheDesk, visitor: Analyst, version: str, reason: Text = "") -> Response:
    model_shelf.promote(Shelf(desk.data), version, visitor.account.login, reason)
    return RedirectResponse("/learning#models", 303)


@router.post("/learning/rollback")
def rollback(desk: TheDesk, visitor: Analyst, reason: Text = "") -> Response:
    model_shelf.rollback(Shelf(desk.data), visitor.account.login, reason)
    return RedirectResponse("/learning#models", 303)


@router.get("/learning/doubts")
def doubts_page(request: Request, desk: TheDesk, visitor: Analyst) -> Response:
    with desk.database.read() as session:
        found = doubts_shown(session, Shelf(desk.data))
    return page(request, "doubts.html.j2", found=found, say_doubt_stands=say_doubt_stands, weak=WEAK_MODEL)


@router.post("/learning/doubts/back")
def back_to_review(
    desk: TheDesk, visitor: Analyst, assembly_id: Annotated[int, Form()] = 0, why: Text = ""
) -> Response:
    with desk.database.write() as session:
        send_back(session, desk, visitor.account, assembly_id, why)
    return RedirectResponse("/learning/doubts", 303)


@router.get("/learning/drift")
def drift_page(request: Request, desk: TheDesk, visitor: Analyst) -> Response:
    with desk.database.read() as session:
        found = drift_shown(session, desk)
    moved = found.drifted
    return page(
        request, "drift.html.j2", found=moved, unmeasured=found.unmeasured, say_untold=say_untold,
        charts=drift_charts(moved) if moved else [], mix=label_mix(moved) if moved else None, moved_sd=MOVED_SD,
        alpha=ALPHA, has_workers=desk.has_workers,
    )  # fmt: skip


def _kept(shelf: Shelf) -> list[Snapshot]:
    """The corrected sets; none where one cannot be read, which the first page says."""
    try:
        return kept_snapshots(shelf)
    except DeskError:
        return []
