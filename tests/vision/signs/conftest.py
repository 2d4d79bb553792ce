"""Shapes of known measure, drawn as reflectances at any scale and photographed under any light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from vision.cells import Cells, describe_cells
from vision.light import PAGE_LINEAR, EvenLight, even_light
from vision.segment import Foreground

LIGHTS = {
    "daylight": (1.0, (1.0, 1.0, 1.0), 0.0),
    "half as bright": (0.5, (1.0, 1.0, 1.0), 0.0),
    "warm lamp from the left": (0.9, (0.62, 0.85, 1.0), 0.35),
}
"""Brightness, tint of blue, green and red, and the share by which the light falls off towards the right."""

Shape = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""(H, W) x and y in mm to what of it is assembly, (H, W) bool, and its CIELAB colour, (H, W, 3)."""


@dataclass(frozen=True)
class Drawn:
    """A drawn shape as the features see it. solid : (H, W) bool; s : px per mm."""

    even: EvenLight
    solid: np.ndarray
    s: float

    def cells(self) -> Cells:
        """Its cells."""
        return describe_cells(self.even, Foreground(self.solid, self.solid), np.ones(self.solid.shape, bool), self.s)


def draw(shape: Shape, size_mm: tuple[float, float], s: float = 5.0, light: str = "daylight") -> Drawn:
    """Photograph a shape on white paper with an 8-bit camera and even the light as for any photograph."""
    h, w = (round(mm * s) for mm in (size_mm[1], size_mm[0]))
    y, x = (np.mgrid[:h, :w] + 0.5) / s
    solid, lab = shape(x, y)
    linear = cv2.cvtColor(lab.astype(np.float32), cv2.COLOR_Lab2LBGR)
    linear[~solid] = PAGE_LINEAR
    bright, tint, fall = LIGHTS[light]
    falling = bright * (1 - fall * np.linspace(0, 1, w))[None, :, None]
    linear = np.clip(linear * falling * np.array(tint), 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    bgr = np.round(255 * encoded).astype(np.uint8)
    return Drawn(even_light(bgr, np.ones((h, w), bool), True), solid, s)


def paint(shape: tuple[int, ...], colour: tuple[float, float, float]) -> np.ndarray:
    """(H, W, 3) of one CIELAB colour."""
    return np.tile(np.array(colour, np.float32), (*shape, 1))


@pytest.fixture(scope="session")
def drawing() -> SimpleNamespace:
    """The drawing board: `draw`, `paint`, and the lights by name."""
    return SimpleNamespace(draw=draw, paint=paint, lights=tuple(LIGHTS))
