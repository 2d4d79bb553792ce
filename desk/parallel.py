"""Spreads work over one-threaded processes and says how far it is; results come in the order of the items."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
Progress = Callable[[str, int, int], None]


def pool_map(work: Callable[[Item], Result], items: Sequence[Item], workers: int) -> Iterator[Result]:
    """Results in the order of the items, from one-threaded processes."""
    if workers <= 1:
        yield from map(work, items)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=one_thread) as pool:
        yield from pool.map(work, items, chunksize=2)


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
