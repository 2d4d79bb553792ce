"""The line of long work that analysts ask for; it lives in the database and outlasts every process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session, undefer

from desk.errors import DeskError
from desk.learning.run_progress import Left, Step, steps_of, time_left
from desk.records import tables
from desk.records.columns import now
from desk.records.errors import NotFound
from desk.shop.people import Account

MOST_ATTEMPTS = 3
KIND_WORDS = {
    "keep": "snapshot of corrections",
    "retrain": "training",
    "compare": "comparison",
    "answer": "answers of another model",
}
"""Kinds of work in words."""
_AS_IT_STANDS = {"keep"}
"""Kinds that read the records when they begin: once under way they miss what was signed off since."""
_GIVEN_UP = (
    f"expected an end, got a process that stopped {MOST_ATTEMPTS} times over this work: the machine may lack memory; "
    "ask for less at once, and tell the maintainers"
)
_SHOWN = 12


@dataclass(frozen=True)
class Task:
    """Work that the learner has taken out of the line."""

    run_id: int
    worker: str
    kind: str
    asked: dict[str, Any]


@dataclass(frozen=True)
class Run:
    """One piece of work as a page shows it. `steps`: begun so far; `left`: an estimate while it runs; `ahead`: how many
    wait before it."""

    id: int
    kind: str
    asked: dict[str, Any]
    state: str
    steps: list[Step]
    left: Left
    ahead: int
    outcome: dict[str, Any] | None
    error: str | None
    by: str
    made_at: datetime
    started_at: datetime | None
    ended_at: datetime | None

    @property
    def about(self) -> str:
        """The model or corrected set that it is about; empty where it makes a new set."""
        return str(self.asked.get("version") or self.asked.get("snapshot") or "")

    @property
    def open(self) -> bool:
        """Whether it still waits or runs."""
        return self.state in ("queued", "running")


def ask(session: Session, account: Account, kind: str, asked: dict[str, Any]) -> int:
    """Put work into the line; the same once more is the same work while it waits or, with settings that say it all,
    runs. Its number."""
    row = tables.LearningRun
    same = ("queued",) if kind in _AS_IT_STANDS else ("queued", "running")
    for one in session.scalars(select(row).where(row.state.in_(same), row.kind == kind)):
        if one.asked == asked:
            return one.id
    new = tables.LearningRun(kind=kind, asked=asked, made_by=account.id)
    session.add(new)
    session.flush()
    return new.id


def stop(session: Session, run_id: int) -> None:
    """Stop work that waits or runs; the learner notices at its next item. DeskError where it has ended already."""
    row = session.get(tables.LearningRun, run_id, with_for_update=True)
    if row is None:
        raise NotFound(f"expected work that was asked for, got number {run_id}: choose from the list")
    if row.state not in ("queued", "running"):
        raise DeskError(f"expected work that waits or runs, got one that is {row.state}: there is nothing to stop")
    row.state, row.ended_at = "stopped", now()


def take_next(session: Session, worker: str) -> Task | None:
    """Take the work that waits longest; None where none waits or another was faster."""
    row = tables.LearningRun
    waiting = select(row.id).where(row.state == "queued").order_by(row.id).limit(1).scalar_subquery()
    taken = session.execute(
        update(row)
        .where(row.id == waiting, row.state == "queued")
        .values(state="running", worker=worker, attempts=row.attempts + 1, started_at=now(), progress=None)
        .returning(row.id, row.kind, row.asked)
        .execution_options(synchronize_session=False)
    ).one_or_none()
    return Task(taken.id, worker, taken.kind, taken.asked) if taken else None


def mine(session: Session, task: Task) -> tables.LearningRun | None:
    """Its row; None where it was stopped or given to another process meanwhile."""
    row = session.get(tables.LearningRun, task.run_id, with_for_update=True)
    return row if row is not None and row.state == "running" and row.worker == task.worker else None


def close(session: Session, task: Task, outcome: dict[str, Any] | None, error: str | None = None) -> None:
    """Done, or failed with the line that says why; nothing where it is no longer this learner's."""
    row = mine(session, task)
    if row is not None:
        row.state, row.outcome, row.error, row.ended_at = ("failed" if error else "done"), outcome, error, now()


def take_up_again(session: Session, worker_slot: str | None = None) -> None:
    """Put work that a stopped process left running back into the line (of one slot, or of all); what stopped its
    process too often has failed."""
    row = tables.LearningRun
    query = select(row).where(row.state == "running")
    if worker_slot is not None:
        query = query.where(row.worker.startswith(worker_slot, autoescape=True))
    for one in session.scalars(query.with_for_update()):
        if one.attempts >= MOST_ATTEMPTS:
            one.state, one.error, one.ended_at = "failed", _GIVEN_UP, now()
        else:
            one.state, one.worker, one.started_at = "queued", None, None
    session.flush()


def run_of(session: Session, run_id: int) -> Run:
    """One piece of work; NotFound where there is none of that number."""
    row = session.get(tables.LearningRun, run_id, options=[undefer(tables.LearningRun.outcome)])
    if row is None:
        raise NotFound(f"expected work that was asked for, got number {run_id}: choose from the list")
    return _shown(session, row, row.outcome)


def newest_runs(session: Session, kind: str | None = None, count: int = _SHOWN) -> list[Run]:
    """The newest work, newest first, without what came of it."""
    row = tables.LearningRun
    query = select(row).order_by(row.id.desc()).limit(count)
    return [_shown(session, one, None) for one in session.scalars(query.where(row.kind == kind) if kind else query)]


def _shown(session: Session, row: tables.LearningRun, outcome: dict[str, Any] | None) -> Run:
    table = tables.LearningRun
    steps, left, ahead = steps_of(row.progress), Left(step=None, whole=None), 0
    if row.state in ("queued", "running"):
        left = time_left(steps, now(), _earlier(session, row.kind))
        open_before = select(table.id).where(table.state.in_(("queued", "running")), table.id < row.id)
        ahead = len(session.scalars(open_before).all())
    by = session.get_one(tables.Person, row.made_by).name
    return Run(
        row.id, row.kind, row.asked, row.state, steps, left, ahead, outcome, row.error, by, row.made_at, row.started_at,
        row.ended_at,
    )  # fmt: skip


def _earlier(session: Session, kind: str) -> Sequence[Step]:
    """Steps of the newest work of the kind that came to its end."""
    row = tables.LearningRun
    found = session.scalar(select(row).where(row.kind == kind, row.state == "done").order_by(row.id.desc()).limit(1))
    return steps_of(found.progress) if found is not None else ()
