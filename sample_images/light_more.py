"""Light of two colours from two sides, one hard lamp, a wide soft window, a lamp so near that it leaves a glare."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.sensor import Sensor
from sample_images.shading import Lamp, Light, kelvin_rgb

Floats = NDArray[Any]
RIGS = ("mixed", "hard", "window", "near")
_ODDS = (0.4, 0.22, 0.18, 0.2)


def relight(rng: np.random.Generator, light: Light, middle_mm: Floats) -> Light:
    """Other lamps for the scene; total light stays about 1 on the page."""
    rig = str(rng.choice(RIGS, p=_ODDS))
    turn = float(rng.uniform(0, 2 * np.pi))
    if rig == "mixed":
        warm, cool = float(rng.uniform(2600, 3200)), float(rng.uniform(5800, 7200))
        part = float(rng.uniform(0.3, 0.7))
        share = float(rng.uniform(0.15, 0.4))
        lamps = (
            _lamp(rng, middle_mm, turn, (34, 68), (350, 1400), warm, part * (1 - share), (0.05, 0.3)),
            _lamp(rng, middle_mm, turn + rng.uniform(2.2, 4.1), (32, 65), (700, 2500), cool, (1 - part) * (1 - share),
                  (0.05, 0.35)),
        )  # fmt: skip
        return _with(light, lamps, cool if rng.random() < 0.6 else warm, share)
    kelvin = float(rng.uniform(2600, 7200))
    if rig == "hard":
        share = float(rng.uniform(0.1, 0.25))
        lamp = _lamp(rng, middle_mm, turn, (38, 66), (500, 1500), kelvin, 1 - share, (0.004, 0.025))
    elif rig == "window":
        share = float(rng.uniform(0.3, 0.5))
        lamp = _lamp(rng, middle_mm, turn, (26, 45), (600, 1200), kelvin, 1 - share, (0.45, 0.7))
    else:  # near: bright on one side of the page, dim on the other, and its image on whatever shines
        share = float(rng.uniform(0.25, 0.45))
        lamp = _lamp(rng, middle_mm, turn, (55, 84), (190, 340), kelvin, 1 - share, (0.03, 0.08))
    return _with(light, (lamp,), kelvin, share)


def _lamp(
    rng: np.random.Generator,
    middle_mm: Floats,
    turn: float,
    elevation: tuple[float, float],
    distance: tuple[float, float],
    kelvin: float,
    strength: float,
    soft: tuple[float, float],
) -> Lamp:
    el = np.radians(rng.uniform(*elevation))
    direction = np.array([np.cos(turn) * np.cos(el), np.sin(turn) * np.cos(el), np.sin(el)])
    middle = np.append(middle_mm, 0.0)
    colour = kelvin_rgb(kelvin) * (strength / max(float(direction[2]), 0.3))
    return Lamp(middle + direction * rng.uniform(*distance), colour.astype(np.float32), rng.uniform(*soft), middle)


def _with(light: Light, lamps: tuple[Lamp, ...], sky_kelvin: float, share: float) -> Light:
    return replace(
        light, lamps=lamps, sky=(kelvin_rgb(float(np.clip(sky_kelvin, 2500, 7500))) * share).astype(np.float32)
    )


def cast(rng: np.random.Generator, sensor: Sensor) -> Sensor:
    """The colour that the phone left in the picture (half of the time a strong one), and a darker rim."""
    gain = sensor.gain
    if rng.random() < 0.5:
        amount = float(rng.uniform(0.3, 1.0))
        tints = ((0.32, 0.0, -0.45), (0.38, 0.06, -0.55), (-0.22, 0.0, 0.28), (-0.06, 0.16, -0.1), (0.12, -0.1, 0.1))
        tint = np.array(tints[int(rng.choice(5, p=[0.3, 0.25, 0.2, 0.15, 0.1]))])
        gain = (gain * (1 + amount * tint)).astype(np.float32)
    vignette = float(rng.uniform(0.4, 0.85)) if rng.random() < 0.35 else sensor.vignette
    return replace(sensor, gain=gain, vignette=vignette)
