"""What an eye is made of while it learns: layers that say how their weights have to change.

A layer keeps nothing of what passes through it: several threads may send patches through one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.damage.eye import Convolution, Dense, neighbourhoods

_TINY = 1e-5
_SMALL = 3**-0.5
"""Spread of the first weights times the root of how many are added up: a step changes small weights more."""
_KEPT = 0.98
"""Share of the running mean and spread that a step leaves as it was."""


class Parameter:
    """An array that is learnt, with Adam's moments (Kingma and Ba 2015)."""

    def __init__(self, value: np.ndarray, decays: bool) -> None:
        self.value = value.astype(np.float32)
        self._decays = decays
        self._mean, self._square = np.zeros_like(self.value), np.zeros_like(self.value)

    def step(self, gradient: np.ndarray, rate: float, decay: float, number: int) -> None:
        """One step down the gradient; ``number`` counts from one."""
        self._mean += 0.1 * (gradient - self._mean)
        self._square += 0.001 * (gradient**2 - self._square)
        mean, square = self._mean / (1 - 0.9**number), self._square / (1 - 0.999**number)
        if self._decays:
            self.value *= np.float32(1 - rate * decay)
        self.value -= np.float32(rate) * mean / (np.sqrt(square) + np.float32(1e-8))


@dataclass(frozen=True)
class Passed:
    """What a convolution has to know of patches that went through it. shape : (n, h, w, c) of the input; columns : what
    was multiplied; even : at mean 0 and spread 1; out : the answer, rectified; mean, spread : (channels,)"""

    shape: tuple[int, ...]
    columns: np.ndarray
    even: np.ndarray
    out: np.ndarray
    mean: np.ndarray
    spread: np.ndarray


class ConvolutionLayer:
    """A convolution of every place or every second one, its channels brought to one mean and spread (Ioffe and Szegedy
    2015), rectified."""

    def __init__(
        self, channels_in: int, channels_out: int, side: int, step: int, first: bool, rng: np.random.Generator
    ) -> None:
        fan_in = side * side * channels_in
        self.side, self.step, self._first = side, step, first
        self.weights = Parameter(_SMALL * rng.normal(size=(fan_in, channels_out)) / np.sqrt(fan_in), True)
        self.gain, self.shift = Parameter(np.ones(channels_out), False), Parameter(np.zeros(channels_out), False)
        self.mean, self.variance = np.zeros(channels_out, np.float32), np.ones(channels_out, np.float32)
        self.parameters = [self.weights, self.gain, self.shift]

    def forward(self, x: np.ndarray) -> tuple[np.ndarray, Passed]:
        """(n, h, w, c) to (n, h / step, w / step, k), and what `backward` needs."""
        places, columns = neighbourhoods(x, self.side, self.step)
        even = columns @ self.weights.value
        mean = even.mean(axis=0)
        even -= mean
        spread = np.sqrt(np.einsum("ij,ij->j", even, even) / np.float32(len(even)) + np.float32(_TINY))
        even *= 1 / spread
        out = even * self.gain.value
        out += self.shift.value
        np.maximum(out, 0, out=out)
        return out.reshape(*places, -1), Passed(x.shape, columns, even, out, mean, spread)

    def backward(self, gradient: np.ndarray, passed: Passed) -> tuple[np.ndarray | None, list[np.ndarray]]:
        """From the gradient of the output to that of the input (None for the first layer) and of the parameters."""
        g = gradient.reshape(passed.out.shape) * (passed.out > 0)
        shift = g.sum(axis=0)
        gain = np.einsum("ij,ij->j", g, passed.even)
        n = np.float32(len(g))
        g -= shift / n
        g -= passed.even * (gain / n)
        g *= self.gain.value / passed.spread
        into = None if self._first else self._spread_back(g, passed.shape)
        return into, [passed.columns.T @ g, gain, shift]

    def _spread_back(self, g: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
        n, h, w, c = shape
        rim, step = self.side // 2, self.step
        out_h, out_w = -(-h // step), -(-w // step)
        padded = np.zeros((n, h + 2 * rim, w + 2 * rim, c), g.dtype)
        weights = self.weights.value.reshape(self.side, self.side, c, -1)
        for i in range(self.side):
            for j in range(self.side):
                rows, across = slice(i, i + step * (out_h - 1) + 1, step), slice(j, j + step * (out_w - 1) + 1, step)
                padded[:, rows, across] += (g @ weights[i, j].T).reshape(n, out_h, out_w, c)
        return padded[:, rim : rim + h, rim : rim + w]

    def remember(self, seen: Sequence[tuple[np.ndarray, np.ndarray]]) -> None:
        """Let the running mean and spread follow those of equally many patches each that went through."""
        mean = np.mean([m for m, _ in seen], axis=0)
        # of all patches together: the spread within each part, and that of the parts' means
        square = np.mean([spread**2 + (m - mean) ** 2 for m, spread in seen], axis=0)
        self.mean = _KEPT * self.mean + (1 - _KEPT) * mean
        self.variance = _KEPT * self.variance + (1 - _KEPT) * square

    def fitted(self) -> Convolution:
        """The same with the last means and spreads, as one product."""
        gain = self.gain.value / np.sqrt(self.variance + np.float32(_TINY))
        return Convolution(
            (self.weights.value * gain).astype(np.float32),
            (self.shift.value - self.mean * gain).astype(np.float32),
            self.side,
            self.step,
        )


class DenseLayer:
    """A product, some of its inputs left out at random (Srivastava and others 2014)."""

    def __init__(self, width_in: int, width_out: int, dropped: float, rng: np.random.Generator) -> None:
        self._dropped = dropped
        self.weights = Parameter(_SMALL * rng.normal(size=(width_in, width_out)) / np.sqrt(width_in), True)
        self.bias = Parameter(np.zeros(width_out), False)
        self.parameters = [self.weights, self.bias]

    def forward(self, x: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
        """(n, in) to (n, out), and what `backward` needs."""
        kept: np.ndarray = np.ones((1, 1), np.float32)
        if self._dropped:
            kept = (rng.random(x.shape, np.float32) >= self._dropped).astype(np.float32) / np.float32(1 - self._dropped)
            x = x * kept
        return x @ self.weights.value + self.bias.value, (x, kept)

    def backward(
        self, gradient: np.ndarray, passed: tuple[np.ndarray, np.ndarray]
    ) -> tuple[np.ndarray, list[np.ndarray]]:
        """From the gradient of the output to that of the input and of the parameters."""
        x, kept = passed
        return (gradient @ self.weights.value.T) * kept, [x.T @ gradient, gradient.sum(axis=0)]

    def fitted(self) -> Dense:
        """The same with all its inputs."""
        return Dense(self.weights.value.copy(), self.bias.value.copy())
