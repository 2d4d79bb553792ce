"""Colours of insulation, housings and coverings, as linear light."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]

_SCORCH = np.array([0.40, 0.21, 0.10], np.float32)

INSULATION_SRGB: dict[str, tuple[int, int, int]] = {
    "BK": (30, 30, 31),
    "BN": (101, 60, 38),
    "RD": (190, 32, 36),
    "OG": (226, 106, 34),
    "YE": (238, 203, 40),
    "GN": (34, 122, 62),
    "BU": (36, 72, 160),
    "VT": (104, 56, 138),
    "GY": (134, 137, 140),
    "WH": (232, 231, 225),
    "PK": (232, 135, 165),
    "TQ": (40, 160, 165),
    "tan": (196, 156, 112),
}
"""IEC 60757 letter codes; trade words in lower case where the standard has no code."""

_WEIGHTS = {"BK": 1.5, "RD": 1.3, "WH": 1.2, "GY": 1.2, "VT": 0.8, "PK": 0.8, "TQ": 0.7, "tan": 0.7}

COPPER = np.array([0.86, 0.42, 0.23], np.float32)
BROWN_HEAT = np.array([0.10, 0.042, 0.018], np.float32)
CHAR = np.array([0.012, 0.011, 0.010], np.float32)


def linear(srgb: object) -> Floats:
    """sRGB 0..255 -> linear 0..1 (IEC 61966-2-1)."""
    v = np.asarray(srgb, np.float32) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


_ENCODE = np.arange(4097, dtype=np.float32) / 4096
_ENCODE = np.where(_ENCODE <= 0.0031308, _ENCODE * 12.92, 1.055 * _ENCODE ** (1 / 2.4) - 0.055).astype(np.float32)


def encoded(light: Floats) -> Floats:
    """Linear light 0..1 -> sRGB 0..1 by a table of 4096 steps, interpolation not needed below 1/255."""
    root = np.sqrt(np.clip(light, 0, 1))
    table = _encode_root()
    return table[(root * 4096).astype(np.int32)]


def _encode_root() -> Floats:
    """Table over the square root of light: even steps where the eye is fine."""
    v = (np.arange(4097, dtype=np.float32) / 4096) ** 2
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055).astype(np.float32)


def varied(rng: np.random.Generator, srgb: tuple[int, int, int], spread: float = 0.08) -> Floats:
    """A maker's variant of a colour: (3,) linear, brightness and hue a little off."""
    base = linear(srgb)
    return np.clip(base * np.exp(rng.normal(0, spread * 1.5)) * np.exp(rng.normal(0, spread, 3)), 0.006, 0.92).astype(
        np.float32
    )


def pick_codes(rng: np.random.Generator, count: int) -> list[str]:
    """Colour codes for `count` wires, about a third of them striped, all different while that is possible."""
    names = list(INSULATION_SRGB)
    p = np.array([_WEIGHTS.get(n, 1.0) for n in names])
    share = rng.choice([0.0, 0.25, 0.6])
    codes: list[str] = []
    while len(codes) < count:
        base = str(rng.choice(names, p=p / p.sum()))
        code = base
        if rng.random() < share and base != "tan":
            other = [n for n in names if n not in (base, "tan")]
            code = f"{base}/{rng.choice(other)}"
        if code not in codes or rng.random() < 0.15:
            codes.append(code)
    return codes


def scorched(albedo: Floats, amount: Floats) -> Floats:
    """Insulation (n,3) browned by heat: `amount` (n,1) 0..1 filters its colour and adds a brown of its own."""
    return albedo * (1 - amount + amount * _SCORCH) + BROWN_HEAT * (0.35 * amount)
