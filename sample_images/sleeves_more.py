"""Shrunk sleeves over joints in more colours, tighter or looser, half clear, with adhesive at the ends or print."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material
from sample_images.colours import linear, varied
from sample_images.harness import WirePath
from sample_images.noise import Line, Sheet, steps
from sample_images.tubes import Tube, stretch

Floats = NDArray[Any]
_SRGB = {
    "red": (196, 26, 30), "blue": (28, 66, 176), "yellow": (240, 200, 34), "black": (27, 27, 28),
    "clear": (214, 212, 204), "green": (26, 128, 62), "white": (234, 233, 228), "orange": (232, 108, 26),
    "brown": (96, 58, 38), "grey": (120, 122, 124), "violet": (100, 56, 140),
}  # fmt: skip
_ODDS = (0.19, 0.19, 0.13, 0.15, 0.12, 0.06, 0.05, 0.04, 0.02, 0.03, 0.02)
LENGTH_MM = (12.0, 60.0)


def sleeve_kind(rng: np.random.Generator) -> str:
    """A colour."""
    return str(rng.choice(list(_SRGB), p=_ODDS))


def other_sleeve(
    rng: np.random.Generator, wire: WirePath, low: float, high: float, code: int, kind: str, under: Floats
) -> Tube:
    """A sleeve of this kind between two arc lengths; `under` (3,) is the insulation that it may show."""
    axis, s = stretch(wire.xyz, wire.s, low, high)
    r0, middle, half = wire.od_mm / 2, (low + high) / 2, (high - low) / 2
    away = np.abs(s - middle)
    joint = half * rng.uniform(0.25, 0.7)
    tight = rng.random() < 0.6
    wall = rng.uniform(0.12, 0.3) if tight else rng.uniform(0.3, 0.9)
    swell = rng.uniform(0.05, 0.5) * r0 * steps(away, joint * 1.25, joint * 0.75)
    adhesive = rng.random() < 0.4
    rim = rng.uniform(0.5, 1.4) if adhesive else 0.0
    ends = steps(away, half, half - rng.choice([0.2, 0.4, rng.uniform(1, 4)]))
    r = r0 + (wall + swell) * (0.25 + 0.75 * ends) + 0.025 * Line(rng, 4.0)(s)
    if adhesive:  # a bead of it came out
        r = r + 0.12 * np.exp(-(((half - away - rim / 2) / (0.5 * rim)) ** 2))
    axis = axis + np.array([0, 0, 1.0]) * (r - r0)[:, None] * rng.uniform(0.1, 1.0)
    return Tube(axis, s, r, r, _paint(rng, (middle, half, joint, rim), code, kind, under))


def _paint(
    rng: np.random.Generator, places: tuple[float, float, float, float], code: int, kind: str, under: Floats
) -> Callable[[Floats, Floats], Material]:
    """Its colours along and around. places : mm of its middle, its half length, the joint's half length, the bead."""
    middle, half, joint, rim = places
    base = varied(rng, _SRGB[kind], 0.06)
    milk = rng.uniform(0.2, 0.55) if kind == "clear" else (rng.uniform(0.55, 0.8) if rng.random() < 0.3 else 1.0)
    metal = linear(rng.choice([(196, 112, 66), (160, 160, 158), (170, 120, 90)])) * 0.7
    glue = linear((196, 178, 130)) * np.float32(rng.uniform(0.4, 0.9))
    tint = Sheet(rng, 6, 1)
    gloss = float(rng.uniform(0.45, 0.9))
    printed = rng.random() < 0.25
    period = rng.uniform(10, 25)
    ink = 0.55 if base.mean() < 0.2 else 0.04

    def paint(s: Floats, angle: Floats) -> Material:
        away = np.abs(s - middle)
        inner = steps(away, joint + 0.6, joint - 0.6)[:, None]
        shown = under[None] * (1 - inner) + metal * inner
        albedo = (base[None] * milk + shown * (1 - milk) * (0.4 + 0.6 * base[None])) * (1 + 0.05 * tint(s, angle))[
            :, None
        ]
        if printed:
            stroke = ((s % period) < period * 0.4) & (np.floor(s / 0.5) % 3 != 0) & (np.abs(angle - 1.5) < 0.22)
            albedo = np.where(stroke[:, None], 0.3 * albedo + 0.7 * ink, albedo)
        if rim:
            bead = steps(half - away, rim * 1.1, rim * 0.8)[:, None]
            albedo = albedo * (1 - 0.8 * bead) + glue[None] * 0.8 * bead
        n = len(s)
        return Material(
            np.clip(albedo, 0.005, 0.9).astype(np.float32),
            np.full(n, gloss, np.float32),
            np.zeros(n, np.float32),
            np.full(n, code, np.uint8),
        )

    return paint
