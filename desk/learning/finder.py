"""Teaches the shipped finder from corrected photographs mixed with generated scenes, in two folds of assemblies."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from sklearn.pipeline import Pipeline

from desk.finder_training import around, gathered
from desk.learning.cells import PhotoCells, as_lesson
from desk.learning.finder_kept import SHARES, Choice, Kind, chosen, kinds_of_cells, losses_by_kind, together
from desk.learning.finder_rows import CellSettings, as_answered, chosen_rows, sound_numbers
from desk.learning.sides import FOLDS
from desk.training_set import CellLesson
from models.damage.finder import Finder, Neighbourhood, TwoPasses, mean_answer, second_pass_input
from models.damage.refit import Steps
from models.damage.update import between, outputs_taught, updated, widened

PassName = Literal["first", "second"]
Sees = Callable[[int], np.ndarray]
"""Number of a scene to what a pass sees of its cells, (N, F)."""
_SEED_OF = {"first": 0, "second": 50}


@dataclass(frozen=True)
class Taught:
    """Finders after the corrections.

    other[k] : learnt from no assembly of fold k; final : from all; kept : by pass, how much of what it was taught was
    kept, chosen by photographs of the other fold
    """

    other: dict[int, Finder]
    final: Finder
    kept: dict[PassName, Choice]


@dataclass(frozen=True)
class _Scene:
    """One photograph as both passes learn from it. fold : of its assembly; of the generated ones too; own : by part,
    what both its passes said of the cells before."""

    lesson: CellLesson
    rejected: np.ndarray
    reviewed: bool
    fold: int
    own: tuple[dict[PassName, np.ndarray], ...]

    @property
    def around(self) -> Neighbourhood:
        return around(self.lesson)


@dataclass(frozen=True)
class _Descent:
    """Members of a pass before they were taught further (but for outputs of new labels) and after."""

    start: tuple[Pipeline, ...]
    end: tuple[Pipeline, ...]

    def at(self, share: float) -> tuple[Pipeline, ...]:
        return tuple(between(a, b, share) for a, b in zip(self.start, self.end, strict=True))


def teach_finder(
    base: Finder,
    corrected: Sequence[tuple[PhotoCells, int]],
    generated: Sequence[PhotoCells],
    settings: CellSettings,
    seed: int,
    on_step: Callable[[int, int], None] | None = None,
) -> Taught:
    """The base finder taught further. corrected : cells of photographs with the fold of their assembly.

    First each part learns from one fold: what it says of the other is what it says of assemblies it never saw, so it
    teaches second passes and namers, and tells how much of what was taught does good. Then each part of the base
    learns from all, and keeps so much.
    """
    new = sorted({name for cells, _ in corrected for name in cells.class_names} - set(base.classes))
    wide = widened(base, new, seed)
    scenes = [_scene(wide, cells, fold) for cells, fold in corrected if len(cells)]
    scenes += [_scene(wide, cells, k % FOLDS) for k, cells in enumerate(generated) if len(cells)]
    steps = Steps(2 + len(wide.parts), on_step)
    teacher = _Teacher(wide, len(base.classes), tuple(scenes), settings, seed)
    first = teacher.over_folds("first", teacher.alone)
    # by what both passes say with the second as it was: a first pass that is better alone can mislead it
    plain = {k: part.second for k, part in enumerate(wide.parts)}
    kept_first = teacher.choice((share, teacher.after(_at(first, share)), plain) for share in SHARES)
    firsts = _at(first, kept_first.share)
    steps.step()
    sees = teacher.after(firsts)
    second = teacher.over_folds("second", sees)
    kept_second = teacher.choice((share, sees, _at(second, share)) for share in SHARES)
    seconds = _at(second, kept_second.share)
    cross = {k: TwoPasses(firsts[k], seconds[k]) for k in range(FOLDS)}
    steps.step()
    parts = []
    for number in range(len(wide.parts)):
        all_ = range(len(scenes))
        whole = teacher.descent("first", number, all_, teacher.alone).at(kept_first.share)
        parts.append(TwoPasses(whole, teacher.descent("second", number, all_, sees).at(kept_second.share)))
        steps.step()
    other = {k: replace(wide, parts=(cross[1 - k],)) for k in range(FOLDS)}
    return Taught(other, replace(wide, parts=tuple(parts)), {"first": kept_first, "second": kept_second})


def _at(descents: Mapping[int, _Descent], share: float) -> dict[int, tuple[Pipeline, ...]]:
    return {k: descent.at(share) for k, descent in descents.items()}


def _scene(finder: Finder, cells: PhotoCells, fold: int) -> _Scene:
    if cells.names != finder.feature_names:
        raise ValueError("expected cells of the finder's features, got others: look at the photographs again")
    rough = around(CellLesson(cells.names, cells.xy, cells.features, cells.classes, cells.lanes))
    own: list[dict[PassName, np.ndarray]] = []
    for part in finder.parts:
        first = mean_answer(part.first, cells.features)
        second = mean_answer(part.second, second_pass_input(cells.features, first, rough))
        own.append({"first": first.astype(np.float32), "second": second.astype(np.float32)})
    answers = np.mean([one["second"] for one in own], axis=0)
    return _Scene(as_lesson(cells, answers, finder.classes), cells.rejected, cells.reviewed, fold, tuple(own))


@dataclass(frozen=True)
class _Teacher:
    """Teaches passes on some of the scenes. known : how many classes the finder knew before."""

    finder: Finder
    known: int
    scenes: tuple[_Scene, ...]
    settings: CellSettings
    seed: int

    def alone(self, number: int) -> np.ndarray:
        """What first passes see of a scene, (N, F)."""
        return self.scenes[number].lesson.features

    def over_folds(self, name: PassName, sees: Sees) -> dict[int, _Descent]:
        """The pass of part k, taught on fold k."""
        return {k: self.descent(name, k, self._of_fold(k), sees) for k in range(FOLDS)}

    def after(self, firsts: Mapping[int, tuple[Pipeline, ...]]) -> Sees:
        """What second passes see: answers of the first pass that learnt from the other fold."""

        def sees(number: int) -> np.ndarray:
            scene = self.scenes[number]
            answer = mean_answer(firsts[1 - scene.fold], scene.lesson.features)
            return second_pass_input(scene.lesson.features, answer, scene.around)

        return sees

    def descent(self, name: PassName, part: int, numbers: Sequence[int], sees: Sees) -> _Descent:
        """A pass of a part, taught on these scenes; as it was where there is nothing to learn."""
        members: tuple[Pipeline, ...] = getattr(self.finder.parts[part], name)
        if not numbers:
            return _Descent(members, members)
        update, seed = self.settings.update, self.seed + _SEED_OF[name]
        _, rejected, reviewed = self._cells(numbers)
        y = np.concatenate([self._said(n, part, name) for n in numbers], axis=1)
        rows = [
            chosen_rows(y[0], rejected, reviewed, self.finder.classes, self.settings, np.random.default_rng(seed + k))
            for k in range(len(members))
        ]
        start, end = [], []
        for k, (member, x) in enumerate(zip(members, self._gathered(sees, numbers, rows), strict=True)):
            start.append(outputs_taught(member, self.known, x, y[0, rows[k]], update))
            end.append(updated(start[-1], x, y[:, rows[k]], seed + k, update))
        return _Descent(tuple(start), tuple(end))

    def choice(self, taken: Iterable[tuple[float, Sees, Mapping[int, tuple[Pipeline, ...]]]]) -> Choice:
        """How much of what was taught is kept, by the answers on the fold that was not taught on.

        taken : shares, each with what second passes see then and with those that were taught on each fold
        """
        asked = [(k, *self._asked(k)) for k in range(FOLDS) if self._of_fold(1 - k)]
        asked = [one for one in asked if len(one[1])]
        own = [self._gathered(partial(self._own, k), self._of_fold(1 - k), [rows])[0] for k, rows, _, _ in asked]
        before = together([losses_by_kind(p, y, at) for p, (_, _, y, at) in zip(own, asked, strict=True)])
        losses, seen, x = {}, None, []
        for share, sees, members in taken:
            if sees is not seen:
                seen, x = sees, [self._gathered(sees, self._of_fold(1 - k), [rows])[0] for k, rows, _, _ in asked]
            told = [(mean_answer(members[k], mine), y, at) for mine, (k, _, y, at) in zip(x, asked, strict=True)]
            losses[share] = together([losses_by_kind(*one) for one in told])
        return chosen(losses, before)

    def _own(self, part: int, number: int) -> np.ndarray:
        """What a part said of a scene before."""
        return self.scenes[number].own[part]["second"]

    def _asked(self, k: int) -> tuple[np.ndarray, np.ndarray, dict[Kind, np.ndarray]]:
        """Cells that those taught on fold k are asked: row numbers in the other fold, classes, places by kind."""
        y, rejected, reviewed = self._cells(self._of_fold(1 - k))
        kinds = kinds_of_cells(y, rejected, reviewed, self.finder.classes, np.random.default_rng(self.seed + k))
        rows = np.concatenate([np.zeros(0, int), *kinds.values()])
        ends = np.cumsum([len(mine) for mine in kinds.values()])
        at = {kind: np.arange(end - len(mine), end) for (kind, mine), end in zip(kinds.items(), ends, strict=True)}
        return rows, y[rows], at

    def _of_fold(self, fold: int) -> list[int]:
        return [n for n, scene in enumerate(self.scenes) if scene.fold == fold]

    def _said(self, number: int, part: int, name: PassName) -> np.ndarray:
        """(epochs, N) what a scene's cells are said to be: damage by the review, all else by the pass as it was before.

        Of a sound cell a review says only that it is sound.
        """
        scene, epochs = self.scenes[number], self.settings.update.epochs
        rng = np.random.default_rng([self.seed, part, number, _SEED_OF[name]])
        sound, classes = sound_numbers(self.finder.classes), scene.lesson.classes
        among = sound if scene.reviewed else np.arange(self.known)
        own = np.isin(classes, sound) if scene.reviewed else classes >= 0
        return np.where(own, as_answered(scene.own[part][name], among, epochs, rng), classes)

    def _cells(self, numbers: Sequence[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Classes of all cells of these scenes, whether on a false find, whether reviewed."""
        mine = [self.scenes[n] for n in numbers]
        return (
            np.concatenate([s.lesson.classes for s in mine]),
            np.concatenate([s.rejected for s in mine]),
            np.concatenate([np.full(len(s.lesson.xy), s.reviewed) for s in mine]),
        )

    def _gathered(self, sees: Sees, numbers: Sequence[int], rows: Sequence[np.ndarray]) -> list[np.ndarray]:
        return gathered(lambda i: sees(numbers[i]), [len(self.scenes[n].lesson.xy) for n in numbers], rows)
