"""Fits a namer anew on recorded lessons: settings chosen, calibrated and its limits set on groups not trained on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TypeAlias

import numpy as np
from sklearn.covariance import LedoitWolf
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.metrics import log_loss
from sklearn.model_selection import GroupKFold
from sklearn.preprocessing import StandardScaler
from threadpoolctl import threadpool_limits

from models.damage.boosting import fit_weighted
from models.damage.lessons import Lessons
from models.damage.namer import (
    _NOVEL_QUANTILE,
    MISCOVERAGE,
    Namer,
    booster,
    conformal_thresholds,
    inverse_temperature,
    miscoverages,
    shifted,
    tempered,
    votes,
)
from models.damage.packed import Trees

FOLDS = 5
_INNER_FOLDS = 3
_CHOOSE_ON = 1500
"""Candidates that the choice of settings looks at, at most."""
_CHOOSE_TREES = 40
_FOLD_TREES = 60
_ALL_TREES = 200
"""Reckoned with where a task names none, to begin the longest first."""


class RefitError(ValueError):
    """The lessons do not suffice; the message says what would do."""


@dataclass(frozen=True)
class ForestSettings:
    """One choice of the classifier. `max_features`: share of the features that a split looks at; `class_weights`: of
    the labels in their order, balanced by their number without it."""

    min_samples_leaf: int = 2
    max_features: float = 0.3
    trees: int = 200
    class_weights: tuple[float, ...] | None = None

    def fresh(self, seed: int, trees: int | None = None) -> ExtraTreesClassifier:
        """An unfitted forest of these settings, of so many trees as asked for."""
        return ExtraTreesClassifier(
            n_estimators=trees or self.trees, min_samples_leaf=self.min_samples_leaf, max_features=self.max_features,
            class_weight=dict(enumerate(self.class_weights)) if self.class_weights else "balanced",
            random_state=seed,
        )  # fmt: skip

    def fitted(
        self, x: np.ndarray, y: np.ndarray, weights: np.ndarray, seed: int, trees: int | None = None
    ) -> ExtraTreesClassifier:
        """A forest of so many trees, fitted to (n, F) signs, (n,) classes and weights."""
        return self.fresh(seed, trees).fit(x, y, weights)

    @property
    def words(self) -> str:
        """The choice in the card's words."""
        return f"forest, leaves of {self.min_samples_leaf}, {self.max_features:.0%} of the features"


@dataclass(frozen=True)
class BoosterSettings:
    """Boosted trees in place of a forest. `leaves`: of each tree, at most; `rounds`: of a tree for every label."""

    leaves: int = 15
    rounds: int = 200

    def fresh(self, seed: int) -> HistGradientBoostingClassifier:
        """An unfitted booster of these settings."""
        return booster(seed).set_params(max_leaf_nodes=self.leaves, max_iter=self.rounds)

    def fitted(
        self, x: np.ndarray, y: np.ndarray, weights: np.ndarray, seed: int, trees: int | None = None
    ) -> HistGradientBoostingClassifier:
        """A booster fitted to (n, F) signs, (n,) classes and weights.

        It takes all its rounds, however many trees a forest would be given: fewer make another classifier.
        """
        return fit_weighted(self.fresh(seed), x, y, weights)

    @property
    def words(self) -> str:
        """The choice in the card's words."""
        return f"boosted trees, {self.leaves} leaves each, {self.rounds} rounds"


ClassifierSettings: TypeAlias = ForestSettings | BoosterSettings
CHOICES: tuple[ClassifierSettings, ...] = (BoosterSettings(),)
"""For wires, as `namer.booster`. Forests are no choice beside it: how sure of itself a classifier is goes by its kind,
and the folds that calibrate must be of the last one's."""
SHELL_CHOICES: tuple[ClassifierSettings, ...] = (
    ForestSettings(2, 0.5, 300, (0.7, 1.0)),
    ForestSettings(5, 0.3, 300, (0.7, 1.0)),
)
"""For housings, as `namer.shell_forest`: broken ones count less, they are more frequent in lessons than in a shop."""


@dataclass(frozen=True)
class Refitted:
    """A namer, and how it was found.

    held_out : (n, C) calibrated probabilities that folds not trained on gave each lesson; far : (n,) bool, novel to
    those folds; losses : log loss of every choice, by its words
    """

    namer: Namer
    held_out: np.ndarray
    far: np.ndarray
    settings: ClassifierSettings
    losses: dict[str, float]


@dataclass(frozen=True)
class _Task:
    """One classifier to fit, and the rows it answers afterwards. trees : of a forest, None for all its settings name"""

    settings: ClassifierSettings
    trees: int | None
    seed: int
    train: np.ndarray
    test: np.ndarray


def refit_namer(
    labels: tuple[str, ...],
    lessons: Lessons,
    seed: int,
    calibrates: np.ndarray | None = None,
    choices: Sequence[ClassifierSettings] = CHOICES,
    workers: int = 1,
    on_step: Callable[[int, int], None] | None = None,
    sound_shift: float = 0.0,
    sound_miscoverage: float = MISCOVERAGE,
) -> Refitted:
    """Fit a namer on lessons; everything but the last classifier is decided on groups that were not trained on.

    In each of five outer folds the settings are chosen by inner folds of the other groups; what the chosen one
    says of the outer fold calibrates the probabilities, sets the conformal thresholds and the limit of novelty.
    ``calibrates`` : (n,) bool, lessons that may do so (all without it); ``sound_shift``, ``sound_miscoverage`` : as in
    the namer that was there before. Raises RefitError.
    """
    y = _numbers(labels, lessons)
    may = np.ones(len(lessons), bool) if calibrates is None else calibrates
    x = np.ascontiguousarray(lessons.x)
    outer = _folds(lessons.groups, FOLDS)
    parts = [train for train, _ in outer]
    with _Pool(x, y, lessons.weights, workers) as pool:
        total = (len(choices) * _INNER_FOLDS * (FOLDS + 1) if len(choices) > 1 else 0) + FOLDS + 1
        counter = Steps(total, on_step)
        chosen = _chosen(pool, [*parts, np.arange(len(y))], lessons.groups, y, choices, seed, counter)
        tasks = [_Task(one.best, _FOLD_TREES, seed, *rows) for one, rows in zip(chosen[:-1], outer, strict=True)]
        last = chosen[-1]
        tasks.append(_Task(last.best, None, seed, np.arange(len(y)), np.zeros(0, int)))
        answers = pool.run(tasks, counter)
        classifier = pool.last
    raw = np.zeros((len(y), len(labels)))
    for (_, test), answer in zip(outer, answers[:-1], strict=True):
        raw[test] = answer
    sharpened = inverse_temperature(raw[may], y[may], lessons.weights[may])
    held_out = shifted(tempered(raw, sharpened), labels, sound_shift)
    scaler = StandardScaler().fit(x)
    distances = _held_out_distances(scaler.transform(x), outer)
    beyond = float(np.quantile(distances[may], _NOVEL_QUANTILE))
    namer = Namer(
        labels, lessons.names, classifier, sharpened, scaler, LedoitWolf().fit(scaler.transform(x)),
        conformal_thresholds(held_out[may], y[may], miscoverages(labels, sound_miscoverage)), beyond, sound_shift,
    )  # fmt: skip
    return Refitted(namer, held_out, distances > beyond, last.best, last.losses)


def _numbers(labels: tuple[str, ...], lessons: Lessons) -> np.ndarray:
    """(n,) class numbers; RefitError where a label is not among ``labels``, has no example or too few groups."""
    absent = sorted(set(labels) - set(lessons.labels.tolist()))
    foreign = sorted(set(lessons.labels.tolist()) - set(labels))
    if foreign:
        raise RefitError(f"expected labels among {', '.join(labels)}, got {', '.join(foreign)}")
    if absent:
        raise RefitError(f"expected examples of every label, got none of {', '.join(absent)}: correct or make some")
    if len(np.unique(lessons.groups)) < FOLDS:
        raise RefitError(f"expected lessons of at least {FOLDS} assemblies or scenes, got fewer: correct more")
    return np.array([labels.index(name) for name in lessons.labels.tolist()])


def _folds(groups: np.ndarray, count: int) -> list[tuple[np.ndarray, np.ndarray]]:
    return list(GroupKFold(count).split(groups, groups=groups))


@dataclass(frozen=True)
class _Choice:
    best: ClassifierSettings
    losses: dict[str, float]


def _chosen(
    pool: _Pool,
    parts: Sequence[np.ndarray],
    groups: np.ndarray,
    y: np.ndarray,
    choices: Sequence[ClassifierSettings],
    seed: int,
    counter: Steps,
) -> list[_Choice]:
    """For each part the settings of least log loss over inner folds of it; where there is one choice, that."""
    if len(choices) == 1:
        return [_Choice(choices[0], {})] * len(parts)
    rng = np.random.default_rng(seed)
    tasks, plan = [], []
    for part in parts:
        rows = np.sort(rng.choice(part, _CHOOSE_ON, replace=False)) if len(part) > _CHOOSE_ON else part
        inner = [(rows[a], rows[b]) for a, b in _folds(groups[rows], _INNER_FOLDS)]
        plan.append(inner)
        tasks += [_Task(choice, _CHOOSE_TREES, seed, *fold) for choice in choices for fold in inner]
    answers = iter(pool.run(tasks, counter))
    out = []
    for inner in plan:
        losses = {}
        for choice in choices:
            told = [next(answers) for _ in inner]
            truth = np.concatenate([y[test] for _, test in inner])
            losses[choice] = _loss(truth, np.concatenate(told))
        best = min(choices, key=lambda choice: losses[choice])
        out.append(_Choice(best, {choice.words: round(loss, 4) for choice, loss in losses.items()}))
    return out


def _loss(truth: np.ndarray, p: np.ndarray) -> float:
    smooth = 0.98 * p + 0.02 / p.shape[1]  # a forest of few trees says 0 now and then
    return float(log_loss(truth, smooth, labels=np.arange(p.shape[1])))


def _held_out_distances(x: np.ndarray, folds: Sequence[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    out = np.zeros(len(x))
    for train, test in folds:
        out[test] = LedoitWolf().fit(x[train]).mahalanobis(x[test])
    return out


class Steps:
    """Counts steps done and tells each to `on_step` (done, total), and at once that none is done yet."""

    def __init__(self, total: int, on_step: Callable[[int, int], None] | None) -> None:
        self.done, self.total, self.on_step = 0, total, on_step
        if on_step and total:
            on_step(0, total)

    def step(self) -> None:
        """One more is done."""
        self.done += 1
        if self.on_step:
            self.on_step(self.done, self.total)


_DATA: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None
"""Inputs, class numbers and weights, in every process of the pool: sent once, not with every task."""


def _hold(x: np.ndarray, y: np.ndarray, weights: np.ndarray) -> None:
    global _DATA
    _DATA = (x, y, weights)


def _fitted(task: _Task, keep: bool) -> tuple[np.ndarray, Trees | None]:
    """Fit one classifier; its answers on the test rows, (m, C), and itself where it is wanted.

    On one thread: a booster's sums, and so its hash, go by their number.
    """
    assert _DATA is not None
    x, y, weights = _DATA
    with threadpool_limits(1):
        fitted = task.settings.fitted(x[task.train], y[task.train], weights[task.train], task.seed, task.trees)
    p = np.zeros((len(task.test), int(y.max()) + 1))
    if len(task.test):
        p[:, fitted.classes_] = votes(fitted, x[task.test])
    return p, fitted if keep else None


class _Pool:
    """Fits classifiers in this process or in several; results come in the order of the tasks."""

    def __init__(self, x: np.ndarray, y: np.ndarray, weights: np.ndarray, workers: int) -> None:
        self.data, self.workers = (x, y, weights), workers
        self.last: Trees

    def __enter__(self) -> _Pool:
        _hold(*self.data)
        self.executor = (
            ProcessPoolExecutor(
                self.workers, mp_context=get_context("spawn"), initializer=_hold, initargs=self.data
            )
            if self.workers > 1
            else None
        )  # fmt: skip
        return self

    def __exit__(self, *_: object) -> None:
        if self.executor:
            self.executor.shutdown(cancel_futures=True)

    def run(self, tasks: Sequence[_Task], counter: Steps) -> list[np.ndarray]:
        """Answers of every task; what a task that tests nothing fitted is kept as `last`."""
        keep = [len(task.test) == 0 for task in tasks]
        # the longest first, so that no process is left alone with it
        order = sorted(range(len(tasks)), key=lambda i: -(tasks[i].trees or _ALL_TREES) * len(tasks[i].train))
        given = [tasks[i] for i in order], [keep[i] for i in order]
        done = self.executor.map(_fitted, *given) if self.executor else map(_fitted, *given)
        out: dict[int, np.ndarray] = {}
        for i, (p, fitted) in zip(order, done, strict=True):
            out[i] = p
            if fitted is not None:
                self.last = fitted
            counter.step()
        return [out[i] for i in range(len(tasks))]
