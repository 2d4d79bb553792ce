"""Spreads work over one-threaded processes and says how far it is; results come in the order of the items."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

from desk.errors import DeskError

Item = TypeVar("Item")
Result = TypeVar("Result")
Progress = Callable[[str, int, int], None]
_WORTH_ONE = 2
"""So many photographs are assessed in the time that one more process needs to start."""
_MOST = 4
"""Processes that are started unasked: each takes most of a gigabyte."""
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_MOST_OF_A_POOL = 61
"""Windows waits for no more at once."""


def workers_for(photographs: int) -> int:
    """How many processes assess so many photographs where nobody said: 1 for a few, or on a single core."""
    return max(1, min(_cores(), _MOST, photographs // _WORTH_ONE))


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def pool_map(work: Callable[[Item], Result], items: Sequence[Item], workers: int, at_once: int = 2) -> Iterator[Result]:
    """Results in the order of the items, from one-threaded processes.

    Closed before its end, or broken off by an error, it ends them at once: a pool finishes what it handed out, which
    may be minutes of work that nobody wants any more. So ``work`` must write its files whole or not at all. at_once :
    items handed to a process together; 1 where few of them take long
    """
    handed_out = [items[k : k + at_once] for k in range(0, len(items), at_once)]
    workers = min(workers, len(handed_out), _MOST_OF_A_POOL)  # all are started at once, needed or not
    if workers <= 1:
        yield from map(work, items)
        return
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    helpers: set[BaseProcess] = set()
    # the work goes to each helper once: it may hold a whole model, and a call queue full of it cannot be closed while
    # it is being written (some versions of Python wait for ever then)
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_begin, initargs=(work,)) as pool:
        try:
            with _ctrl_c_waits(), _threads_told():
                coming = [pool.submit(_each, some) for some in handed_out]
                helpers = set(multiprocessing.active_children()) - others
            coming.reverse()
            while coming:  # a result that was given is not held on to
                yield from coming.pop().result()
        except BrokenProcessPool as error:
            raise DeskError(
                f"expected {workers} processes to work, got one that was ended, often for want of memory: close other "
                "programs, or give --workers 1 where the command takes it"
            ) from error
        except BaseException:
            for helper in helpers:
                helper.terminate()
            raise


@contextmanager
def _ctrl_c_waits() -> Iterator[None]:
    """Ctrl-C is held back meanwhile, and from processes started meanwhile for good: one that still loads would die of
    it with a traceback. Windows has no such means."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _threads_told() -> Iterator[None]:
    """Processes started meanwhile run their linear algebra and trees on one thread: as many processes as cores, each
    with as many threads, only wait for each other. The libraries read it as they load, so it cannot be told later."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


_work: Callable[[Any], Any] | None = None
"""What this helper was started for."""


def _begin(work: Callable[[Any], Any]) -> None:
    global _work
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all of them: whoever started this one ends it
    one_thread()
    _work = work


def _each(items: Sequence[Any]) -> list[Any]:
    assert _work is not None
    return [_work(item) for item in items]


def one_thread() -> None:
    """OpenCV on one thread in this process."""
    import cv2

    cv2.setNumThreads(1)


def counted(results: Iterable[Result], total: int, step: str, on_progress: Progress | None) -> Iterator[Result]:
    """The results as they come, each told to ``on_progress`` (step, done, total), and before the first that they are
    on their way: the first of a step can take longest."""
    if on_progress and total:
        on_progress(step, 0, total)
    for done, result in enumerate(results, 1):
        if on_progress:
            on_progress(step, done, total)
        yield result
