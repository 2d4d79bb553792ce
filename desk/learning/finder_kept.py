"""What a finder taught further lost and gained on photographs kept out of it, and how freely it learns for that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from desk.learning.finder_rows import sound_numbers

RIDGES = (10.0, 1.0, 1e-1, 1e-2, 1e-3)
"""How dear a change of weights may be made: next to nothing is learnt with the first, most with the last."""
NEW_RIDGE = 1e-4
"""The same for the outputs of a new label, which begin at nothing."""
MAY_LOSE = 0.1
"""Part of the log loss on generated scenes that may be lost: gauges and namers go on resting on the shipped finder."""
_CELLS = 1500
"""Cells of each kind that are asked, at most."""
_LEAST_P = 1e-6

Kind = tuple[bool, str]
"""Of a reviewed photograph or a generated one; what its cells are."""


@dataclass(frozen=True)
class Losses:
    """Mean log loss over kinds of cells, on generated scenes and on corrected photographs kept out; None where there
    are none."""

    generated: float | None
    corrected: float | None


@dataclass(frozen=True)
class Choice:
    """The ridge that was chosen, None where the finder stays as it was; the losses with every ridge, and before."""

    ridge: float | None
    losses: dict[float, Losses]
    before: Losses

    def as_dict(self) -> dict[str, Any]:
        """The choice as a model's card keeps it."""
        told = {f"{ridge:g}": asdict(one) for ridge, one in self.losses.items()}
        return {"ridge": self.ridge, "losses": told, "before": asdict(self.before)}


def kinds_of_cells(
    y: np.ndarray, rejected: np.ndarray, reviewed: np.ndarray, classes: tuple[str, ...], rng: np.random.Generator
) -> dict[Kind, np.ndarray]:
    """Row numbers by kind: each class of generated cells, each damage of corrected ones, false finds, and what else is
    sound; at most so many of each, so that a kind counts as much as any other.

    y : (n,) classes, -1 not taught; rejected, reviewed : (n,) bool
    """
    out: dict[Kind, np.ndarray] = {}
    sound = np.isin(y, sound_numbers(classes))
    for c in np.unique(y[y >= 0]):
        out[False, classes[c]] = np.flatnonzero(~reviewed & (y == c))
        out[True, classes[c]] = np.flatnonzero(reviewed & ~sound & (y == c))
    out[True, "false find"] = np.flatnonzero(reviewed & rejected & (y >= 0))
    out[True, "sound"] = np.flatnonzero(reviewed & ~rejected & sound)
    return {
        kind: rows if len(rows) <= _CELLS else rng.choice(rows, _CELLS, replace=False)
        for kind, rows in out.items()
        if len(rows)
    }


def losses_by_kind(p: np.ndarray, y: np.ndarray, kinds: Mapping[Kind, np.ndarray]) -> dict[Kind, np.ndarray]:
    """Log loss of every cell. p : (n, C) answers; y : (n,) classes; kinds : row numbers in both"""
    return {kind: -np.log(np.maximum(p[rows, y[rows]], _LEAST_P)) for kind, rows in kinds.items()}


def together(parts: Sequence[Mapping[Kind, np.ndarray]]) -> Losses:
    """The mean over kinds of the mean over cells, the cells of all parts put together."""
    cells: dict[Kind, list[np.ndarray]] = {}
    for part in parts:
        for kind, losses in part.items():
            cells.setdefault(kind, []).append(losses)
    means = {kind: float(np.concatenate(losses).mean()) for kind, losses in cells.items()}
    generated, corrected = ([m for (r, _), m in means.items() if r == reviewed] for reviewed in (False, True))
    return Losses(*(float(np.mean(one)) if one else None for one in (generated, corrected)))


def chosen(losses: Mapping[float, Losses], before: Losses) -> Choice:
    """The ridge of least loss on corrected photographs and generated scenes together, each as much as the other.

    A finder that learns how a shop's photographs look answers generated scenes a little worse: that may cost as much
    as it gains, up to `MAY_LOSE`. Nothing is kept of what was taught where no scene tells what it cost, or no
    correction what it gains.
    """

    def both(one: Losses) -> float:
        if one.generated is None or one.corrected is None or before.generated is None:
            return np.inf
        return one.generated + one.corrected if one.generated <= before.generated * (1 + MAY_LOSE) else np.inf

    best = min(losses, key=lambda ridge: both(losses[ridge]), default=None)
    kept = best is not None and both(losses[best]) < both(before)
    return Choice(best if kept else None, dict(losses), before)
