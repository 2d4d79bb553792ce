"""Teaches the shipped finder from corrected photographs mixed with generated scenes, in two folds of assemblies."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from desk.finder_training import around, gathered
from desk.learning.cells import SOUND_CLASSES, PhotoCells, as_lesson
from desk.learning.sides import FOLDS
from desk.training_set import CellLesson
from models.damage.finder import Finder, Neighbourhood, TwoPasses, balanced, mean_answer, second_pass_input
from models.damage.refit import Steps
from models.damage.update import UpdateSettings, updated, widened


@dataclass(frozen=True)
class CellSettings:
    """How cells are mixed.

    `per_class`: generated cells of each class; `weight`: how many generated cells one corrected cell counts as;
    `least`: corrected damage and false finds are repeated up to so many, lest few of them go under.
    """

    per_class: int = 3000
    weight: float = 3.0
    least: int = 900
    update: UpdateSettings = field(default_factory=UpdateSettings)


@dataclass(frozen=True)
class Taught:
    """Finders after the corrections. other[k] : learnt from no assembly of fold k; final : from all."""

    other: dict[int, Finder]
    final: Finder


@dataclass(frozen=True)
class _Scene:
    """One photograph as both passes learn from it. fold : of its assembly; of the generated ones too."""

    lesson: CellLesson
    rejected: np.ndarray
    reviewed: bool
    fold: int

    @property
    def around(self) -> Neighbourhood:
        return around(self.lesson)


def teach_finder(
    base: Finder,
    corrected: Sequence[tuple[PhotoCells, int]],
    generated: Sequence[PhotoCells],
    settings: CellSettings,
    seed: int,
    on_step: Callable[[int, int], None] | None = None,
) -> Taught:
    """The base finder taught further. corrected : cells of photographs with the fold of their assembly.

    First each part learns from one fold: what it says of the other is what it says of assemblies it never saw, and so
    teaches second passes and namers. Then each part of the base learns from all.
    """
    new = sorted({name for cells, _ in corrected for name in cells.class_names} - set(base.classes))
    wide = widened(base, new, seed)
    scenes = [_scene(wide, cells, fold) for cells, fold in corrected if len(cells)]
    scenes += [_scene(wide, cells, k % FOLDS) for k, cells in enumerate(generated) if len(cells)]
    steps = Steps(2 * len(wide.parts), on_step)
    cross: dict[int, TwoPasses] = {}
    firsts = {k: _firsts(wide, wide.parts[k], [s for s in scenes if s.fold == k], settings, seed) for k in range(FOLDS)}
    for k in range(FOLDS):
        mine = [s for s in scenes if s.fold == k]
        cross[k] = TwoPasses(firsts[k], _seconds(wide, wide.parts[k], mine, firsts, settings, seed))
        steps.step()
    parts = []
    for part in wide.parts:
        first = _firsts(wide, part, scenes, settings, seed)
        parts.append(TwoPasses(first, _seconds(wide, part, scenes, firsts, settings, seed)))
        steps.step()
    other = {k: replace(wide, parts=(cross[1 - k],)) for k in range(FOLDS)}
    return Taught(other, replace(wide, parts=tuple(parts)))


def _scene(finder: Finder, cells: PhotoCells, fold: int) -> _Scene:
    rough = CellLesson(cells.names, cells.xy, cells.features, cells.classes, cells.lanes)
    if cells.names != finder.feature_names:
        raise ValueError("expected cells of the finder's features, got others: look at the photographs again")
    answers = finder.probabilities(cells.features, around(rough)) if cells.reviewed else np.zeros((len(cells), 0))
    return _Scene(as_lesson(cells, answers, finder.classes), cells.rejected, cells.reviewed, fold)


def _firsts(finder: Finder, part: TwoPasses, scenes: Sequence[_Scene], settings: CellSettings, seed: int) -> tuple:
    """First passes of a part, taught on these scenes; as they were where there is nothing to learn."""
    if not scenes:
        return part.first
    inputs = [s.lesson.features for s in scenes]
    return tuple(_taught(finder, m, inputs, scenes, settings, seed + k) for k, m in enumerate(part.first))


def _seconds(
    finder: Finder,
    part: TwoPasses,
    scenes: Sequence[_Scene],
    firsts: Mapping[int, tuple],
    settings: CellSettings,
    seed: int,
) -> tuple:
    """Second passes of a part, taught on what first passes said that learnt from the other fold."""
    if not scenes:
        return part.second
    inputs = []
    for s in scenes:
        answer = mean_answer(firsts[1 - s.fold], s.lesson.features)
        inputs.append(second_pass_input(s.lesson.features, answer, s.around))
    return tuple(_taught(finder, m, inputs, scenes, settings, seed + 50 + k) for k, m in enumerate(part.second))


def _taught(finder, member, inputs: list[np.ndarray], scenes: Sequence[_Scene], settings: CellSettings, seed: int):
    rng = np.random.default_rng(seed)
    y = np.concatenate([s.lesson.classes for s in scenes])
    rows = chosen_rows(
        y, np.concatenate([s.rejected for s in scenes]),
        np.concatenate([np.full(len(s.lesson.xy), s.reviewed) for s in scenes]), finder.classes, settings, rng,
    )  # fmt: skip
    (x,) = gathered(inputs.__getitem__, [len(one) for one in inputs], [rows])
    return updated(member, x, y[rows], seed, settings.update)


def chosen_rows(
    y: np.ndarray,
    rejected: np.ndarray,
    reviewed: np.ndarray,
    classes: tuple[str, ...],
    settings: CellSettings,
    rng: np.random.Generator,
) -> np.ndarray:
    """Numbers of the cells to learn from, some of them several times.

    y : (n,) classes, -1 not taught; rejected, reviewed : (n,) bool
    """
    made = np.flatnonzero((y >= 0) & ~reviewed)
    rows = [made[balanced(y[made], settings.per_class, 1, rng)]] if len(made) else []
    sound = np.array([classes.index(name) for name in SOUND_CLASSES])
    on_damage = reviewed & (y >= 0) & ~np.isin(y, sound)
    strata = [np.flatnonzero(on_damage & (y == c)) for c in np.unique(y[on_damage])]
    strata.append(np.flatnonzero(rejected & (y >= 0)))
    for mine in strata:
        if len(mine):
            wanted = int(np.clip(settings.weight * len(mine), settings.least, settings.per_class * settings.weight))
            rows.append(_so_many(mine, wanted, rng))
    for c in sound:
        mine = np.flatnonzero(reviewed & ~rejected & (y == c))
        wanted = min(round(settings.weight * len(mine)), settings.per_class)
        if wanted:
            rows.append(_so_many(mine, wanted, rng))
    return rng.permutation(np.concatenate(rows))


def _so_many(rows: np.ndarray, wanted: int, rng: np.random.Generator) -> np.ndarray:
    """``wanted`` of the rows: each as often as any other, but for one."""
    whole = np.tile(rows, wanted // len(rows))
    return np.concatenate([whole, rng.choice(rows, wanted % len(rows), replace=False)])
