"""Recorded candidates, folds of whole scenes over them, and macro-F1 with intervals: for the benchmarks beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from sklearn.model_selection import GroupKFold

from models.damage.card import SHIPPED
from models.damage.lessons import LESSONS_FILE, Lessons, LessonsError, load_lessons

DRAWS = 2000


@dataclass(frozen=True)
class Interval:
    """A figure with its 95 % interval, from drawing whole scenes."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.3f} ({self.low:.3f} to {self.high:.3f})"


def read_lessons(path: str | None) -> dict[str, Lessons]:
    """Lessons of a file, or of a folder with a model; those of the shipped model without it."""
    at = SHIPPED if path is None else Path(path)
    try:
        return load_lessons(at / LESSONS_FILE if at.is_dir() else at)
    except LessonsError as error:
        raise SystemExit(str(error)) from error


def folds(groups: np.ndarray, count: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Rows to learn from and rows to answer, whole groups on one side."""
    return list(GroupKFold(count).split(groups, groups=groups))


def confusions(truth: np.ndarray, said: np.ndarray, groups: np.ndarray, classes: int) -> np.ndarray:
    """(G, C, C) counts of (true, said) class numbers by group; ``said`` -1 is no answer and counts as a miss."""
    _, which = np.unique(groups, return_inverse=True)
    out = np.zeros((which.max() + 1, classes, classes + 1))
    np.add.at(out, (which, truth, said), 1)
    return out


def f1s(counts: np.ndarray) -> np.ndarray:
    """(..., C) F1 by class of (..., C, C + 1) counts; nan where the class is not in the truth."""
    hit = np.diagonal(counts[..., :-1], axis1=-2, axis2=-1)
    true, said = counts.sum(axis=-1), counts[..., :-1].sum(axis=-2)
    return np.where(true > 0, 2 * hit / np.maximum(true + said, 1), np.nan)


def _drawn(number: int) -> np.ndarray:
    """(DRAWS, G) how often each group is drawn; the same for the same number of groups, so that differences pair."""
    rng = np.random.default_rng(0)
    return rng.multinomial(number, np.full(number, 1 / number), DRAWS)


def macro_f1(counts: np.ndarray) -> Interval:
    """Macro-F1 of (G, C, C + 1) counts over the classes in the truth."""
    draws = np.nanmean(f1s(np.tensordot(_drawn(len(counts)), counts, 1)), axis=-1)
    low, high = np.quantile(draws, [0.025, 0.975])
    return Interval(float(np.nanmean(f1s(counts.sum(axis=0)))), float(low), float(high))


def difference(first: np.ndarray, second: np.ndarray) -> Interval:
    """Macro-F1 of the first less that of the second, on the same groups, drawn together."""
    weights = _drawn(len(first))
    one, other = (np.nanmean(f1s(np.tensordot(weights, counts, 1)), axis=-1) for counts in (first, second))
    low, high = np.quantile(one - other, [0.025, 0.975])
    value = np.nanmean(f1s(first.sum(axis=0))) - np.nanmean(f1s(second.sum(axis=0)))
    return replace(Interval(0.0, float(low), float(high)), value=float(value))
