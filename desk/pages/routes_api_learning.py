"""The JSON API, continued: what the analyst reads of corrected sets, models, doubts, what to confirm next, drift."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field

from desk.learning.asked import AnswerAgain, Compare, Keep, Retrain, ask_for
from desk.learning.corrected import Snapshot
from desk.learning.drift import Moved, Track
from desk.learning.model_shelf import ModelLine, model_lines
from desk.learning.own_labels import LabelsShown, labels_shown
from desk.learning.page_values import (
    DoubtShown,
    card_json,
    doubts_shown,
    drift_shown,
    examples_shown,
    model_card,
)
from desk.learning.runs import Run, newest_runs, run_of, stop
from desk.learning.shelf import Shelf, find_snapshot, kept_snapshots
from desk.learning.waiting import Teaching, to_confirm_first
from desk.pages.access import Visitor, desk_of, require
from desk.shop.desk import Desk

router = APIRouter(prefix="/api/v1/learning", tags=["learning"])
TheDesk = Annotated[Desk, Depends(desk_of)]
Analyst = Annotated[Visitor, Depends(require("analyst"))]


class SnapshotLine(BaseModel):
    """A corrected set in the list. `counts`: places by label and verdict."""

    id: str
    sha256: str
    made_at: str
    assemblies: int
    photographs: int
    counts: dict[str, dict[str, int]]


class Doubts(BaseModel):
    """Places whose given label the newest model trained here finds improbable, the least probable first, and how many
    there are in all; `model` empty without one."""

    model: str
    total: int
    doubts: list[DoubtShown]


class WeekState(BaseModel):
    """A week against the baseline. `photographs` and `assemblies` leave those of the baseline out; `told`: false where
    there are too few assemblies; `warns`: something moved."""

    week: date
    photographs: int
    assemblies: int
    of_baseline: int
    told: bool
    warns: bool
    moved: list[Moved]
    labels_p: float | None


class Drift(BaseModel):
    """Weeks, newest first, what they are held against, how many photographs have no measured light yet, and what
    moved, over the weeks."""

    baseline: str
    unmeasured: int
    weeks: list[WeekState]
    tracks: list[Track]


Wanted = Annotated[Keep | Retrain | Compare | AnswerAgain, Field(discriminator="kind")]


class RunNumber(BaseModel):
    """The number of a piece of work."""

    id: int


@router.get("/snapshots")
def snapshots(desk: TheDesk, visitor: Analyst) -> list[SnapshotLine]:
    """The corrected sets that were kept, newest first."""
    return [
        SnapshotLine(
            id=one.id, sha256=one.sha256, made_at=one.made_at, assemblies=len(one.assemblies),
            photographs=len(one.photos), counts=one.counts(),
        )
        for one in kept_snapshots(Shelf(desk.data))
    ]  # fmt: skip


@router.get("/snapshots/{snapshot}")
def snapshot(desk: TheDesk, visitor: Analyst, snapshot: str) -> Snapshot:
    """One corrected set, by its id or the beginning of it."""
    return find_snapshot(Shelf(desk.data), snapshot)


@router.get("/labels")
def labels(desk: TheDesk, visitor: Analyst) -> LabelsShown:
    """The labels that the shop added, how many reviewed places and assemblies carry each, and every change of them."""
    with desk.database.read() as session:
        return labels_shown(session, desk)


@router.get("/models")
def models(desk: TheDesk, visitor: Analyst) -> list[ModelLine]:
    """Every model, the shipped one first; `used` marks the one that answers."""
    return model_lines(Shelf(desk.data))


@router.get("/models/{version}")
def card(desk: TheDesk, visitor: Analyst, version: str) -> dict[str, Any]:
    """A model's card: what it learnt from, its limits, how it compares with the one in use."""
    found = model_card(Shelf(desk.data), version)
    with desk.database.read() as session:
        return card_json(found, examples_shown(session, Shelf(desk.data), version))


@router.get("/doubts")
def doubts(desk: TheDesk, visitor: Analyst) -> Doubts:
    """Labels to look at again."""
    with desk.database.read() as session:
        found = doubts_shown(session, Shelf(desk.data))
    return Doubts(model=found.version, total=found.total, doubts=found.shown)


@router.get("/next")
def confirm_next(desk: TheDesk, visitor: Analyst, count: Annotated[int, Query(ge=1, le=100)] = 8) -> list[Teaching]:
    """Assemblies that wait for review, in the order in which confirming them teaches most."""
    with desk.database.read() as session:
        return to_confirm_first(session, count)


@router.get("/drift")
def drift(desk: TheDesk, visitor: Analyst) -> Drift:
    """Whether what the desk sees has moved away from what the model in use learnt from."""
    with desk.database.read() as session:
        found = drift_shown(session, desk)
    if found.drifted is None:
        return Drift(baseline="", unmeasured=0, weeks=[], tracks=[])
    weeks = [
        WeekState(
            week=one.week, photographs=one.photographs, assemblies=one.assemblies, of_baseline=one.of_baseline,
            told=one.told, warns=one.warns, moved=list(one.moved), labels_p=one.labels_p,
        )
        for one in found.drifted.weeks
    ]  # fmt: skip
    tracks = found.drifted.tracks
    return Drift(baseline=found.drifted.baseline, unmeasured=found.unmeasured, weeks=weeks, tracks=tracks)


@router.get("/runs")
def work(desk: TheDesk, visitor: Analyst) -> list[Run]:
    """Work that was asked for (corrections kept, trainings, comparisons, answers of other models), newest first."""
    with desk.database.read() as session:
        return newest_runs(session)


@router.post("/runs", status_code=202)
def ask(desk: TheDesk, visitor: Analyst, wanted: Wanted) -> RunNumber:
    """Ask for corrections to be kept, a training, a comparison or answers of another model; the learner does it in its
    turn."""
    return RunNumber(id=ask_for(desk, visitor.account, wanted))


@router.get("/runs/{run_id}")
def one_work(desk: TheDesk, visitor: Analyst, run_id: int) -> Run:
    """How far it is, what is left, and what came of it."""
    with desk.database.read() as session:
        return run_of(session, run_id)


@router.post("/runs/{run_id}/stop")
def stop_work(desk: TheDesk, visitor: Analyst, run_id: int) -> Run:
    """Stop work that waits or is under way."""
    with desk.database.write() as session:
        stop(session, run_id)
    with desk.database.read() as session:
        return run_of(session, run_id)
