"""Chooses which uncommon but sound things a scene shows, with dice of their own: other scenes stay as they were."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KINDS = ("clutter", "flat", "housings", "coverings", "sleeves", "wires", "ground", "light", "sensor")
ODDS = {
    "clutter": 0.14,
    "flat": 0.09,
    "housings": 0.13,
    "coverings": 0.13,
    "sleeves": 0.25,  # matters only where there is a repair
    "wires": 0.1,
    "ground": 0.08,
    "light": 0.09,
    "sensor": 0.08,
}
"""Share of scenes that show some of the kind; about six in ten show something."""
_BRANCH = 77
_DRAWING, _SHOWING = 0, 1


@dataclass(frozen=True)
class Wider:
    """What is drawn for the scene of this seed; `place` is its scenario's number."""

    seed: int
    place: int
    drawn: frozenset[str]

    def dice(self, kind: str) -> np.random.Generator | None:
        """A generator for this kind, the same at every call; None where the scene shows none of it.

        Not the one that drew the kind: its first number is always below the odds.
        """
        return _dice(self.seed, self.place, kind, _SHOWING) if kind in self.drawn else None


NOTHING = Wider(0, 0, frozenset())


def choose(seed: int, place: int, times: float = 1.0) -> Wider:
    """Draw the kinds, each ``times`` its odds; what is drawn at lower odds is drawn at higher ones, too."""
    drawn = {kind for kind in KINDS if _dice(seed, place, kind, _DRAWING).random() < times * ODDS[kind]}
    return Wider(seed, place, frozenset(drawn))


def _dice(seed: int, place: int, kind: str, use: int) -> np.random.Generator:
    return np.random.default_rng([seed, place, _BRANCH, KINDS.index(kind), use])
