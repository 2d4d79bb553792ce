"""Which cells a finder is taught from, and what they are said to be."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from desk.learning.cells import SOUND_CLASSES
from models.damage.finder import balanced
from models.damage.update import UpdateSettings


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


def as_answered(answers: np.ndarray, among: np.ndarray, times: int, rng: np.random.Generator) -> np.ndarray:
    """(times, n) classes of cells, drawn ``among`` some from what the finder answered before it was taught further.

    Taught with their true classes, a finder learns the few scenes by heart and forgets the hundreds it learnt from;
    taught with its own answers it stays what it was wherever no correction says otherwise (Li and Hoiem, Learning
    without Forgetting, 2016). Drawn anew for every epoch, they give the gradient of the probabilities themselves on
    average, and no draw is learnt by heart. answers : (n, C)
    """
    steps = np.cumsum(answers[:, among], axis=1)
    drawn = [(rng.random((len(answers), 1)) * steps[:, -1:] >= steps).sum(axis=1) for _ in range(times)]
    return among[np.minimum(np.array(drawn), len(among) - 1)]


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
            wanted = int(np.clip(settings.weight * len(mine), settings.least, settings.per_class * settings.weight))
            rows.append(_so_many(mine, wanted, rng))
    for c in sound:
        mine = np.flatnonzero(reviewed & ~rejected & (y == c))
        wanted = min(round(settings.weight * len(mine)), settings.per_class)
        if wanted:
            rows.append(_so_many(mine, wanted, rng))
    return rng.permutation(np.concatenate(rows))


def sound_numbers(classes: tuple[str, ...]) -> np.ndarray:
    """Numbers of the classes that a cell can have where nothing is damaged."""
    return np.array([classes.index(name) for name in SOUND_CLASSES])


def _so_many(rows: np.ndarray, wanted: int, rng: np.random.Generator) -> np.ndarray:
    """``wanted`` of the rows: each as often as any other, but for one."""
    whole = np.tile(rows, wanted // len(rows))
    return np.concatenate([whole, rng.choice(rows, wanted % len(rows), replace=False)])
