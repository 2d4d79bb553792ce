"""Tells cells that look like nothing the finder was taught: neither a sound part nor a damage it has a name for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sklearn.pipeline import Pipeline

from models.damage.finder import mean_answer

STRANGE = 1
"""Class number of strange cells; 0 is whatever the finder was taught."""
LEVEL = 0.5
"""Cells at least so likely strange make patches."""


@dataclass(frozen=True)
class Strangeness:
    """Fitted on random matter laid over wires against everything a finder learns from (outlier exposure: Hendrycks,
    Mazeika, Dietterich 2019).

    members : networks whose answers are averaged, each fitted on other scenes;
    least_mass : strange cells, weighted by their probability, that a patch must hold; set on ordinary scenes that
    the network did not see, of which it may call only a small share strange
    """

    feature_names: tuple[str, ...]
    members: tuple[Pipeline, ...]
    least_mass: float

    def scores(self, names: Sequence[str], features: np.ndarray) -> np.ndarray:
        """(N,) probability of being strange, for (N, F) features of cells."""
        if tuple(names) != self.feature_names:
            raise ValueError("the cells' features are not those the model was trained on; retrain the model")
        if len(features) == 0:
            return np.zeros(0)
        return mean_answer(self.members, features)[:, STRANGE]
