"""Teaches a fitted finder further: outputs for new classes, more epochs, and how much of what they changed to keep."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_softmax
from sklearn.neural_network import MLPClassifier
from sklearn.pipeline import Pipeline
from sklearn.preprocessing import LabelBinarizer, StandardScaler

from models.damage.finder import Finder, TwoPasses, without_dust

_FAINT = -4.0
"""Start of a new output's bias: as good as never answered before it was taught."""


@dataclass(frozen=True)
class UpdateSettings:
    """How far a network is taken: few epochs at a twentieth of the first training's rate, lest it forget."""

    epochs: int = 6
    rate: float = 1e-4
    batch: int = 256


def updated(member: Pipeline, x: np.ndarray, y: np.ndarray, seed: int, settings: UpdateSettings) -> Pipeline:
    """A copy of the fitted network after further epochs on (n, F) inputs with (n,) class numbers, or (epochs, n).

    The scaling of its inputs stays as it was; the optimiser starts anew. The same inputs and seed give the same.
    """
    taught = copy.deepcopy(member)
    scaler, network = taught[0], taught[-1]
    if hasattr(network, "_optimizer"):
        del network._optimizer
    network.learning_rate_init, network.batch_size = settings.rate, min(settings.batch, len(x))
    rng = np.random.default_rng(seed)
    rows = scaler.transform(x).astype(np.float32)
    said = np.broadcast_to(y, (settings.epochs, len(rows)))
    for epoch in range(settings.epochs):
        order = rng.permutation(len(rows))
        network.random_state = seed + epoch
        network.partial_fit(rows[order], said[epoch, order])
    return without_dust(taught)


def outputs_taught(member: Pipeline, known: int, x: np.ndarray, y: np.ndarray, settings: UpdateSettings) -> Pipeline:
    """A copy of the fitted network in which only the outputs beyond the ``known`` first ones learnt, all else stays.

    x : (n, F) inputs; y : (n,) class numbers. With the layers before them fixed these outputs have one optimum
    (multinomial logistic regression on the last hidden layer), so they need neither a rate nor a seed. A class that
    has no example keeps its faint answer.
    """
    network: MLPClassifier = member[-1]
    taught = [c for c in range(known, len(network.classes_)) if (y == c).any()]
    if not taught:
        return member
    hidden, said = _last_layers(member, x)
    inside = np.hstack([hidden, np.ones((len(x), 1))])
    decay = network.alpha / settings.batch
    places = np.eye(len(network.classes_))[y]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        columns = flat.reshape(inside.shape[1], len(taught))
        scores = said.copy()
        scores[:, taught] = inside @ columns
        log_p = log_softmax(scores, axis=1)
        slope = inside.T @ (np.exp(log_p) - places)[:, taught] / len(x)
        slope[:-1] += decay * columns[:-1]
        value = -log_p[np.arange(len(x)), y].mean() + decay / 2 * (columns[:-1] ** 2).sum()
        return float(value), slope.ravel()

    start = np.vstack([network.coefs_[-1][:, taught], network.intercepts_[-1][taught]]).astype(float)
    best = minimize(loss, start.ravel(), jac=True, method="L-BFGS-B", options={"maxiter": 200}).x.reshape(start.shape)
    out = copy.deepcopy(member)
    out[-1].coefs_[-1][:, taught] = best[:-1]
    out[-1].intercepts_[-1][taught] = best[-1]
    return out


def _last_layers(member: Pipeline, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the last hidden layer holds, (n, H), and the scores that become probabilities, (n, C)."""
    network: MLPClassifier = member[-1]
    hidden = member[0].transform(x).astype(np.float32)
    for weights, bias in zip(network.coefs_[:-1], network.intercepts_[:-1], strict=True):
        hidden = np.maximum(hidden @ weights + bias, 0)
    return hidden.astype(float), (hidden @ network.coefs_[-1] + network.intercepts_[-1]).astype(float)


def between(before: Pipeline, after: Pipeline, share: float) -> Pipeline:
    """A network whose weights lie between two of one descent: 0 gives ``before``, 1 ``after``.

    Fine-tuned and original weights are mostly joined by a valley of low loss in which a network between them forgets
    little of what the original knew (Wortsman and others, Robust fine-tuning of zero-shot models, 2022).
    """
    out = copy.deepcopy(after)
    for name in ("coefs_", "intercepts_"):
        pairs = zip(getattr(before[-1], name), getattr(after[-1], name), strict=True)
        setattr(out[-1], name, [(a + share * (b - a)).astype(a.dtype) for a, b in pairs])
    return without_dust(out)


def widened(finder: Finder, new_classes: Sequence[str], seed: int) -> Finder:
    """The finder with outputs for further classes, which it answers with next to nothing until it is taught.

    What it says of the classes it knows stays the same but for that.
    """
    if not new_classes:
        return finder
    twice = set(new_classes) & set(finder.classes)
    if twice:
        raise ValueError(f"expected new classes, got {', '.join(sorted(twice))}, which the finder knows")
    parts = tuple(_wider_passes(part, finder, len(new_classes), seed) for part in finder.parts)
    return replace(finder, classes=(*finder.classes, *new_classes), parts=parts)


def _wider_passes(part: TwoPasses, finder: Finder, more: int, seed: int) -> TwoPasses:
    features, known = len(finder.feature_names), len(finder.classes)
    first = tuple(_with_outputs(copy.deepcopy(m), more, seed + k) for k, m in enumerate(part.first))
    # what the second pass sees: the features, then blocks of one column per class
    blocks = (part.second[0][0].n_features_in_ - features) // known
    at = [features + known * (b + 1) for b in range(blocks) for _ in range(more)]
    second = tuple(
        _with_outputs(_with_inputs(copy.deepcopy(m), at), more, seed + 100 + k) for k, m in enumerate(part.second)
    )
    return TwoPasses(first, second)


def _with_outputs(member: Pipeline, more: int, seed: int) -> Pipeline:
    network: MLPClassifier = member[-1]
    rng = np.random.default_rng(seed)
    last = network.coefs_[-1]
    fresh = rng.normal(0, 0.01, (last.shape[0], more)).astype(last.dtype)
    network.coefs_[-1] = np.hstack([last, fresh])
    faint = np.full(more, _FAINT, network.intercepts_[-1].dtype)
    network.intercepts_[-1] = np.concatenate([network.intercepts_[-1], faint])
    count = len(network.classes_) + more
    network.classes_ = np.arange(count)
    network.n_outputs_ = count
    network._label_binarizer = LabelBinarizer().fit(network.classes_)
    _forget_training(network)
    return member


def _with_inputs(member: Pipeline, at: Sequence[int]) -> Pipeline:
    """The network with inputs of no weight before the columns ``at``."""
    scaler: StandardScaler = member[0]
    network: MLPClassifier = member[-1]
    for name, value in (("mean_", 0.0), ("var_", 1.0), ("scale_", 1.0)):
        setattr(scaler, name, np.insert(getattr(scaler, name), at, value))
    scaler.n_features_in_ = len(scaler.mean_)
    network.coefs_[0] = np.insert(network.coefs_[0], at, 0.0, axis=0)
    network.n_features_in_ = len(scaler.mean_)
    _forget_training(network)
    return member


def _forget_training(network: MLPClassifier) -> None:
    """Drop what belongs to the former shape; `updated` starts an optimiser of its own."""
    for name in ("_optimizer", "_best_coefs", "_best_intercepts"):
        if hasattr(network, name):
            delattr(network, name)
