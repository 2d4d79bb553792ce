"""What lies about on any bench and is no damage: grit, chips of plastic, snips of wire and of ties."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material, Part
from sample_images.colours import COPPER, INSULATION_SRGB, linear
from sample_images.damage_rodent import crumb
from sample_images.harness import Harness
from sample_images.tubes import Tube

Floats = NDArray[Any]


def debris(rng: np.random.Generator, harness: Harness) -> list[Part]:
    """Nothing on most benches; else grit near the assembly, and a snip now and then."""
    out: list[Part] = []
    if rng.random() < 0.3:
        tones = [linear(c) for c in ((60, 50, 42), (30, 30, 30), (120, 110, 96), (200, 196, 186))]
        middle = harness.trunk.at(np.array([rng.uniform(harness.start_u, harness.end_u)]))[0][0]
        spread = rng.uniform(15, 120)
        for _ in range(int(rng.integers(2, 16))):
            tone = tones[int(rng.integers(len(tones)))] if rng.random() < 0.8 else _insulation(rng)
            out.append(crumb(rng, middle + rng.normal(0, spread, 2), tone, float(rng.uniform(0.12, 0.6))))
    for _ in range(int(rng.choice([0, 1, 2], p=[0.88, 0.09, 0.03]))):
        out.append(_snip(rng, harness))
    return out


def _insulation(rng: np.random.Generator) -> Floats:
    return linear(list(INSULATION_SRGB.values())[int(rng.integers(len(INSULATION_SRGB)))])


def _snip(rng: np.random.Generator, harness: Harness) -> Tube:
    """A short straight piece of wire, tie or strand that fell beside the assembly."""
    xy, _, normal = harness.trunk.at(np.array([rng.uniform(harness.start_u, harness.end_u)]))
    at = xy[0] + normal[0] * rng.choice([-1, 1]) * rng.uniform(18, 70)
    length, radius = float(rng.uniform(4, 18)), float(rng.choice([0.12, 0.7, 1.0]))
    turn, bend = rng.uniform(0, 2 * np.pi), rng.normal(0, 0.4)
    s = np.linspace(0, length, 24)
    angle = turn + bend * s / length
    axis = np.column_stack([at[0] + np.cos(angle) * s, at[1] + np.sin(angle) * s, np.full(24, radius)])
    metal = radius < 0.2
    tone = COPPER * 0.8 if metal else _insulation(rng)

    def paint(s: Floats, angle: Floats) -> Material:
        n = len(s)
        bare = np.full(n, float(metal), np.float32)
        albedo = np.repeat(tone[None].astype(np.float32), n, axis=0)
        return Material(albedo, np.full(n, 0.45, np.float32), bare, np.zeros(n, np.uint8))

    return Tube(axis, s, np.full(24, radius), np.full(24, radius), paint)
