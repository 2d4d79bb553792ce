"""The line of photographs waiting to be assessed; it lives in the database and outlasts every process."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from desk.records import tables
from desk.records.columns import now

MOST_ATTEMPTS = 3
_GIVEN_UP = (
    f"expected an assessment, got a worker that stopped {MOST_ATTEMPTS} times over this photograph: "
    "take another photograph, and tell the maintainers"
)


@dataclass(frozen=True)
class Task:
    """A photograph that one worker has taken out of the line."""

    job_id: int
    worker: str
    photograph_id: int
    assembly_id: int
    sha256: str
    suffix: str
    name: str


def take_next(session: Session, worker: str) -> Task | None:
    """Take the job that waits longest; None where none waits or another worker was faster."""
    job = tables.Job
    waiting = select(job.id).where(job.state == "queued").order_by(job.id).limit(1).scalar_subquery()
    taken = session.execute(
        update(job)
        .where(job.id == waiting, job.state == "queued")
        .values(state="running", worker=worker, attempts=job.attempts + 1, started_at=now())
        .returning(job.id, job.photograph_id)
        .execution_options(synchronize_session=False)
    ).one_or_none()
    if taken is None:
        return None
    photograph = session.get_one(tables.Photograph, taken.photograph_id)
    return Task(
        taken.id, worker, photograph.id, photograph.assembly_id, photograph.sha256, photograph.suffix, photograph.name
    )


def still_mine(session: Session, task: Task) -> bool:
    """Whether the job is still this worker's; it is not when the desk gave it to another one meanwhile."""
    job = session.get(tables.Job, task.job_id, with_for_update=True)
    return job is not None and job.state == "running" and job.worker == task.worker


def close_job(session: Session, task: Task, error: str | None = None) -> None:
    """Done, or failed with the line that says why."""
    job = session.get_one(tables.Job, task.job_id)
    job.state, job.error, job.ended_at = ("failed" if error else "done"), error, now()


def take_up_again(session: Session, worker_slot: str | None = None) -> set[int]:
    """Put jobs that a stopped worker left running back into the line. One that stopped its workers too often has
    failed; gives the assemblies of those.

    worker_slot : only the jobs of workers whose name begins so; without it those of all.
    """
    job, photograph = tables.Job, tables.Photograph
    query = select(job, photograph.assembly_id).join(photograph, photograph.id == job.photograph_id)
    query = query.where(job.state == "running")
    if worker_slot is not None:
        query = query.where(job.worker.startswith(worker_slot, autoescape=True))
    given_up = set()
    for row, assembly_id in session.execute(query.with_for_update(of=job)):
        if row.attempts >= MOST_ATTEMPTS:
            row.state, row.error, row.ended_at = "failed", _GIVEN_UP, now()
            given_up.add(assembly_id)
        else:
            row.state, row.worker, row.started_at = "queued", None, None
    session.flush()
    return given_up


def waiting(session: Session, assembly_id: int | None = None) -> int:
    """How many photographs wait or are being assessed: all of them, or those of one assembly."""
    job, photograph = tables.Job, tables.Photograph
    query = select(func.count(job.id)).where(job.state.in_(("queued", "running")))
    if assembly_id is not None:
        query = query.join(photograph, photograph.id == job.photograph_id)
        query = query.where(photograph.assembly_id == assembly_id)
    return session.scalar(query) or 0
