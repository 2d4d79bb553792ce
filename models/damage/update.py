"""Teaches a fitted finder further: the outputs of its last pass, those of new classes too, more or less freely."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_softmax
from sklearn.neural_network import MLPClassifier
from sklearn.pipeline import Pipeline
from sklearn.preprocessing import LabelBinarizer

from models.damage.finder import Finder, TwoPasses

_FAINT = -4.0
"""Start of a new output's bias: as good as never answered before it was taught."""
_EFFORT = {"maxiter": 300, "ftol": 1e-7}
"""Of a fit in single precision, whose sums hold no more digits."""


def outputs_taught(
    member: Pipeline, x: np.ndarray, targets: np.ndarray, which: Sequence[int] | slice, ridges: Sequence[float]
) -> list[Pipeline]:
    """Copies of the fitted network in which only the outputs ``which`` learnt, all else stays: one for each ridge.

    x : (n, F) inputs; targets : (n, C) probabilities that the answers should come near to; ridges : what a change of
    weights costs, in units of what the layer before them usually holds. With the layers before them fixed the outputs
    have one optimum (multinomial logistic regression on the last hidden layer, its change held small by the ridge),
    so they need neither a rate nor a seed.
    """
    hidden, said = _last_layers(member, x)
    usual = np.sqrt((hidden**2).mean(axis=0)) + np.float32(1e-6)
    inside = np.hstack([hidden / usual, np.ones((len(x), 1), np.float32)])
    wanted = targets.astype(np.float32)
    change = np.zeros((inside.shape[1], len(said[0, which])))

    def loss(flat: np.ndarray, ridge: float) -> tuple[float, np.ndarray]:
        change = flat.reshape(inside.shape[1], -1)
        scores = said.copy()
        scores[:, which] += inside @ change.astype(np.float32)
        log_p = log_softmax(scores, axis=1)
        slope = inside.T @ (np.exp(log_p) - wanted)[:, which] / len(x) + ridge * change
        value = -(wanted * log_p).sum(dtype=float) / len(x) + ridge / 2 * (change**2).sum()
        return float(value), slope.ravel().astype(float)

    out = []
    for ridge in ridges:  # each begins where the one before ended
        best = minimize(loss, change.ravel(), (ridge,), "L-BFGS-B", jac=True, options=_EFFORT)
        change = best.x.reshape(change.shape)
        taught = copy.deepcopy(member)
        taught[-1].coefs_[-1][:, which] += change[:-1] / usual[:, None]
        taught[-1].intercepts_[-1][which] += change[-1]
        out.append(taught)
    return out


def _last_layers(member: Pipeline, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the last hidden layer holds, (n, H), and the scores that become probabilities, (n, C)."""
    network: MLPClassifier = member[-1]
    hidden = member[0].transform(x).astype(np.float32)
    for weights, bias in zip(network.coefs_[:-1], network.intercepts_[:-1], strict=True):
        hidden = np.maximum(hidden @ weights + bias, 0)
    return hidden, (hidden @ network.coefs_[-1] + network.intercepts_[-1]).astype(np.float32)


def seeing_further_back(member: Pipeline) -> Pipeline:
    """The fitted network, its last hidden layer holding the one before it as well, of which no answer takes account
    yet: the outputs can then learn from both. One of a single hidden layer stays as it is.

    What a rectified unit holds is never negative, so a unit of weight one behind it holds the same.
    """
    out = copy.deepcopy(member)
    network: MLPClassifier = out[-1]
    if len(network.coefs_) < 3:
        return out
    *_, into, last = network.coefs_
    more = into.shape[0]
    network.coefs_[-2] = np.hstack([into, np.eye(more, dtype=into.dtype)])
    network.intercepts_[-2] = np.concatenate([network.intercepts_[-2], np.zeros(more, into.dtype)])
    network.coefs_[-1] = np.vstack([last, np.zeros((more, last.shape[1]), last.dtype)])
    *others, width = network.hidden_layer_sizes
    network.hidden_layer_sizes = (*others, width + more)
    _forget_training(network)
    return out


def widened(finder: Finder, new_classes: Sequence[str]) -> Finder:
    """The finder with outputs of its last pass for further classes, next to never answered until they are taught.

    What it says of the classes it knows stays the same but for that; its first pass does not know of them.
    """
    if not new_classes:
        return finder
    twice = set(new_classes) & set(finder.classes)
    if twice:
        raise ValueError(f"expected new classes, got {', '.join(sorted(twice))}, which the finder knows")
    parts = tuple(
        TwoPasses(
            part.first,
            tuple(_with_outputs(copy.deepcopy(member), len(new_classes)) for member in part.second),
        )
        for part in finder.parts
    )
    return replace(finder, classes=(*finder.classes, *new_classes), parts=parts)


def _with_outputs(member: Pipeline, more: int) -> Pipeline:
    network: MLPClassifier = member[-1]
    last = network.coefs_[-1]
    network.coefs_[-1] = np.hstack([last, np.zeros((last.shape[0], more), last.dtype)])
    faint = np.full(more, _FAINT, network.intercepts_[-1].dtype)
    network.intercepts_[-1] = np.concatenate([network.intercepts_[-1], faint])
    count = len(network.classes_) + more
    network.classes_ = np.arange(count)
    network.n_outputs_ = count
    network._label_binarizer = LabelBinarizer().fit(network.classes_)
    _forget_training(network)
    return member


def _forget_training(network: MLPClassifier) -> None:
    """Drop what belongs to the former shape."""
    for name in ("_optimizer", "_best_coefs", "_best_intercepts"):
        if hasattr(network, name):
            delattr(network, name)
