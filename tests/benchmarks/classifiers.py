"""Which classifier names candidates best: `python tests/benchmarks/classifiers.py [--lessons PATH] [--kind KIND]`.

ExtraTrees, gradient boosting and logistic regression on the candidates recorded beside the shipped model, on equal
footing: the same features and weights; five outer folds of whole scenes; in each, three inner folds choose among each
one's settings by log loss and set its temperature. Printed on the outer folds: macro-F1 (95 % interval from drawing
whole scenes), Brier score (sum over the labels), ECE of the likeliest label in 10 bins, processor time to fit with the
settings chosen and to name one photograph's candidates (five), and the size as a file.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")

import numpy as np
import skops.io
from held_out import confusions, difference, folds, macro_f1, read_lessons
from sklearn.base import ClassifierMixin
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from desk.statistics import ece
from models.damage.lessons import Lessons
from models.damage.namer import inverse_temperature, tempered

SEED = 20_000
OUTER, INNER = 5, 3


def _forest(leaf: int, share: float) -> ClassifierMixin:
    return ExtraTreesClassifier(200, min_samples_leaf=leaf, max_features=share, random_state=SEED)


def _boosting(rate: float, leaves: int) -> ClassifierMixin:
    return HistGradientBoostingClassifier(
        learning_rate=rate, max_leaf_nodes=leaves, max_iter=60, l2_regularization=1.0, max_features=0.3,
        early_stopping=False, random_state=SEED,
    )  # fmt: skip


def _logistic(c: float) -> ClassifierMixin:
    return make_pipeline(StandardScaler(), LogisticRegression(C=c, max_iter=400))


CONTENDERS: dict[str, tuple[Callable[..., ClassifierMixin], list[tuple]]] = {
    "ExtraTrees": (_forest, [(2, 0.3), (2, 0.1), (5, 0.3)]),
    "logistic regression": (_logistic, [(0.003,), (0.03,), (0.3,)]),
    "gradient boosting": (_boosting, [(0.05, 7), (0.1, 7), (0.1, 15)]),
}


@dataclass(frozen=True)
class Outcome:
    """One contender on the outer folds. p : (n, C); fit_s, name_s : processor seconds; chosen : settings by fold."""

    p: np.ndarray
    fit_s: float
    name_s: float
    size_mb: float
    chosen: list[tuple]


def _weights(y: np.ndarray, kind: str) -> np.ndarray:
    """As the shipped namers weigh: labels on wires alike, broken housings 0.7."""
    if kind == "shell":
        return np.where(y == 0, 0.7, 1.0)
    return (len(y) / (len(np.unique(y)) * np.bincount(y)))[y]


def _fit(model: Any, x: np.ndarray, y: np.ndarray, w: np.ndarray) -> Any:
    if hasattr(model, "steps"):
        return model.fit(x, y, **{f"{model.steps[-1][0]}__sample_weight": w})
    return model.fit(x, y, sample_weight=w)


def _held_out(make: Callable[[], Any], x: np.ndarray, y: np.ndarray, w: np.ndarray, groups: np.ndarray) -> np.ndarray:
    p = np.zeros((len(y), y.max() + 1))
    for train, test in folds(groups, INNER):
        p[test] = _fit(make(), x[train], y[train], w[train]).predict_proba(x[test])
    return p


def _log_loss(p: np.ndarray, y: np.ndarray, w: np.ndarray) -> float:
    return -float(np.average(np.log(np.clip(p[np.arange(len(y)), y], 1e-12, 1)), weights=w))


def compete(name: str, x: np.ndarray, y: np.ndarray, w: np.ndarray, groups: np.ndarray) -> Outcome:
    """One contender: settings and temperature from inner folds, answers on outer ones."""
    kind, settings = CONTENDERS[name]
    p, fit_s, name_s, chosen = np.zeros((len(y), y.max() + 1)), [], [], []
    model: Any = None
    for train, test in folds(groups, OUTER):
        tried = []
        for one in settings:
            inner = _held_out(lambda one=one: kind(*one), x[train], y[train], w[train], groups[train])
            sharp = inverse_temperature(inner, y[train], w[train])
            tried.append((_log_loss(tempered(inner, sharp), y[train], w[train]), one, sharp))
        _, best, sharp = min(tried)
        start = time.process_time()
        model = _fit(kind(*best), x[train], y[train], w[train])
        fit_s.append(time.process_time() - start)
        start = time.process_time()
        model.predict_proba(x[test][:5])
        name_s.append(time.process_time() - start)
        p[test] = tempered(model.predict_proba(x[test]), sharp)
        chosen.append(best)
    size = len(skops.io.dumps(model)) / 1e6
    return Outcome(p, float(np.median(fit_s)), float(np.median(name_s)), size, chosen)


def compare(kind: str, lessons: Lessons) -> None:
    """Print the table of one namer's candidates."""
    labels = sorted(set(lessons.labels.tolist()))
    y = np.array([labels.index(name) for name in lessons.labels.tolist()])
    x, w = np.ascontiguousarray(lessons.x), lessons.weights * _weights(y, kind)
    scenes = len(np.unique(lessons.groups))
    print(f"{kind}: {len(y)} candidates of {scenes} scenes, {x.shape[1]} features, {len(labels)} labels")
    print(f"  {'':20}{'macro-F1':24}{'Brier':>7}{'ECE':>7}{'fit s':>8}{'5 named, s':>12}{'MB':>7}  settings chosen")
    first = None
    for name in CONTENDERS:
        done = compete(name, x, y, w, lessons.groups)
        said = done.p.argmax(axis=1)
        counts = confusions(y, said, lessons.groups, len(labels))
        brier = float(((done.p - np.eye(len(labels))[y]) ** 2).sum(axis=1).mean())
        error = ece(done.p.max(axis=1).tolist(), (said == y).tolist())
        settings = ", ".join(f"{one} x{done.chosen.count(one)}" for one in dict.fromkeys(done.chosen))
        print(
            f"  {name:20}{macro_f1(counts)!s:24}{brier:7.3f}{error:7.3f}{done.fit_s:8.1f}{done.name_s:12.3f}"
            f"{done.size_mb:7.1f}  {settings}",
            flush=True,
        )
        if first is None:
            first = counts
        else:
            print(f"  {'':20}ExtraTrees less it: {difference(first, counts)}", flush=True)


def main() -> None:
    """Both tables, or one."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lessons")
    parser.add_argument("--kind", choices=("wires", "shell"))
    options = parser.parse_args()
    for kind, lessons in read_lessons(options.lessons).items():
        if options.kind in (None, kind):
            compare(kind, lessons)


if __name__ == "__main__":
    main()
