"""Fits the eye: stochastic gradients through its convolutions, in numpy alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

from models.damage.eye import Eye, Tower, log_softmax, standardised
from models.damage.eye_layers import ConvolutionLayer, DenseLayer, Parameter, Passed

Part = TypeVar("Part")
_AT_ONCE = 32
"""Patches that go through together, so that threads share a step; other parts, other means and spreads."""


@dataclass(frozen=True)
class EyeSettings:
    """How the eye is fitted: so many steps on so many cells each, in parts of 32 that have a mean and spread each.

    channels : of the convolutions of a tower; the first of each group halves the picture; seen : what a tower says;
    head : width of the layer that joins both; rate : highest step size, reached after a warm-up and lowered along a
    cosine (one cycle: Smith and Topin 2019); decay : of the weights, apart from the gradient (Loshchilov and Hutter
    2019); smoothing : probability that is spread over all classes in the truth; dropped : share of the inputs left out
    at random
    """

    steps: int = 4500
    cells: int = 384
    channels: tuple[tuple[int, ...], ...] = ((24, 24), (48, 48), (80, 80))
    seen: int = 64
    head: int = 96
    rate: float = 3e-3
    decay: float = 0.02
    smoothing: float = 0.03
    dropped: float = 0.2


@dataclass(frozen=True)
class Slope:
    """Of some patches. loss : mean cross-entropy; gradients : of it, one for each of the parameters; seen : mean and
    spread of every channel in the convolutions, tower by tower."""

    loss: float
    gradients: list[np.ndarray]
    seen: list[tuple[np.ndarray, np.ndarray]]


class EyeInTraining:
    """An eye whose layers say how they have to change."""

    def __init__(
        self, classes: Sequence[str], shape: Sequence[int], settings: EyeSettings, rng: np.random.Generator
    ) -> None:
        self._classes, self._shape, self._settings = tuple(classes), tuple(shape), settings
        self._towers = [self._tower(rng) for _ in range(shape[0])]
        self._head = DenseLayer(settings.seen * shape[0], settings.head, 0.0, rng)
        self._last = DenseLayer(settings.head, len(classes), settings.dropped, rng)
        layers: list[ConvolutionLayer | DenseLayer] = [self._head, self._last]
        for convolutions, end in self._towers:
            layers += [*convolutions, end]
        self.parameters: list[Parameter] = [p for layer in layers for p in layer.parameters]

    def _tower(self, rng: np.random.Generator) -> tuple[list[ConvolutionLayer], DenseLayer]:
        settings = self._settings
        _, rows, columns, before = self._shape
        convolutions: list[ConvolutionLayer] = []
        for group in settings.channels:
            for k, channels in enumerate(group):
                first = not convolutions
                side, step = 5 if first else 3, 1 if k else 2
                convolutions.append(ConvolutionLayer(before, channels, side, step, first, rng))
                before = channels
        halved = 2 ** len(settings.channels)
        places = -(-rows // halved) * -(-columns // halved)
        return convolutions, DenseLayer(places * before, settings.seen, settings.dropped, rng)

    def slope(self, x: np.ndarray, truth: np.ndarray, rng: np.random.Generator) -> Slope:
        """Loss and gradients of (n, *shape) standardised patches and (n,) class numbers. Changes nothing."""
        seen, passed, ends = [], [], []
        for k, (convolutions, end) in enumerate(self._towers):
            y = np.ascontiguousarray(x[:, k])
            mine = []
            for convolution in convolutions:
                y, left = convolution.forward(y)
                mine.append(left)
            said, end_left = end.forward(y.reshape(len(y), -1), rng)
            seen.append(np.maximum(said, 0))
            passed.append(mine)
            ends.append(end_left)
        both = np.concatenate(seen, axis=1)
        joined, head_left = self._head.forward(both, rng)
        joined = np.maximum(joined, 0)
        said, last_left = self._last.forward(joined, rng)
        logs = log_softmax(said)
        count, classes = logs.shape
        wanted = np.full((count, classes), self._settings.smoothing / classes, np.float32)
        wanted[np.arange(count), truth] += 1 - self._settings.smoothing
        g, of_last = self._last.backward((np.exp(logs) - wanted) / np.float32(count), last_left)
        g, of_head = self._head.backward(g * (joined > 0), head_left)
        parts = np.split(g * (both > 0), len(self._towers), axis=1)
        gradients = [*of_head, *of_last]
        for (convolutions, end), mine, end_left, part in zip(self._towers, passed, ends, parts, strict=True):
            gradients += self._back(convolutions, end, mine, end_left, part)
        met = [(left.mean, left.spread) for mine in passed for left in mine]
        return Slope(float(-(wanted * logs).sum() / count), gradients, met)

    @staticmethod
    def _back(
        convolutions: Sequence[ConvolutionLayer],
        end: DenseLayer,
        passed: Sequence[Passed],
        end_left: tuple[np.ndarray, np.ndarray],
        gradient: np.ndarray,
    ) -> list[np.ndarray]:
        back: np.ndarray | None
        back, of_end = end.backward(gradient, end_left)
        found = of_end
        for convolution, left in zip(reversed(convolutions), reversed(passed), strict=True):
            assert back is not None
            back, mine = convolution.backward(back, left)
            found = mine + found
        return found

    def learn(self, slopes: Sequence[Slope], number: int, rate: float) -> None:
        """One step down the mean of slopes over equally many patches; ``number`` counts from one."""
        convolutions = [c for some, _ in self._towers for c in some]
        step_down(self.parameters, convolutions, slopes, number, rate, self._settings.decay)

    def fitted(self) -> Eye:
        """The eye as it answers."""
        towers = tuple(
            Tower(tuple(c.fitted() for c in convolutions), end.fitted()) for convolutions, end in self._towers
        )
        return Eye(self._classes, self._shape, towers, (self._head.fitted(), self._last.fitted()))


def step_down(
    parameters: Sequence[Parameter],
    convolutions: Sequence[ConvolutionLayer],
    slopes: Sequence[Slope],
    number: int,
    rate: float,
    decay: float,
) -> None:
    """One step of every parameter down the mean of slopes, and of the convolutions' running means and spreads."""
    for k, parameter in enumerate(parameters):
        parameter.step(np.mean([slope.gradients[k] for slope in slopes], axis=0), rate, decay, number)
    for k, convolution in enumerate(convolutions):
        convolution.remember([slope.seen[k] for slope in slopes])


def varied(x: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The same standardised patches mirrored either way, in somewhat other light, some of them noisy."""
    n = len(x)
    out = x.copy()
    for axis in (2, 3):
        turned = rng.random(n) < 0.5
        out[turned] = np.flip(out[turned], axis)
    each = (n, 1, 1, 1, 3)
    out *= (1 + 0.08 * rng.standard_normal(each)).astype(np.float32)
    out += (0.08 * rng.standard_normal(each)).astype(np.float32)
    noisy = rng.random(n) < 0.3
    out[noisy] += 0.08 * rng.standard_normal(out[noisy].shape, np.float32)
    return out


def rate_at(step: int, steps: int, highest: float) -> float:
    """Step size: up along a line for the first seventh, then down along a cosine."""
    warm = max(steps // 7, 1)
    if step < warm:
        return highest * (step + 1) / warm
    return highest * 0.5 * (1 + float(np.cos(np.pi * (step - warm) / (steps - warm))))


@dataclass(frozen=True)
class Pace:
    """How many steps, the highest step size, and how many threads share a step."""

    steps: int
    rate: float
    threads: int


class Learner(Protocol):
    """What is in training."""

    def learn(self, slopes: Sequence[Slope], number: int, rate: float) -> None:
        """One step down the mean of slopes; ``number`` counts from one."""


def descend(
    name: str,
    learner: Learner,
    draw: Callable[[], Sequence[Part]],
    slope: Callable[[Part, np.random.Generator], Slope],
    rng: np.random.Generator,
    pace: Pace,
    on_step: Callable[[], None] | None = None,
) -> None:
    """Teach a learner step by step. The same with any number of threads: each part of a step has luck of its own.

    draw : the parts of a step, drawn from ``rng`` before the luck of each is; slope : of one part. Raises
    FloatingPointError where the loss is no number any more.
    """
    with threadpool_limits(1), ThreadPoolExecutor(max(1, pace.threads)) as pool:
        for number in range(pace.steps):
            drawn = draw()
            slopes = list(pool.map(slope, drawn, rng.spawn(len(drawn))))
            loss = float(np.mean([slope.loss for slope in slopes]))
            if not np.isfinite(loss):
                raise FloatingPointError(f"{name}'s loss is {loss} after {number} steps: lower its rate")
            learner.learn(slopes, number + 1, rate_at(number, pace.steps, pace.rate))
            if on_step:
                on_step()


def fit_eye(
    classes: Sequence[str],
    patches: np.ndarray,
    truth: np.ndarray,
    settings: EyeSettings,
    seed: int,
    threads: int = 1,
    on_step: Callable[[], None] | None = None,
) -> Eye:
    """Fit an eye to (N, patches, rows, columns, 3) int8 CIELAB and (N,) class numbers; every class is drawn equally
    often. The same with any number of threads.

    ``patches`` may be a file's memory map. Raises ValueError where a class has no cell, or a step no whole parts.
    """
    absent = [name for k, name in enumerate(classes) if not (truth == k).any()]
    if absent:
        raise ValueError(f"expected cells of every class, got none of {', '.join(absent)}")
    rng = np.random.default_rng(seed)
    eye = EyeInTraining(classes, patches.shape[1:], settings, rng)
    of_class = [np.flatnonzero(truth == k) for k in range(len(classes))]
    parts = max(settings.cells // _AT_ONCE, 1)
    if settings.cells % parts:
        raise ValueError(f"expected cells of a step in parts of {_AT_ONCE}, got {settings.cells}: take a multiple")

    def slope(rows: np.ndarray, luck: np.random.Generator) -> Slope:
        return eye.slope(varied(standardised(patches[rows]), luck), truth[rows], luck)

    def draw() -> list[np.ndarray]:
        drawn = rng.integers(len(classes), size=(parts, settings.cells // parts))
        return [np.array([of_class[k][rng.integers(len(of_class[k]))] for k in some]) for some in drawn]

    pace = Pace(settings.steps, settings.rate, min(threads, parts))
    descend("the eye", eye, draw, slope, rng, pace, on_step)
    return eye.fitted()
