"""What bench tops of every kind are made of: a tile's scale, tinted tones, long streaks."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.colours import linear
from sample_images.noise import picture

Floats = NDArray[Any]
TILE_MM_PER_PX = 0.3


def tinted(base: object, tone: Floats) -> Floats:
    """(H, W, 3) linear RGB of an sRGB colour (3,), 0 to 255, times a tone (H, W)."""
    return np.clip(linear(base)[None, None] * tone[..., None], 0.003, 0.9)


def streaks(rng: np.random.Generator, shape: tuple[int, int], along: float, across: float) -> Floats:
    """(H, W) noise of standard deviation 1, its grains this long and wide in pixels of the tile."""
    small = picture(rng, (int(shape[0] / across) + 2, int(shape[1] / along) + 2), 1.0)
    return cv2.resize(small.astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)
