"""Fits the eye: stochastic gradients through its convolutions, in numpy alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.damage.eye import Convolution, Dense, Eye, Tower, log_softmax, neighbourhoods, standardised

_TINY = 1e-5
_KEPT = 0.98
"""Share of the running mean and spread that a step leaves as it was."""


@dataclass(frozen=True)
class EyeSettings:
    """How the eye is fitted: so many steps on so many cells each.

    channels : of the convolutions; seen : what a tower says; head : width of the layer that joins both; rate : highest
    step size, reached after a warm-up and lowered along a cosine (one cycle: Smith and Topin 2019); decay : of the
    weights, apart from the gradient (Loshchilov and Hutter 2019); smoothing : probability that is spread over all
    classes in the truth; dropped : share of the inputs left out at random
    """

    steps: int = 3000
    cells: int = 384
    channels: tuple[int, ...] = (24, 48, 80)
    seen: int = 64
    head: int = 96
    rate: float = 3e-3
    decay: float = 0.02
    smoothing: float = 0.03
    dropped: float = 0.2


class Parameter:
    """An array that is learnt, with its gradient and Adam's moments (Kingma and Ba 2015)."""

    def __init__(self, value: np.ndarray, decays: bool) -> None:
        self.value = value.astype(np.float32)
        self.gradient = np.zeros_like(self.value)
        self._decays = decays
        self._mean, self._square = np.zeros_like(self.value), np.zeros_like(self.value)

    def step(self, rate: float, decay: float, number: int) -> None:
        """One step down the gradient; ``number`` counts from one."""
        self._mean += 0.1 * (self.gradient - self._mean)
        self._square += 0.001 * (self.gradient**2 - self._square)
        mean, square = self._mean / (1 - 0.9**number), self._square / (1 - 0.999**number)
        if self._decays:
            self.value *= np.float32(1 - rate * decay)
        self.value -= np.float32(rate) * mean / (np.sqrt(square) + np.float32(1e-8))


class ConvolutionLayer:
    """A convolution of every second place, its channels brought to one mean and spread (Ioffe and Szegedy 2015),
    rectified."""

    def __init__(self, channels_in: int, channels_out: int, side: int, first: bool, rng: np.random.Generator) -> None:
        fan_in = side * side * channels_in
        self.side, self._first = side, first
        self.weights = Parameter(rng.normal(0, np.sqrt(2 / fan_in), (fan_in, channels_out)), True)
        self.gain, self.shift = Parameter(np.ones(channels_out), False), Parameter(np.zeros(channels_out), False)
        self.mean, self.variance = np.zeros(channels_out, np.float32), np.ones(channels_out, np.float32)
        self.parameters = [self.weights, self.gain, self.shift]

    def forward(self, x: np.ndarray) -> np.ndarray:
        """(n, h, w, c) to (n, h / 2, w / 2, k)."""
        self._shape = x.shape
        out_shape, self._columns = neighbourhoods(x, self.side)
        z = self._columns @ self.weights.value
        mean, variance = z.mean(axis=0), z.var(axis=0)
        self.mean = _KEPT * self.mean + (1 - _KEPT) * mean
        self.variance = _KEPT * self.variance + (1 - _KEPT) * variance
        self._spread = np.sqrt(variance + np.float32(_TINY))
        self._even = (z - mean) / self._spread
        self._out = np.maximum(self._even * self.gain.value + self.shift.value, 0)
        return self._out.reshape(*out_shape, -1)

    def backward(self, gradient: np.ndarray) -> np.ndarray | None:
        """From the gradient of the output to that of the input (None for the first layer); keeps those between."""
        g = gradient.reshape(self._out.shape) * (self._out > 0)
        self.shift.gradient = g.sum(axis=0)
        self.gain.gradient = (g * self._even).sum(axis=0)
        n = np.float32(len(g))
        g -= self.shift.gradient / n + self._even * (self.gain.gradient / n)
        g *= self.gain.value / self._spread
        self.weights.gradient = self._columns.T @ g
        return None if self._first else self._spread_back(g @ self.weights.value.T)

    def _spread_back(self, columns: np.ndarray) -> np.ndarray:
        n, h, w, c = self._shape
        rim = self.side // 2
        out_h, out_w = (h + 1) // 2, (w + 1) // 2
        parts = columns.reshape(n, out_h, out_w, self.side, self.side, c)
        padded = np.zeros((n, h + 2 * rim, w + 2 * rim, c), np.float32)
        for i in range(self.side):
            for j in range(self.side):
                padded[:, i : i + 2 * out_h - 1 : 2, j : j + 2 * out_w - 1 : 2] += parts[:, :, :, i, j]
        return padded[:, rim : rim + h, rim : rim + w]

    def fitted(self) -> Convolution:
        """The same with the last means and spreads, as one product."""
        gain = self.gain.value / np.sqrt(self.variance + np.float32(_TINY))
        return Convolution(
            (self.weights.value * gain).astype(np.float32),
            (self.shift.value - self.mean * gain).astype(np.float32),
            self.side,
        )


class DenseLayer:
    """A product, some of its inputs left out at random (Srivastava and others 2014)."""

    def __init__(self, width_in: int, width_out: int, dropped: float, rng: np.random.Generator) -> None:
        self._rng, self._dropped = rng, dropped
        self._kept: np.ndarray | np.float32 = np.float32(1)
        self.weights = Parameter(rng.normal(0, np.sqrt(2 / width_in), (width_in, width_out)), True)
        self.bias = Parameter(np.zeros(width_out), False)
        self.parameters = [self.weights, self.bias]

    def forward(self, x: np.ndarray) -> np.ndarray:
        """(n, in) to (n, out)."""
        self._kept = np.float32(1)
        if self._dropped:
            kept = self._rng.random(x.shape, np.float32) >= self._dropped
            self._kept = kept.astype(np.float32) / np.float32(1 - self._dropped)
        self._x = x * self._kept
        return self._x @ self.weights.value + self.bias.value

    def backward(self, gradient: np.ndarray) -> np.ndarray:
        """From the gradient of the output to that of the input; keeps those between."""
        self.weights.gradient = self._x.T @ gradient
        self.bias.gradient = gradient.sum(axis=0)
        return (gradient @ self.weights.value.T) * self._kept

    def fitted(self) -> Dense:
        """The same with all its inputs."""
        return Dense(self.weights.value.copy(), self.bias.value.copy())


class EyeInTraining:
    """An eye whose layers remember what they saw, so that they can be corrected."""

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
        self.parameters = [p for layer in layers for p in layer.parameters]

    def _tower(self, rng: np.random.Generator) -> tuple[list[ConvolutionLayer], DenseLayer]:
        settings = self._settings
        _, rows, columns, colours = self._shape
        channels = (colours, *settings.channels)
        convolutions = [
            ConvolutionLayer(channels[k], channels[k + 1], 3 if k else 5, k == 0, rng)
            for k in range(len(settings.channels))
        ]
        halved = 2 ** len(settings.channels)
        places = -(-rows // halved) * -(-columns // halved)
        return convolutions, DenseLayer(places * channels[-1], settings.seen, settings.dropped, rng)

    def loss(self, x: np.ndarray, truth: np.ndarray) -> float:
        """Mean cross-entropy of (n, *shape) standardised patches; leaves its gradients behind."""
        seen = []
        for k, (convolutions, end) in enumerate(self._towers):
            y = np.ascontiguousarray(x[:, k])
            for convolution in convolutions:
                y = convolution.forward(y)
            seen.append(np.maximum(end.forward(y.reshape(len(y), -1)), 0))
        both = np.concatenate(seen, axis=1)
        joined = np.maximum(self._head.forward(both), 0)
        logs = log_softmax(self._last.forward(joined))
        count, classes = logs.shape
        wanted = np.full((count, classes), self._settings.smoothing / classes, np.float32)
        wanted[np.arange(count), truth] += 1 - self._settings.smoothing
        g = self._last.backward((np.exp(logs) - wanted) / np.float32(count)) * (joined > 0)
        g = self._head.backward(g) * (both > 0)
        for (convolutions, end), part in zip(self._towers, np.split(g, len(self._towers), axis=1), strict=True):
            back: np.ndarray | None = end.backward(part)
            for convolution in reversed(convolutions):
                assert back is not None
                back = convolution.backward(back)
        return float(-(wanted * logs).sum() / count)

    def fitted(self) -> Eye:
        """The eye as it answers."""
        towers = tuple(
            Tower(tuple(c.fitted() for c in convolutions), end.fitted()) for convolutions, end in self._towers
        )
        return Eye(self._classes, self._shape, towers, (self._head.fitted(), self._last.fitted()))


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


def rate_at(step: int, settings: EyeSettings) -> float:
    """Step size: up along a line for the first seventh, then down along a cosine."""
    warm = max(settings.steps // 7, 1)
    if step < warm:
        return settings.rate * (step + 1) / warm
    return settings.rate * 0.5 * (1 + float(np.cos(np.pi * (step - warm) / (settings.steps - warm))))


def fit_eye(
    classes: Sequence[str],
    patches: np.ndarray,
    truth: np.ndarray,
    settings: EyeSettings,
    seed: int,
    on_step: Callable[[], None] | None = None,
) -> Eye:
    """Fit an eye to (N, patches, rows, columns, 3) int8 CIELAB and (N,) class numbers; every class is drawn equally
    often.

    ``patches`` may be a file's memory map. Raises ValueError where a class has no cell.
    """
    absent = [name for k, name in enumerate(classes) if not (truth == k).any()]
    if absent:
        raise ValueError(f"expected cells of every class, got none of {', '.join(absent)}")
    rng = np.random.default_rng(seed)
    eye = EyeInTraining(classes, patches.shape[1:], settings, rng)
    of_class = [np.flatnonzero(truth == k) for k in range(len(classes))]
    for number in range(settings.steps):
        drawn = rng.integers(len(classes), size=settings.cells)
        rows = np.sort([of_class[k][rng.integers(len(of_class[k]))] for k in drawn])
        loss = eye.loss(varied(standardised(patches[rows]), rng), truth[rows])
        if not np.isfinite(loss):
            raise FloatingPointError(f"the eye's loss is {loss} after {number} steps: lower its rate")
        rate = rate_at(number, settings)
        for parameter in eye.parameters:
            parameter.step(rate, settings.decay, number + 1)
        if on_step:
            on_step()
    return eye.fitted()
