"""The namer: the calibrated label of a damage candidate, the labels it cannot tell apart, and whether it is novel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import softmax
from sklearn.base import ClassifierMixin
from sklearn.covariance import LedoitWolf
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.model_selection import GroupKFold, cross_val_predict
from sklearn.preprocessing import StandardScaler
from threadpoolctl import threadpool_limits

from models.damage.packed import Trees

MISCOVERAGE = 0.1
"""The share of each label's examples, as folds not trained on see them, that may lose it. What answers is surer than
those folds: with 0.05 every true label of 108 places on photographs of two origins was kept, with 0.1 105 were."""
CONNECTOR_MISCOVERAGE = 0.05
"""Of broken housings: one called whole for certain makes the route milder."""
SHELL_SOUND_MISCOVERAGE = 0.02
"""Of whole housings: a photograph shows several, and nine in ten are whole, so that one in ten called broken for
certain would be nearly as many as all that are."""
MISSED_COSTS = 2.0
"""How many false alarms a missed damage is worth where a label is close."""
STAYS_FROM = 1 / 3
"""No label as likely as that is left out, whatever its limit: who reads a damage as sure takes it for two to one at the
least. Whole housings of a make that nothing taught looks like were called broken for certain at 0.54."""
_LEAST_EXAMPLES = 19
"""Of a label, before it gets a limit of its own: the smallest of nine probabilities is no limit to go by."""
_LEAST_USUAL = 20
"""Damaged and sound candidates on usual scenes from which their proportion is learnt."""
_NOVEL_QUANTILE = 0.998
BITES_STAY_OPEN = 0.05
"""Probability from which bites stay open where heat is named and copper may be bare."""
_HEATED = ("external_heat", "electrical_overload")
_FOLDS = 5


@dataclass(frozen=True)
class Named:
    """The namer's answer on one candidate. candidates : labels it cannot tell apart, likeliest first."""

    probabilities: dict[str, float]
    candidates: list[str]
    novel: bool

    @property
    def label(self) -> str:
        """The likeliest label."""
        return max(self.probabilities, key=lambda name: self.probabilities[name])

    @property
    def unsure(self) -> bool:
        """Whether more than one label remains."""
        return len(self.candidates) > 1


def with_bites_open(named: Named) -> Named:
    """The answer on a damage in which copper may lie bare.

    Bites that were taken for heat would lose their cautions and the question after the copper: they stay a candidate
    from `BITES_STAY_OPEN` on, even where that leaves a route undecided.
    """
    bitten = named.probabilities.get("rodent", 0.0) >= BITES_STAY_OPEN
    if named.label not in _HEATED or "rodent" in named.candidates or not bitten:
        return named
    open_now = sorted([*named.candidates, "rodent"], key=lambda name: -named.probabilities[name])
    return replace(named, candidates=open_now)


@dataclass(frozen=True)
class Namer:
    """A fitted namer.

    classifier : answers with raw probabilities; inverse_temperature : how they are sharpened or softened;
    sound_shift : added to the log odds of `sound`: damage is rarer among a shop's candidates than among those taught;
    thresholds : (C,) least probability at which a label stays a candidate (class-conditional split conformal); from
    `STAYS_FROM` on it does in any case;
    novel_beyond : squared Mahalanobis distance past which a candidate is like nothing seen in training
    """

    labels: tuple[str, ...]
    feature_names: tuple[str, ...]
    classifier: Trees
    inverse_temperature: float
    scaler: StandardScaler
    covariance: LedoitWolf
    thresholds: np.ndarray
    novel_beyond: float
    sound_shift: float = 0.0

    def name(self, feature_names: Sequence[str], vectors: np.ndarray) -> list[Named]:
        """Name (n, F) candidates."""
        if tuple(feature_names) != self.feature_names:
            raise ValueError("the candidates' features are not those the model was trained on; retrain the model")
        if len(vectors) == 0:
            return []
        p = shifted(tempered(votes(self.classifier, vectors), self.inverse_temperature), self.labels, self.sound_shift)
        far = self.covariance.mahalanobis(self.scaler.transform(vectors)) > self.novel_beyond
        return [self._named(row, bool(novel)) for row, novel in zip(p, far, strict=True)]

    def _named(self, p: np.ndarray, novel: bool) -> Named:
        order = np.argsort(-p)
        # the likeliest label stays one of those left, whatever its threshold: sets only widen by it
        kept = [self.labels[i] for i in order if p[i] >= min(self.thresholds[i], STAYS_FROM) or i == order[0]]
        return Named({n: float(v) for n, v in zip(self.labels, p, strict=True)}, kept, novel)


def conformal_thresholds(p: np.ndarray, truth: np.ndarray, miscoverage: Sequence[float] | None = None) -> np.ndarray:
    """(C,) class-conditional thresholds from held-out (n, C) probabilities and (n,) class numbers.

    For each class the k-th smallest probability of the true class, k = floor(miscoverage (n + 1)): a new
    example of the class keeps its label with probability at least 1 - miscoverage. Classes with too few
    examples for that stay candidates at any probability above one in a hundred. miscoverage : (C,), `MISCOVERAGE`
    of each without it
    """
    out = np.full(p.shape[1], 0.01)
    for c in range(p.shape[1]):
        own = np.sort(p[truth == c, c])
        k = int(np.floor((MISCOVERAGE if miscoverage is None else miscoverage[c]) * (len(own) + 1)))
        if k >= 1 and len(own) >= _LEAST_EXAMPLES:
            out[c] = own[k - 1]
    return out


def tempered(p: np.ndarray, inverse_temperature: float) -> np.ndarray:
    """(n, C) probabilities sharpened or softened: softmax of their logarithms times 1 / T."""
    logits = np.log(np.clip(p, np.finfo(float).eps, 1)) * inverse_temperature
    return softmax(logits, axis=1)


def inverse_temperature(raw: np.ndarray, y: np.ndarray, weights: np.ndarray) -> float:
    """1 / T of least weighted log loss of (n, C) held-out probabilities (Guo, Pleiss, Sun, Weinberger 2017)."""

    def loss(logarithm: float) -> float:
        p = tempered(raw, float(np.exp(logarithm)))[np.arange(len(y)), y]
        return -float(np.average(np.log(np.clip(p, 1e-12, 1)), weights=weights))

    return float(np.exp(minimize_scalar(loss, bounds=(-3.0, 3.0), method="bounded").x))


def shifted(p: np.ndarray, labels: Sequence[str], sound_shift: float) -> np.ndarray:
    """(n, C) probabilities with the log odds of `sound` raised."""
    if sound_shift == 0.0:
        return p
    odds = np.where(np.array(labels) == "sound", np.exp(sound_shift), 1.0)
    weighted = p * odds
    return weighted / weighted.sum(axis=1, keepdims=True)


def sound_shift_of(p: np.ndarray, y: np.ndarray, labels: Sequence[str]) -> float:
    """The shift of least log loss on held-out (n, C) probabilities of usual scenes, damage weighing `MISSED_COSTS`.

    0 where they are too few. This is prior correction (Saerens, Latinne, Decaestecker 2002) with known labels.
    """
    if "sound" not in labels:
        return 0.0
    damaged = y != labels.index("sound")
    if min(damaged.sum(), (~damaged).sum()) < _LEAST_USUAL:
        return 0.0
    weights = np.where(damaged, MISSED_COSTS, 1.0)

    def loss(shift: float) -> float:
        own = shifted(p, labels, shift)[np.arange(len(y)), y]
        return -float(np.average(np.log(np.clip(own, 1e-12, 1)), weights=weights))

    return float(minimize_scalar(loss, bounds=(-3.0, 3.0), method="bounded").x)


def miscoverages(labels: Sequence[str], of_sound: float) -> list[float]:
    """The share of each label's examples that may lose it."""
    seldom = {"sound": of_sound, "connector": CONNECTOR_MISCOVERAGE}
    return [seldom.get(name, MISCOVERAGE) for name in labels]


def votes(classifier: Trees, x: np.ndarray) -> np.ndarray:
    """(n, C) probabilities of a fitted forest or booster for (n, F) candidates.

    A forest's trees are asked one by one: the library's own way takes a millisecond a tree, whatever is asked.
    """
    rows = np.ascontiguousarray(x, np.float32)
    if isinstance(classifier, HistGradientBoostingClassifier):
        return classifier.predict_proba(rows)
    return np.mean([tree.tree_.predict(rows)[:, : len(classifier.classes_)] for tree in classifier.estimators_], axis=0)


def booster(seed: int) -> HistGradientBoostingClassifier:
    """For damage on wires: many weak signs, six labels.

    A forest's likeliest label is right about as often, but its probabilities are worse, most of all on photographs of
    another origin.
    """
    return HistGradientBoostingClassifier(
        max_iter=200, learning_rate=0.06, max_leaf_nodes=15, min_samples_leaf=10, l2_regularization=1.0,
        max_features=0.3, early_stopping=False, random_state=seed,
    )  # fmt: skip


def shell_forest(seed: int) -> ExtraTreesClassifier:
    """For housings. The first class, the broken ones, counts less: they are three times as frequent in crowded scenes
    as in a shop, and at equal weight every second alarm was false."""
    return ExtraTreesClassifier(
        n_estimators=300, min_samples_leaf=2, max_features=0.5, class_weight={0: 0.7, 1: 1.0}, random_state=seed
    )


def fit_namer(
    labels: tuple[str, ...],
    feature_names: Sequence[str],
    x: np.ndarray,
    y: np.ndarray,
    groups: np.ndarray,
    seed: int,
    kind: Callable[[int], ClassifierMixin] = booster,
    usual: np.ndarray | None = None,
    sound_miscoverage: float = MISCOVERAGE,
) -> tuple[Namer, np.ndarray]:
    """Fit a classifier of a ``kind`` (`booster`, `shell_forest`) on (n, F) candidates with (n,) class numbers.

    ``groups`` (scenes) are never split. Returns the namer and the (n, C) probabilities that folds not trained on
    gave. Temperature, conformal thresholds and the novelty limit come from those too; how rare damage is, from those
    that are ``usual``, (n,) bool: none without it.
    """
    missing = sorted(set(range(len(labels))) - set(np.unique(y).tolist()))
    if missing:
        names = ", ".join(labels[i] for i in missing)
        raise ValueError(f"expected examples of every label, got none of {names}; use more scenes")
    folds = list(GroupKFold(_FOLDS).split(x, y, groups))
    with threadpool_limits(1):  # a booster's sums, and so its hash, go by the number of threads
        raw = cross_val_predict(kind(seed), x, y, cv=folds, method="predict_proba")
        classifier = kind(seed).fit(x, y)
    sharpened = inverse_temperature(raw, y, np.ones(len(y)))
    held_out = tempered(raw, sharpened)
    shift = 0.0 if usual is None else sound_shift_of(held_out[usual], y[usual], labels)
    held_out = shifted(held_out, labels, shift)
    scaler = StandardScaler().fit(x)
    distances = np.zeros(len(x))
    for train, test in folds:
        part = LedoitWolf().fit(scaler.transform(x[train]))
        distances[test] = part.mahalanobis(scaler.transform(x[test]))
    namer = Namer(
        labels,
        tuple(feature_names),
        classifier,
        sharpened,
        scaler,
        LedoitWolf().fit(scaler.transform(x)),
        conformal_thresholds(held_out, y, miscoverages(labels, sound_miscoverage)),
        float(np.quantile(distances, _NOVEL_QUANTILE)),
        shift,
    )
    return namer, held_out
