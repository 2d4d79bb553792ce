"""The process that does analysts' long work, one piece after the other, beside the workers that assess."""

from __future__ import annotations

import logging
import os
import secrets
import signal
import time
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from desk.errors import DeskError, one_line
from desk.learning import runs
from desk.learning.run_progress import Step, as_progress, moved_on
from desk.learning.runs import Task
from desk.learning.shelf import Shelf, find_snapshot
from desk.parallel import Progress
from desk.records.columns import now
from desk.records.errors import DatabaseBusy
from desk.shop.desk import Desk, open_desk
from desk.shop.recovery import WorkerPlan

if TYPE_CHECKING:
    from desk.learning.asked import Compare, Retrain

# What trains and compares is imported when there is work: the process that waits for it stays small.
log = logging.getLogger("loomtriage.learner")
_PAUSE_S = 1.0
_REPORT_EVERY_S = 1.0
_LOOK_EVERY_S = 600.0
_UNEXPECTED = "something unexpected happened ({}); the desk's log says more: tell the maintainers"


class StopWork(BaseException):
    """The work was stopped by a person, or given to another process: end it and keep nothing.

    No Exception, for it comes up through the work: whoever lives with a mistake there must not live with this.
    """


def run_learner(plan: WorkerPlan) -> None:
    """Work until the desk that started this process is gone or asks it to stop; the processes that help end with it."""
    import cv2

    cv2.setNumThreads(1)
    os.setsid()  # helpers are in this group: one signal ends them all
    signal.signal(signal.SIGTERM, lambda *_: os.killpg(0, signal.SIGKILL))
    os.nice(10)  # photographs come first
    desk = open_desk(plan.data, plan.database, plan.rules, plan.mats)
    name = f"{plan.slot}.{secrets.token_hex(6)}"
    look_again = 0.0
    while os.getppid() == plan.parent_pid:
        try:
            worked = learn_once(desk, name, plan.parent_pid)
            if not worked and time.monotonic() >= look_again:
                look_once_a_day(desk)
                look_again = time.monotonic() + _LOOK_EVERY_S
        except DatabaseBusy as error:
            log.warning("%s", one_line(error))
            worked = False
        if not worked:
            time.sleep(_PAUSE_S)


def learn_once(desk: Desk, worker: str, parent_pid: int | None = None) -> bool:
    """Take one piece of work out of the line and do it; False where none waits."""
    with desk.database.write() as session:
        task = runs.take_next(session, worker)
    if task is None:
        return False
    outcome, wrong = None, None
    reporter = Reporter(desk, task, parent_pid)
    try:
        outcome = _done(desk, task, reporter.told)
        reporter.keep()
    except StopWork:
        log.info("work %d was stopped", task.run_id)
        return True
    except DeskError as error:
        wrong = one_line(error)
    except Exception as error:  # a mistake of the program must not take the learner along and be done thrice
        log.exception("work %d", task.run_id)
        wrong = _UNEXPECTED.format(type(error).__name__)
    with desk.database.write() as session:
        runs.close(session, task, outcome, wrong)
    return True


def look_once_a_day(desk: Desk) -> bool:
    """Work out whether what the desk sees has moved, where that was not done today; start pages warn by it."""
    from desk.learning.seen import look_at_drift, looked_today

    if looked_today(Shelf(desk.data)):
        return False
    try:
        with desk.database.read() as session:
            return look_at_drift(session, desk) is not None
    except DatabaseBusy:
        raise
    except DeskError as error:
        log.warning("drift: %s", one_line(error))
    except Exception:  # as above: the learner goes on with what analysts ask for
        log.exception("drift")
    return False


class Reporter:
    """Keeps the progress of one piece of work on record, once a second, and ends it when nobody wants it any more."""

    def __init__(self, desk: Desk, task: Task, parent_pid: int | None) -> None:
        self.desk, self.task, self.parent_pid = desk, task, parent_pid
        self.steps: list[Step] = []
        self.begun = now()
        self.kept_at = 0.0

    def told(self, step: str, done: int, total: int) -> None:
        """Note that so many items of a step are done; StopWork where the work is no longer wanted."""
        self.steps = moved_on(self.steps, step, done, total, now(), self.begun)
        if time.monotonic() - self.kept_at >= _REPORT_EVERY_S:
            self.keep()

    def keep(self) -> None:
        """Write what is known now."""
        if self.parent_pid is not None and os.getppid() != self.parent_pid:
            os.killpg(0, signal.SIGKILL)  # the desk is gone: its next start takes this up again
        with self.desk.database.write() as session:
            row = runs.mine(session, self.task)
            if row is None:
                raise StopWork
            row.progress = as_progress(self.steps)
        self.kept_at = time.monotonic()


def _done(desk: Desk, task: Task, on_progress: Progress) -> dict[str, Any]:
    """What came of the work, as plain values for its page."""
    from desk.learning.asked import Compare, Keep, Retrain, asked_of

    asked = asked_of(task.kind, task.asked)
    shelf, workers = Shelf(desk.data), min(os.cpu_count() or 1, 8)
    if isinstance(asked, Keep):
        return _kept(desk, on_progress)
    if isinstance(asked, Retrain):
        return _trained(desk, shelf, asked, workers, on_progress)
    if isinstance(asked, Compare):
        return _compared(desk, shelf, asked, workers, on_progress)
    from desk.learning.reassess import all_would_answer

    found = all_would_answer(desk, asked.version, asked.orders, on_progress)
    return {"answers": [asdict(one) | {"differs": one.differs} for one in found]}


def _kept(desk: Desk, on_progress: Progress) -> dict[str, Any]:
    from desk.learning.take import keep_now

    found, left_out = keep_now(desk, on_progress)
    return {
        "snapshot": found.id, "assemblies": len(found.assemblies), "photographs": len(found.photos),
        "places": len(found.places), "left_out": left_out,
    }  # fmt: skip


def _trained(desk: Desk, shelf: Shelf, asked: Retrain, workers: int, on_progress: Progress) -> dict[str, Any]:
    from desk.learning.gather import refuse_taken_back
    from desk.learning.relearn import RelearnSettings
    from desk.learning.train import train_from_corrections

    settings = RelearnSettings(seed=asked.seed, weight=asked.weight, scenes=asked.scenes, workers=workers)
    snapshot = find_snapshot(shelf, asked.snapshot)
    with desk.database.read() as session:
        refuse_taken_back(session, snapshot)
    return asdict(train_from_corrections(shelf, snapshot, settings, desk.layouts, asked.keep_out, on_progress))


def _compared(desk: Desk, shelf: Shelf, asked: Compare, workers: int, on_progress: Progress) -> dict[str, Any]:
    from desk.learning.compare import compare_models
    from desk.learning.gather import refuse_taken_back

    snapshot = find_snapshot(shelf, asked.snapshot) if asked.snapshot else None
    if snapshot is not None:
        with desk.database.read() as session:
            refuse_taken_back(session, snapshot)
    done = compare_models(shelf, asked.version, snapshot, desk.rules, desk.layouts, asked.scenes, workers, on_progress)
    return {"version": done.proposed, "in_use": done.in_use, "objections": done.objections}
