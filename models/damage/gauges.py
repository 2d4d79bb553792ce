"""From raw measures to true ones, each with an uncertainty of its own; which termination damaged wires end at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.model_selection import GroupKFold

COVERAGE = 0.95
"""What an expanded uncertainty, or an interval, promises to hold."""
USUAL_LEAST = 40
"""Fewer usual examples than these say nothing of what is usual."""
_FOLDS = 5
_LEAST = 5


class GaugeError(ValueError):
    """The examples are too few; the message says what would do."""


@dataclass(frozen=True)
class Gauge:
    """One measure's calibration.

    The true value is estimated from the raw one and the candidate's features (`value` predicts the logarithm of their
    ratio, both shifted by `floor`), and so is how far that estimate usually misses (`spread`, a logarithm). `reach`
    times that is the expanded uncertainty: the 95 % quantile of the ratio over examples whose folds were not trained on
    (normalised split conformal prediction), so that clear cases get a narrow band and doubtful ones a wide one.
    """

    feature_names: tuple[str, ...]
    value: HistGradientBoostingRegressor
    spread: HistGradientBoostingRegressor
    reach: float
    floor: float

    def read(self, x: np.ndarray, raw: float) -> tuple[float, float]:
        """Value and U95 from (F,) features and the raw measure, in the raw measure's unit."""
        row = np.append(x, raw).astype(float)[None]
        ratio = np.exp(float(self.value.predict(row)[0]))
        value = max((raw + self.floor) * ratio - self.floor, 0.0)
        return value, self.reach * float(np.exp(self.spread.predict(row)[0]))


def _regressor(seed: int, loss: str) -> HistGradientBoostingRegressor:
    return HistGradientBoostingRegressor(
        loss=loss,
        max_iter=100,
        max_leaf_nodes=6,
        max_features=0.2,
        l2_regularization=10.0,
        learning_rate=0.05,
        early_stopping=False,
        random_state=seed,
    )


def folds_of(groups: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """(taught, held out) rows of each fold, none with scenes of another's, from (n,) scene numbers. Raises GaugeError
    where there are too few."""
    count = min(_FOLDS, len(np.unique(groups)))
    if count < 2 or len(groups) < _LEAST:
        raise GaugeError(f"expected at least {_LEAST} examples on two scenes or more, got {len(groups)}")
    return list(GroupKFold(count).split(groups, groups=groups))


def fit_gauge(
    feature_names: Sequence[str],
    x: np.ndarray,
    raw: np.ndarray,
    truth: np.ndarray,
    groups: np.ndarray,
    usual: np.ndarray,
    floor: float,
    seed: int,
) -> Gauge:
    """A gauge from (n, F) features, (n,) raw and true values, (n,) scene numbers.

    ``usual`` : (n,) bool, examples such as a shop's photographs give; the reach is taken on them where there are at
    least 40, on all otherwise. ``floor`` : in the measure's unit, below which relative errors do not count.
    Raises GaugeError.
    """
    rows = np.column_stack([x, raw]).astype(float)
    ratio = np.log((truth + floor) / (raw + floor))
    folds = folds_of(groups)
    guess = np.zeros(len(raw))
    for train, test in folds:
        guess[test] = _regressor(seed, "absolute_error").fit(rows[train], ratio[train]).predict(rows[test])
    value = np.maximum((raw + floor) * np.exp(guess) - floor, 0.0)
    error = np.abs(value - truth)
    # an error of nothing is luck, not certainty: the spread is never learnt below a tenth of the floor
    size = np.log(error + 0.1 * floor)
    usually = np.zeros(len(raw))
    for train, test in folds:
        usually[test] = _regressor(seed, "squared_error").fit(rows[train], size[train]).predict(rows[test])
    of = usual if usual.sum() >= USUAL_LEAST else np.ones(len(raw), bool)
    times = np.sort(error[of] / np.exp(usually[of]))
    k = min(int(np.ceil(COVERAGE * (len(times) + 1))), len(times))
    return Gauge(
        tuple(feature_names),
        _regressor(seed, "absolute_error").fit(rows, ratio),
        _regressor(seed, "squared_error").fit(rows, size),
        float(times[k - 1]),
        floor,
    )


@dataclass(frozen=True)
class Ending:
    """Which of several terminations the damaged wires end at."""

    sign_names: tuple[str, ...]
    classifier: HistGradientBoostingClassifier

    def shares(self, signs: np.ndarray) -> np.ndarray:
        """(W,) probability of each of the (W, S) ways, summing to 1."""
        p = self.classifier.predict_proba(signs)[:, 1] + 1e-6
        return p / p.sum()


def fit_ending(sign_names: Sequence[str], signs: np.ndarray, right: np.ndarray, seed: int) -> Ending:
    """From (n, S) signs of ways and (n,) bool, whether the wires end there. Raises GaugeError."""
    if right.all() or not right.any():
        raise GaugeError(f"expected ways that end at a damage's termination and ways that do not, got {len(right)}")
    classifier = HistGradientBoostingClassifier(
        max_iter=60,
        max_leaf_nodes=5,
        l2_regularization=5.0,
        learning_rate=0.06,
        early_stopping=False,
        random_state=seed,
    )
    return Ending(tuple(sign_names), classifier.fit(signs, right))


def distance_inputs(vector: np.ndarray, signs: np.ndarray, ways_mm: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """(F,) what the calibration of the distance looks at: the candidate, the likeliest way, and how doubtful it is.

    signs : (W, S) of the ways; ways_mm, shares : (W,) their lengths and probabilities
    """
    best = int(shares.argmax())
    apart = float(np.sqrt((shares * (ways_mm - ways_mm[best]) ** 2).sum()))
    return np.concatenate([vector, signs[best], [shares[best], apart]])


def distance_names(vector: Sequence[str], signs: Sequence[str]) -> tuple[str, ...]:
    """Names of `distance_inputs`."""
    return (*vector, *signs, "share_of_best", "ways_apart_mm")
