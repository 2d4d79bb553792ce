"""Keeps the desk's worker processes running: one that dies is started again and its job goes back into the line."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from multiprocessing.process import BaseProcess

from desk.errors import one_line
from desk.records.errors import RecordsError
from desk.shop.desk import open_desk
from desk.shop.recovery import WorkerPlan, recover, start_worker

_LOOK_EVERY_S = 1.0
_STOP_S = 10.0


@contextmanager
def workers_running(plans: Sequence[WorkerPlan], say: Callable[[str], None]) -> Iterator[None]:
    """Workers run inside this block and are gone after it; what they left unfinished waits for the next start."""
    stop = threading.Event()
    keeper = threading.Thread(target=_keep, args=(plans, stop, say), name="workers", daemon=True)
    keeper.start()
    try:
        yield
    finally:
        stop.set()
        keeper.join(2 * _STOP_S)


def _keep(plans: Sequence[WorkerPlan], stop: threading.Event, say: Callable[[str], None]) -> None:
    """Start every worker and look after them once a second."""
    # spawn: a forked child would share the web server's database connections and locks
    context = multiprocessing.get_context("spawn")
    running: dict[str, BaseProcess] = {}
    while not stop.is_set():
        for plan in plans:
            process = running.get(plan.slot)
            if process is not None and process.is_alive():
                continue
            if process is not None:
                say(f"A worker stopped (exit status {process.exitcode}); it is started again.")
                _give_back(plan, say)
            # the learner spreads its work over processes of its own, which a daemon may not have
            process = context.Process(target=start_worker, args=(plan,), name=plan.slot, daemon=not plan.learns)
            process.start()
            running[plan.slot] = process
        stop.wait(_LOOK_EVERY_S)
    for process in running.values():
        process.terminate()
    for process in running.values():
        process.join(_STOP_S)
        if process.is_alive():
            process.kill()


def _give_back(plan: WorkerPlan, say: Callable[[str], None]) -> None:
    try:
        desk = open_desk(plan.data, plan.database, plan.rules, plan.mats)
        recover(desk, plan.slot)
        desk.database.close()
    except RecordsError as error:
        say(f"The job of a stopped worker waits for the next start: {one_line(error)}")
