"""Teaches the shipped finder from corrected photographs mixed with generated scenes, in two folds of assemblies."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from sklearn.pipeline import Pipeline

from desk.finder_training import around, gathered
from desk.learning.cells import PhotoCells, as_lesson
from desk.learning.finder_kept import NEW_RIDGE, RIDGES, Choice, Kind, chosen, kinds_of_cells, losses_by_kind, together
from desk.learning.finder_rows import CellSettings, chosen_rows, targets
from desk.learning.sides import FOLDS
from desk.parallel import Progress, counted
from desk.training_set import CellLesson
from models.damage.finder import Finder, TwoPasses, mean_answer, second_pass_input
from models.damage.refit import Steps
from models.damage.update import outputs_taught, seeing_further_back, widened


@dataclass(frozen=True)
class Taught:
    """Finders after the corrections.

    other[k] : learnt from no assembly of fold k (but for how freely, one choice for all); final : from all; kept : how
    freely it learnt, chosen by photographs of the other fold
    """

    other: dict[int, Finder]
    final: Finder
    kept: Choice


@dataclass(frozen=True)
class _Scene:
    """One photograph as second passes learn from it. fold : of its assembly; of the generated ones too; own : (N, C)
    by part, what it said of the cells before."""

    lesson: CellLesson
    rejected: np.ndarray
    reviewed: bool
    fold: int
    own: tuple[np.ndarray, ...]

    def sees(self, part: TwoPasses) -> np.ndarray:
        """(N, F) what the second pass of a part sees of it."""
        answer = mean_answer(part.first, self.lesson.features)
        return second_pass_input(self.lesson.features, answer, around(self.lesson))


@dataclass(frozen=True)
class _Learnt:
    """A second pass that learnt nothing but the outputs of new labels, and what it learnt with every ridge."""

    start: tuple[Pipeline, ...]
    ends: dict[float, tuple[Pipeline, ...]]

    def at(self, ridge: float | None) -> tuple[Pipeline, ...]:
        return self.start if ridge is None else self.ends[ridge]


def teach_finder(
    base: Finder,
    corrected: Sequence[tuple[PhotoCells, int]],
    generated: Sequence[PhotoCells],
    settings: CellSettings,
    seed: int,
    on_progress: Progress | None = None,
) -> Taught:
    """The base finder taught further. corrected : cells of photographs with the fold of their assembly.

    First each part learns from one fold: what it says of the other is what it says of assemblies it never saw, so it
    teaches namers, and tells how freely it should learn. Then each part of the base learns from all, so freely.
    """
    new = sorted({name for cells, _ in corrected for name in cells.class_names} - set(base.classes))
    wide = widened(base, new)
    every = [*corrected, *((cells, k % FOLDS) for k, cells in enumerate(generated))]
    asked = counted(every, len(every), "asking the finder as it is", on_progress)
    scenes = [_scene(base, wide.classes, cells, fold) for cells, fold in asked if len(cells)]
    steps = Steps(FOLDS + len(wide.parts), partial(on_progress, "teaching the finder") if on_progress else None)
    teacher = _Teacher(wide, len(base.classes), tuple(scenes), settings, seed)
    learnt = {}
    for k in range(FOLDS):
        learnt[k] = teacher.learnt(k, teacher.of_fold(k), RIDGES)
        steps.step()
    kept = teacher.choice(learnt)
    # along the same path as when it was chosen
    ridges = () if kept.ridge is None else RIDGES[: RIDGES.index(kept.ridge) + 1]
    parts = []
    for number, part in enumerate(wide.parts):
        parts.append(TwoPasses(part.first, teacher.learnt(number, range(len(scenes)), ridges).at(kept.ridge)))
        steps.step()
    cross = {k: TwoPasses(wide.parts[k].first, one.at(kept.ridge)) for k, one in learnt.items()}
    other = {k: replace(wide, parts=(cross[1 - k],)) for k in range(FOLDS)}
    return Taught(other, replace(wide, parts=tuple(parts)), kept)


def _scene(finder: Finder, classes: tuple[str, ...], cells: PhotoCells, fold: int) -> _Scene:
    """finder : as it was; classes : its own, then new ones, of which it says nothing"""
    if cells.names != finder.feature_names:
        raise ValueError("expected cells of the finder's features, got others: look at the photographs again")
    rough = around(CellLesson(cells.names, cells.xy, cells.features, cells.classes, cells.lanes))
    new = np.zeros((len(cells), len(classes) - len(finder.classes)))
    told = (part.probabilities(cells.features, rough) for part in finder.parts)
    own = tuple(np.hstack([p, new]).astype(np.float32) for p in told)
    lesson = as_lesson(cells, np.mean(own, axis=0), classes)
    return _Scene(lesson, cells.rejected, cells.reviewed, fold, own)


@dataclass(frozen=True)
class _Teacher:
    """Teaches second passes on some of the scenes. known : how many classes the finder knew before."""

    finder: Finder
    known: int
    scenes: tuple[_Scene, ...]
    settings: CellSettings
    seed: int

    def of_fold(self, fold: int) -> list[int]:
        return [n for n, scene in enumerate(self.scenes) if scene.fold == fold]

    def learnt(self, number: int, numbers: Sequence[int], ridges: Sequence[float]) -> _Learnt:
        """The second pass of a part, taught on these scenes; as it was where there is nothing to learn."""
        part = self.finder.parts[number]
        y, rejected, reviewed = self._cells(numbers)
        if not (y >= 0).any():
            return _Learnt(part.second, dict.fromkeys(ridges, part.second))
        rng = np.random.default_rng(self.seed + number)
        rows = chosen_rows(y, rejected, reviewed, self.finder.classes, self.settings, rng)
        x = self._gathered(partial(_Scene.sees, part=part), numbers, rows)
        said = self._gathered(lambda scene: self._targets(scene, number), numbers, rows)
        new = [c for c in range(self.known, len(self.finder.classes)) if (y == c).any()]
        start, ends = [], []
        for member in part.second:
            wide = seeing_further_back(member)
            start.append(outputs_taught(wide, x, said, new, (*RIDGES, NEW_RIDGE))[-1] if new else member)
            # a label that nobody showed it stays next to never said, it is not taught to be rarer still
            ends.append(outputs_taught(start[-1] if new else wide, x, said, [*range(self.known), *new], ridges))
        return _Learnt(tuple(start), {ridge: tuple(e[k] for e in ends) for k, ridge in enumerate(ridges)})

    def choice(self, learnt: dict[int, _Learnt]) -> Choice:
        """How freely it should learn, by the answers on the fold that was not taught on."""
        told: dict[float, list[dict[Kind, np.ndarray]]] = {ridge: [] for ridge in RIDGES}
        before = []
        if not all(self._corrected(fold) for fold in learnt):  # nobody was taught, or nobody can be asked
            learnt = {}
        for k, one in learnt.items():
            there = self.of_fold(1 - k)
            y, rejected, reviewed = self._cells(there)
            kinds = kinds_of_cells(y, rejected, reviewed, self.finder.classes, np.random.default_rng(self.seed + k))
            kinds = {kind: mine for kind, mine in kinds.items() if kind[1] not in self._untold(k)}
            if not kinds:
                continue
            rows = np.concatenate(list(kinds.values()))
            ends = np.cumsum([len(mine) for mine in kinds.values()])
            at = {kind: np.arange(end - len(mine), end) for (kind, mine), end in zip(kinds.items(), ends, strict=True)}
            x = self._gathered(partial(_Scene.sees, part=self.finder.parts[k]), there, rows)
            before.append(losses_by_kind(mean_answer(one.start, x), y[rows], at))
            for ridge in RIDGES:
                told[ridge].append(losses_by_kind(mean_answer(one.ends[ridge], x), y[rows], at))
        return chosen({ridge: together(each) for ridge, each in told.items()}, together(before))

    def _corrected(self, fold: int) -> bool:
        """Whether a review said anything of an assembly of this fold."""
        return any(s.reviewed and (s.lesson.classes >= 0).any() for s in self.scenes if s.fold == fold)

    def _untold(self, fold: int) -> set[str]:
        """New labels that no photograph of the fold shows: who learnt from it cannot be asked for them."""
        told = np.unique(self._cells(self.of_fold(fold))[0])
        return {self.finder.classes[c] for c in range(self.known, len(self.finder.classes)) if c not in told}

    def _targets(self, scene: _Scene, part: int) -> np.ndarray:
        return targets(scene.lesson.classes, scene.own[part], scene.reviewed, self.finder.classes)

    def _cells(self, numbers: Sequence[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Classes of all cells of these scenes, whether on a false find, whether reviewed."""
        mine = [self.scenes[n] for n in numbers]
        no = np.zeros(0, bool)
        return (
            np.concatenate([np.zeros(0, int), *(s.lesson.classes for s in mine)]),
            np.concatenate([no, *(s.rejected for s in mine)]),
            np.concatenate([no, *(np.full(len(s.lesson.xy), s.reviewed) for s in mine)]),
        )

    def _gathered(self, of: Callable[[_Scene], np.ndarray], numbers: Sequence[int], rows: np.ndarray) -> np.ndarray:
        sizes = [len(self.scenes[n].lesson.xy) for n in numbers]
        return gathered(lambda i: of(self.scenes[numbers[i]]), sizes, [rows])[0]
