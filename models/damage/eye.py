"""The eye: a small convolutional network that looks at patches of cells, beside the measured features.

What it answers are further features of the cells. A cell is looked at fine and wide, each by a tower of its own, whose
convolutions (LeCun, Bottou, Bengio and Haffner 1998) halve the picture now and then; a head joins both towers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_LEAST_LOG = -9.0
"""Answers are natural logarithms of probabilities, none below this (`vision.cell_patches` says so, too)."""
_AT_ONCE = 32
"""Patches whose surroundings fit the processor's cache."""
_MIDDLE = np.array([60.0, 0.0, 0.0], np.float32)
_SPREAD = np.array([30.0, 25.0, 25.0], np.float32)


@dataclass(frozen=True)
class Convolution:
    """weights : (side * side * channels in, channels out) float32; bias : (channels out,); step : 1 answers at every
    place, 2 at every second one."""

    weights: np.ndarray
    bias: np.ndarray
    side: int
    step: int

    def __call__(self, x: np.ndarray) -> np.ndarray:
        """(n, h, w, c) to (n, h / step, w / step, k), rectified."""
        shape, columns = neighbourhoods(x, self.side, self.step)
        out = columns @ self.weights
        out += self.bias
        return np.maximum(out, 0.0, out=out).reshape(*shape, -1)


@dataclass(frozen=True)
class Dense:
    """weights : (in, out) float32; bias : (out,)."""

    weights: np.ndarray
    bias: np.ndarray

    def __call__(self, x: np.ndarray) -> np.ndarray:
        """(n, in) to (n, out)."""
        return x @ self.weights + self.bias


@dataclass(frozen=True)
class Tower:
    """Looks at patches of one size."""

    convolutions: tuple[Convolution, ...]
    end: Dense

    def __call__(self, x: np.ndarray) -> np.ndarray:
        """(n, rows, columns, 3) standardised to (n, k)."""
        for convolution in self.convolutions:
            x = convolution(x)
        return np.maximum(self.end(x.reshape(len(x), -1)), 0.0)


@dataclass(frozen=True)
class Eye:
    """A fitted eye. classes : what a cell can be; shape : patches of a cell, their rows, columns and channels;
    towers : one for each of the patches; head : joins them."""

    classes: tuple[str, ...]
    shape: tuple[int, ...]
    towers: tuple[Tower, ...]
    head: tuple[Dense, Dense]

    def logs(self, patches: np.ndarray) -> np.ndarray:
        """(n, C) float32 logarithms of the classes' probabilities, for (n, *shape) int8 patches."""
        if patches.shape[1:] != self.shape:
            raise ValueError(
                f"expected patches of {self.shape}, got {patches.shape[1:]}; retrain the model with this version"
            )
        out = [self._said(standardised(patches[k : k + _AT_ONCE])) for k in range(0, len(patches), _AT_ONCE)]
        return np.concatenate(out) if out else np.zeros((0, len(self.classes)), np.float32)

    def _said(self, x: np.ndarray) -> np.ndarray:
        seen = np.concatenate([tower(x[:, k]) for k, tower in enumerate(self.towers)], axis=1)
        first, last = self.head
        return np.maximum(log_softmax(last(np.maximum(first(seen), 0.0))), _LEAST_LOG)


def standardised(patches: np.ndarray) -> np.ndarray:
    """int8 CIELAB to float32 about nought and one."""
    x = patches.astype(np.float32)
    x -= _MIDDLE
    x *= 1 / _SPREAD
    return x


def log_softmax(x: np.ndarray) -> np.ndarray:
    """Logarithms of probabilities that sum to one along the last axis."""
    x = x - x.max(axis=1, keepdims=True)
    return x - np.log(np.exp(x).sum(axis=1, keepdims=True))


def neighbourhoods(x: np.ndarray, side: int, step: int) -> tuple[tuple[int, int, int], np.ndarray]:
    """What a convolution multiplies: the (side, side) surroundings of every ``step``-th place, beyond the rim nought.

    x : (n, h, w, c). Returns (n, h / step, w / step), rounded up, and (their product, side * side * c).
    """
    n, h, w, c = x.shape
    rim = side // 2
    padded = np.zeros((n, h + 2 * rim, w + 2 * rim, c), x.dtype)
    padded[:, rim : rim + h, rim : rim + w] = x
    out_h, out_w = -(-h // step), -(-w // step)
    per_picture, per_row, per_pixel, per_value = padded.strides
    # a row of a surrounding lies in one piece
    windows = np.lib.stride_tricks.as_strided(
        padded,
        (n, out_h, out_w, side, side * c),
        (per_picture, step * per_row, step * per_pixel, per_row, per_value),
        writeable=False,
    )
    return (n, out_h, out_w), windows.reshape(n * out_h * out_w, side * side * c)
