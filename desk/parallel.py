"""Spreads work over one-threaded processes and says how far it is; results come in the order of the items."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
Progress = Callable[[str, int, int], None]
_AT_ONCE = 2


def pool_map(work: Callable[[Item], Result], items: Sequence[Item], workers: int) -> Iterator[Result]:
    """Results in the order of the items, from one-threaded processes.

    Closed before its end, or broken off by an error, it ends them at once: a pool finishes what it handed out, which
    may be minutes of work that nobody wants any more. So ``work`` must write its files whole or not at all.
    """
    if workers <= 1:
        yield from map(work, items)
        return
    context = multiprocessing.get_context("spawn")
    others = set(multiprocessing.active_children())
    # the work goes to each helper once: it may hold a whole model, and a call queue full of it cannot be closed while
    # it is being written (some versions of Python wait for ever then)
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_begin, initargs=(work,)) as pool:
        coming = [pool.submit(_each, items[k : k + _AT_ONCE]) for k in range(0, len(items), _AT_ONCE)]
        helpers = set(multiprocessing.active_children()) - others
        coming.reverse()
        try:
            while coming:  # a result that was given is not held on to
                yield from coming.pop().result()
        except BaseException:
            for helper in helpers:
                helper.terminate()
            raise


_work: Callable[[Any], Any] | None = None
"""What this helper was started for."""


def _begin(work: Callable[[Any], Any]) -> None:
    global _work
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
