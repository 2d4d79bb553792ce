"""Which cells a finder is taught from, and what they are said to be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from desk.learning.cells import SOUND_CLASSES
from models.damage.finder import balanced


@dataclass(frozen=True)
class CellSettings:
    """How cells are mixed.

    `per_class`: generated cells of each class, and corrected ones of each kind, at most; `weight`: how many generated
    cells one corrected cell counts as; `least`: corrected damage and false finds are repeated up to so many, lest few
    of them go under.
    """

    per_class: int = 3000
    weight: float = 3.0
    least: int = 900


def targets(classes: np.ndarray, answers: np.ndarray, reviewed: bool, names: tuple[str, ...]) -> np.ndarray:
    """(N, C) what a photograph's cells are said to be: damage by the review, all else by what the finder said before.

    Taught with their true classes, a finder learns the few generated scenes by heart and forgets the hundreds it
    learnt from; taught with its own answers it stays what it was wherever no correction says otherwise (Li and Hoiem,
    Learning without Forgetting, 2016). Of a sound cell a review says only that it is sound, so the answers are shared
    out among the sound classes. classes : (N,), answers : (N, C) of the finder before
    """
    if not reviewed:
        return answers
    sound = sound_numbers(names)
    out = np.eye(len(names))[np.maximum(classes, 0)]
    whole = np.isin(classes, sound)
    out[whole] = 0
    rest = answers[np.ix_(whole, sound)]
    out[np.ix_(whole, sound)] = rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-12)
    return out


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
    sound = sound_numbers(classes)
    on_damage = reviewed & (y >= 0) & ~np.isin(y, sound)
    strata = [np.flatnonzero(on_damage & (y == c)) for c in np.unique(y[on_damage])]
    strata.append(np.flatnonzero(rejected & (y >= 0)))
    for mine in strata:
        if len(mine):
            wanted = int(np.clip(settings.weight * len(mine), settings.least, settings.per_class))
            rows.append(_so_many(mine, wanted, rng))
    for c in sound:
        mine = np.flatnonzero(reviewed & ~rejected & (y == c))
        wanted = min(round(settings.weight * len(mine)), settings.per_class)
        if wanted:
            rows.append(_so_many(mine, wanted, rng))
    return rng.permutation(np.concatenate([np.zeros(0, int), *rows]))


def sound_numbers(classes: tuple[str, ...]) -> np.ndarray:
    """Numbers of the classes that a cell can have where nothing is damaged."""
    return np.array([classes.index(name) for name in SOUND_CLASSES])


def _so_many(rows: np.ndarray, wanted: int, rng: np.random.Generator) -> np.ndarray:
    """``wanted`` of the rows: each as often as any other, but for one."""
    whole = np.tile(rows, wanted // len(rows))
    return np.concatenate([whole, rng.choice(rows, wanted % len(rows), replace=False)])
