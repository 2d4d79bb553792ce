"""How many wires a damage touches: how likely more than so many, and an interval that holds as often as it says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

from models.damage.gauges import COVERAGE, USUAL_LEAST, GaugeError, folds_of
from vision.findings import Count

MOST = 20
"""Above so many wires nothing is told apart."""
_ASKED = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 15, MOST)
"""Numbers that each example teaches: whether it touches more. Close together where limits lie."""


@dataclass(frozen=True)
class CountGauge:
    """The number of wires as a distribution.

    feature_names : of the signs; more : answers, from signs, the number reckoned and another number, whether there are
    more wires than the latter, never likelier the higher it is; tail : probability left out at either end of an
    interval, under which the true number lies within it in 95 % of examples that the folds were not taught on (split
    conformal prediction, after Vovk, Gammerman and Shafer 2005); tail_hidden : the same of damage that hides wires
    """

    feature_names: tuple[str, ...]
    more: HistGradientBoostingClassifier
    tail: float
    tail_hidden: float

    def beyond(self, signs: np.ndarray, reckoned: float) -> np.ndarray:
        """(MOST,) probability of more than 1, 2, ... wires, falling, from (S,) signs and the number reckoned."""
        return _beyond(self.more, np.append(signs, reckoned).astype(float)[None])[0]

    def read(self, reckoned: Count, names: Sequence[str], signs: np.ndarray, hides: bool = False) -> Count:
        """A reckoned count as the gauge reads it from (S,) signs.

        hides : the damage hides wires, as fire does. Where more than MOST wires are likely enough no upper end is
        known: it is twice that, or the reckoned one if that is higher. Raises ValueError where the signs' ``names`` are
        not those it learnt from.
        """
        if tuple(names) != self.feature_names:
            raise ValueError("the counted signs are not those the model was trained on; retrain the model")
        beyond, tail = self.beyond(signs, reckoned.value), self.tail_hidden if hides else self.tail
        low, value, high = (_first(beyond, limit) for limit in (1 - tail, 0.5, tail))
        if high > MOST:
            high = max(2 * MOST, reckoned.high)
        if value > MOST:
            value = max(value, reckoned.value)
        return reckoned.model_copy(update={"low": low, "value": value, "high": high})


def _first(beyond: np.ndarray, limit: float) -> int:
    """The least number of wires above which so few are likely; MOST + 1 where none is."""
    return int(np.append(beyond <= limit, True).argmax()) + 1


def _beyond(more: HistGradientBoostingClassifier, rows: np.ndarray) -> np.ndarray:
    """(n, MOST) probabilities from (n, S + 1) signs and numbers reckoned."""
    asked = _asked(rows, range(1, MOST + 1))
    return np.asarray(more.predict_proba(asked)[:, 1].reshape(len(rows), MOST))


def _asked(rows: np.ndarray, numbers: Sequence[int]) -> np.ndarray:
    """(n * len(numbers), S + 2): every example with every number."""
    return np.column_stack([np.repeat(rows, len(numbers), axis=0), np.tile(np.asarray(numbers, float), len(rows))])


def _taught(rows: np.ndarray, truth: np.ndarray, seed: int) -> HistGradientBoostingClassifier:
    answers = (truth[:, None] > np.array(_ASKED)).ravel()
    if answers.all() or not answers.any():
        raise GaugeError(f"expected damages that touch one wire and such that touch more, got {len(truth)} alike")
    classifier = HistGradientBoostingClassifier(
        max_iter=400,
        max_leaf_nodes=8,
        max_features=0.5,
        l2_regularization=10.0,
        learning_rate=0.04,
        monotonic_cst=[0] * rows.shape[1] + [-1],
        early_stopping=False,
        random_state=seed,
    )
    return classifier.fit(_asked(rows, _ASKED), answers)


def fit_counts(
    feature_names: Sequence[str],
    signs: np.ndarray,
    reckoned: np.ndarray,
    truth: np.ndarray,
    groups: np.ndarray,
    usual: np.ndarray,
    hides: np.ndarray,
    seed: int,
) -> CountGauge:
    """A gauge from (n, S) signs, (n,) numbers reckoned and true, and (n,) scene numbers.

    ``usual`` : (n,) bool, examples such as a shop's photographs give; ``hides`` : (n,) bool, damages that hide wires.
    The tails are taken on usual examples of their kind where there are at least 40, else on usual ones of both kinds,
    else on all. Raises GaugeError.
    """
    folds = folds_of(groups)
    rows, beyond = np.column_stack([signs, reckoned]).astype(float), np.zeros((len(truth), MOST))
    for train, test in folds:
        beyond[test] = _beyond(_taught(rows[train], truth[train], seed), rows[test])
    widest = _widest_tails(beyond, truth)
    of = usual if usual.sum() >= USUAL_LEAST else np.ones(len(truth), bool)
    tails = [_tail(widest[mine if mine.sum() >= USUAL_LEAST else of]) for mine in (of & ~hides, of & hides)]
    return CountGauge(tuple(feature_names), _taught(rows, truth, seed), *tails)


def _widest_tails(beyond: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """(n,) the largest tail under which each example's interval still holds its true number."""
    from_none = np.column_stack([np.ones(len(truth)), beyond])  # more than 0, 1, ... MOST
    rows, true = np.arange(len(truth)), np.asarray(truth, int)
    not_beyond = np.where(true <= MOST, 1 - from_none[rows, np.minimum(true, MOST)], 1.0)
    return np.minimum(from_none[rows, np.minimum(true - 1, MOST)], not_beyond)


def _tail(widest: np.ndarray) -> float:
    """The tail under which 95 % of as many examples, and one more, would lie within; half at most, where both ends of
    an interval meet."""
    k = int(np.floor((1 - COVERAGE) * (len(widest) + 1)))
    return min(float(np.sort(widest)[k - 1]), 0.5) if k else 0.0
