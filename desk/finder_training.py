"""Fits the finder's two passes on the cells of many scenes, which wait in a file."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import IO

import numpy as np
from sklearn.exceptions import ConvergenceWarning
from sklearn.pipeline import Pipeline

from desk.cell_truth import CELL_CLASSES
from desk.errors import DeskError
from desk.train_plan import TrainSettings
from desk.training_set import CellLesson
from models.damage.finder import (
    Neighbourhood,
    TwoPasses,
    balanced,
    ignoring,
    mean_answer,
    new_pass,
    second_pass_input,
    without_dust,
)
from sample_images.scene import SCENARIOS
from vision.cells import Cells
from vision.grid import make_grid, surroundings


def kept_in(file: IO[bytes], lessons: Iterable[CellLesson]) -> list[CellLesson]:
    """The same lessons, their features moved to a file and read when asked for: together they would fill the memory."""
    held: list[CellLesson] = []
    columns = 0
    for lesson in lessons:
        file.write(lesson.features.astype(np.float32).tobytes())
        columns = max(columns, lesson.features.shape[1])
        held.append(replace(lesson, features=lesson.features[:0]))
    file.flush()
    sizes = [len(lesson.classes) for lesson in held]
    if not sum(sizes):
        return held
    whole = np.memmap(file, np.float32, "r", shape=(sum(sizes), columns))
    ends = np.cumsum(sizes)
    return [replace(s, features=whole[end - n : end]) for s, n, end in zip(held, sizes, ends, strict=True)]


def around(lesson: CellLesson) -> Neighbourhood:
    """What lies around each cell of one photograph, as the second pass sees it."""
    grid = make_grid(Cells(lesson.xy, lesson.features, lesson.names, lesson.xy, lesson.lanes))
    return partial(surroundings, grid, lesson.lanes)


def fit_passes(
    lessons: Sequence[CellLesson],
    settings: TrainSettings,
    on_step: Callable[[], None] | None = None,
    beside: TwoPasses | None = None,
) -> TwoPasses:
    """Both passes; the second learns from first-pass answers on scenes that the first did not see.

    lessons : of whole rounds of scenarios, those without cells among them: every other round is in the same half;
    beside : fitted on the same fold of more scenes, halved alike, from fewer features, the first ones; its members
    answer along with those fitted here, its second pass from what both kinds of first pass said.
    """
    rng = np.random.default_rng(settings.seed)
    # the members of every pass hold all classes, or their answers could not be averaged;
    # halves of whole rounds of scenarios
    half = (np.arange(len(lessons)) // len(SCENARIOS)) % 2
    parts = [[s for s, h in zip(lessons, half, strict=True) if h == k] for k in (0, 1)]
    for part in parts:
        absent = set(range(len(CELL_CLASSES))) - {int(c) for s in part for c in np.unique(s.classes)}
        if absent:
            names = ", ".join(CELL_CLASSES[i] for i in sorted(absent))
            raise DeskError(f"retrain: expected cells of every class, got none of {names}: use more scenes (--scenes)")

    def fit(part: Sequence[CellLesson], sees: Callable[[int], np.ndarray], members: int) -> tuple[Pipeline, ...]:
        y = np.concatenate([s.classes for s in part])
        taught = np.flatnonzero(y >= 0)
        rows = [taught[balanced(y[taught], settings.per_class, settings.least, rng)] for _ in range(members)]
        out: list[Pipeline] = []
        inputs = gathered(sees, [len(s.classes) for s in part], rows)
        for k, mine in enumerate(rows):
            x = inputs.pop(0)  # each is large, and let go when its member is fitted
            with warnings.catch_warnings():
                # a fixed number of epochs is meant: stopping there is the regularisation
                warnings.simplefilter("ignore", ConvergenceWarning)
                fitted = new_pass(settings.hidden, settings.seed + k, settings.epochs).fit(x, y[mine])
            out.append(without_dust(fitted))
            if on_step:
                on_step()
        return tuple(out)

    def alone(part: Sequence[CellLesson]) -> Callable[[int], np.ndarray]:
        return lambda number: part[number].features

    firsts = [fit(part, alone(part), settings.first_members) for part in parts]
    others: tuple[Pipeline, ...] = ()
    if beside is not None:
        at = beside.first[0].n_features_in_
        more = next(s.features.shape[1] for s in lessons if len(s.classes)) - at
        half_of = len(beside.first) // 2
        firsts = [
            (*mine, *(ignoring(m, at, more) for m in beside.first[k * half_of : (k + 1) * half_of]))
            for k, mine in enumerate(firsts)
        ]
        others = tuple(ignoring(member, at, more) for member in beside.second)

    def both(number: int) -> np.ndarray:
        lesson = lessons[number]
        answer = mean_answer(firsts[1 - half[number]], lesson.features)
        return second_pass_input(lesson.features, answer, around(lesson))

    return TwoPasses((*firsts[0], *firsts[1]), (*fit(lessons, both, settings.second_members), *others))


def gathered(sees: Callable[[int], np.ndarray], sizes: Sequence[int], rows: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Rows of many inputs as if they were one array, in the order asked; all of it together would fill the memory.

    sees(k) : (sizes[k], F) the k-th input, asked for once; rows : several choices of rows
    """
    starts = np.cumsum([0, *sizes])
    which = [np.searchsorted(starts, mine, side="right") - 1 for mine in rows]
    out: list[np.ndarray] = []
    for number in range(len(sizes)):
        wanted = [np.flatnonzero(w == number) for w in which]
        if not any(map(len, wanted)):
            continue
        x = sees(number)
        if not out:
            out = [np.empty((len(mine), x.shape[1]), np.float32) for mine in rows]
        for there, mine, at in zip(out, rows, wanted, strict=True):
            there[at] = x[mine[at] - starts[number]]
    return out
