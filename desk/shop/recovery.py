"""What a worker is told, and what happens to the jobs of one that stopped; light, for the desk that starts workers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from desk.learning import runs
from desk.shop import jobs
from desk.shop.desk import Desk
from desk.shop.standing import refresh


@dataclass(frozen=True)
class WorkerPlan:
    """What a worker process is told; plain values, so that they travel to it. `learns`: it trains and compares models
    instead of assessing photographs."""

    slot: str
    data: Path
    database: str | None
    mats: tuple[Path, ...]
    rules: Path | None
    parent_pid: int
    learns: bool = False


def recover(desk: Desk, slot: str | None = None) -> None:
    """What stopped workers left unfinished goes back into the line (of one slot, or of all)."""
    mine = f"{slot}." if slot else None
    with desk.database.write() as session:
        runs.take_up_again(session, mine)
        for assembly_id in jobs.take_up_again(session, mine):
            refresh(session, desk, assembly_id)


def start_worker(plan: WorkerPlan) -> None:
    """The first thing a worker process does; what its work needs is imported there and not in the desk's process."""
    if plan.learns:
        from desk.learning.learner import run_learner

        run_learner(plan)
        return
    from desk.shop.worker import run_worker

    run_worker(plan)
