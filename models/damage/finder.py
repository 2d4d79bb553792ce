"""The finder: tells for every cell of the dense evidence what it lies on, in two passes.

The first pass sees one cell; the second sees also what the first said of the
cells around it, so that a lone odd cell is not a damage and a damage has no holes.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sklearn.neural_network import MLPClassifier
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from models.damage.eye import Eye
from models.damage.shell_eye import ShellEye

Neighbourhood = Callable[[np.ndarray], np.ndarray]
"""(N, C) values of cells to (N, D) means over their neighbourhoods."""


@dataclass(frozen=True)
class TwoPasses:
    """Both passes, fitted on one set of scenes. first, second : members whose answers are averaged.

    One network of this size varies more from training to training than the scenes do.
    """

    first: tuple[Pipeline, ...]
    second: tuple[Pipeline, ...]

    def probabilities(self, features: np.ndarray, neighbourhood: Neighbourhood) -> np.ndarray:
        """(N, F) features of one photograph's cells to (N, C) probabilities."""
        first = mean_answer(self.first, features)
        return mean_answer(self.second, second_pass_input(features, first, neighbourhood))


@dataclass(frozen=True)
class Finder:
    """A fitted finder. classes : what a cell can be, in the order of the probability columns.

    eye : looks at the cells beside what is measured of them, and fitted on scenes of its own; None where there is none;
    shell_eye : looks at whole housings, when those are found;
    parts : fitted on different scenes each; their answers are averaged. What a part says of the scenes of another is
    what the finder says of scenes that it never saw.
    """

    classes: tuple[str, ...]
    feature_names: tuple[str, ...]
    parts: tuple[TwoPasses, ...]
    eye: Eye | None = None
    shell_eye: ShellEye | None = None

    def probabilities(self, features: np.ndarray, neighbourhood: Neighbourhood) -> np.ndarray:
        """(N, F) features of one photograph's cells to (N, C) probabilities."""
        if features.shape[1] != len(self.feature_names):
            raise ValueError(
                f"expected {len(self.feature_names)} features per cell, got {features.shape[1]}; "
                "retrain the model with this version of the features"
            )
        return np.mean([part.probabilities(features, neighbourhood) for part in self.parts], axis=0)

    def part(self, number: int) -> Finder:
        """One part as a finder of its own."""
        return replace(self, parts=(self.parts[number],))


def mean_answer(members: Sequence[Pipeline], x: np.ndarray) -> np.ndarray:
    """(N, C) mean of the members' probabilities for (N, F) inputs."""
    return np.mean([member.predict_proba(x) for member in members], axis=0)


def second_pass_input(features: np.ndarray, first: np.ndarray, neighbourhood: Neighbourhood) -> np.ndarray:
    """What the second pass sees, (N, F + C + D)."""
    return np.hstack([features, first, neighbourhood(first)]).astype(np.float32)


def new_pass(hidden: tuple[int, ...], seed: int, epochs: int) -> Pipeline:
    """An unfitted pass: a small multilayer perceptron on standardised features."""
    return make_pipeline(
        StandardScaler(),
        MLPClassifier(hidden, alpha=3.0, batch_size=1024, learning_rate_init=2e-3, max_iter=epochs, random_state=seed),
    )


def ignoring(member: Pipeline, at: int, more: int) -> Pipeline:
    """The fitted pass for inputs with ``more`` further columns from column ``at`` on, of which it takes no account."""
    out = copy.deepcopy(member)
    scaler, network = out[0], out[-1]
    for name, value in (("mean_", 0.0), ("scale_", 1.0), ("var_", 1.0)):
        setattr(scaler, name, np.insert(getattr(scaler, name), [at] * more, value))
    network.coefs_[0] = np.insert(network.coefs_[0], [at] * more, 0.0, axis=0)
    scaler.n_features_in_ += more
    network.n_features_in_ += more
    return out


_DUST = 1e-20
"""Weights below this add nothing to any answer."""


def without_dust(member: Pipeline) -> Pipeline:
    """The fitted pass, its weights that decayed to next to nothing set to nothing; its answers stay the same.

    Weight decay brings what is of no use down to subnormal numbers, which processors multiply thirty times slower.
    """
    network: MLPClassifier = member[-1]
    network.coefs_ = [np.where(np.abs(w) < _DUST, 0, w).astype(w.dtype) for w in network.coefs_]
    return member


def balanced(classes: np.ndarray, per_class: int, least: int, rng: np.random.Generator) -> np.ndarray:
    """Row numbers with at most ``per_class`` of each class, and rare classes repeated up to ``least``."""
    rows = []
    for value in np.unique(classes):
        mine = np.flatnonzero(classes == value)
        if len(mine) > per_class:
            mine = rng.choice(mine, per_class, replace=False)
        elif len(mine) < least:
            mine = rng.choice(mine, least, replace=True)
        rows.append(mine)
    return rng.permutation(np.concatenate(rows))
