"""The shell eye: a convolutional network that tells where on a housing its plastic is broken.

It halves the picture four times and doubles it twice again, what it saw before halving beside what it saw after
(Ronneberger, Fischer and Brox 2015): cracks are thin, and whether a line is one depends on what lies around it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.damage.eye import Convolution, Dense, log_softmax, standardised

SHELL_CLASSES: tuple[str, ...] = ("other", "housing", "fracture", "hollow", "piece", "terminal")
"""What a place can show: beside whole housings cracks and fractured edges, the hollow that a broken lock leaves, pieces
that lie about, and terminals pushed out."""
BROKEN_CLASSES = SHELL_CLASSES[2:]


@dataclass(frozen=True)
class ShellEye:
    """A fitted shell eye. down : groups of convolutions, the first of each halves the picture; up : one for every
    doubling, it joins what comes from below with what the group at this size said; last : for each place."""

    down: tuple[tuple[Convolution, ...], ...]
    up: tuple[Convolution, ...]
    last: Dense

    def probabilities(self, picture: np.ndarray) -> np.ndarray:
        """(h, w, 3) int8 CIELAB, sides multiples of 16, to (h / 4, w / 4, C)."""
        halvings = 2 ** len(self.down)
        if picture.ndim != 3 or picture.shape[2] != 3 or picture.shape[0] % halvings or picture.shape[1] % halvings:
            raise ValueError(f"expected a picture of (h, w, 3), sides multiples of {halvings}, got {picture.shape}")
        x = standardised(picture)[None]
        sizes = []
        for group in self.down:
            for convolution in group:
                x = convolution(x)
            sizes.append(x)
        for convolution, beside in zip(self.up, reversed(sizes[:-1]), strict=False):
            x = convolution(joined(x, beside))
        shape = x.shape[1:3]
        return np.exp(log_softmax(self.last(x.reshape(-1, x.shape[3])))).reshape(*shape, -1)

    def breaks(self, picture: np.ndarray) -> dict[str, np.ndarray]:
        """The same, of what is broken, by its name."""
        said = self.probabilities(picture)
        return {name: said[..., SHELL_CLASSES.index(name)] for name in BROKEN_CLASSES}


def joined(x: np.ndarray, beside: np.ndarray) -> np.ndarray:
    """(n, h, w, c) doubled, and (n, 2 h, 2 w, k) beside it: (n, 2 h, 2 w, c + k)."""
    doubled = x.repeat(2, axis=1).repeat(2, axis=2)
    return np.concatenate([doubled, beside], axis=3)
