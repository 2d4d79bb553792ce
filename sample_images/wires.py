"""The look of a wire's insulation: colour, stripe, print, dirt, and whatever damage paints over it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material
from sample_images.colours import INSULATION_SRGB, linear, varied
from sample_images.harness import WirePath
from sample_images.noise import Line, Sheet, steps
from sample_images.tubes import Tube, stretch

Floats = NDArray[Any]
PaintOver = Callable[[Floats, Floats, Material], Material]
Relief = Callable[[Floats, Floats], Floats]


@dataclass
class Change:
    """Something done to a wire between two arc lengths: a relief in mm and a coat of paint."""

    low_mm: float
    high_mm: float
    paint: PaintOver
    relief: Relief | None = None


@dataclass
class Skin:
    """How one wire looks; `changes` are applied in order, `gaps` are stretches that are not there."""

    wire: WirePath
    base: Floats
    stripe: Floats | None
    stripe_width: float
    stripe_pitch: float
    gloss: float
    dirt: Sheet
    dirt_amount: float
    shade: Line
    print_period: float
    print_seed: int
    ink: float
    changes: list[Change] = field(default_factory=list)
    gaps: list[tuple[float, float]] = field(default_factory=list)

    def plain(self, s: Floats, angle: Floats) -> Material:
        """The undamaged insulation at arc lengths and angles (n,)."""
        twist = angle + s * (0.02 + (6.283 / self.stripe_pitch if self.stripe_pitch else 0.0))
        albedo = self.base[None] * (1 + 0.035 * self.shade(s))[:, None]
        if self.stripe is not None:
            phase = np.abs((twist / (2 * np.pi)) % 1 - 0.5) * 2
            on = steps(phase, self.stripe_width + 0.03, self.stripe_width - 0.03)[:, None]
            albedo = albedo * (1 - on) + self.stripe[None] * on
        if self.print_period:
            albedo = self._printed(s, angle, albedo)
        grime = np.clip(self.dirt(s, angle * self.wire.od_mm / 2) - 0.6, 0, 1)[:, None] * self.dirt_amount
        albedo = albedo * (1 - grime) + np.array([0.10, 0.085, 0.07], np.float32) * grime
        n = len(s)
        gloss = np.full(n, self.gloss, np.float32) * (1 - grime[:, 0])
        return Material(albedo.astype(np.float32), gloss, np.zeros(n, np.float32), np.zeros(n, np.uint8))

    def _printed(self, s: Floats, angle: Floats, albedo: Floats) -> Floats:
        """Maker's marks: short rows of strokes in dark or light ink on one side."""
        at = s % self.print_period
        cell = (np.floor(s / 0.45).astype(np.int64) * 2654435761 + self.print_seed) % 97
        ink = (at < self.print_period * 0.35) & (cell > 40) & (np.abs(angle - 1.4) < 0.24)
        tone = 0.04 if self.base.mean() > 0.12 else 0.6
        return np.where(ink[:, None], albedo * (1 - self.ink) + tone * self.ink, albedo)

    def paint(self, s: Floats, angle: Floats) -> Material:
        material = self.plain(s, angle)
        for change in self.changes:
            on = np.flatnonzero((s >= change.low_mm) & (s <= change.high_mm))
            if len(on) == 0:
                continue
            part = Material(*(v[on] for v in (material.albedo, material.gloss, material.metal, material.code)))
            new = change.paint(s[on], angle[on], part)
            for have, put in zip(
                (material.albedo, material.gloss, material.metal, material.code),
                (new.albedo, new.gloss, new.metal, new.code),
                strict=True,
            ):
                have[on] = put
        return material

    def relief(self, s: Floats, angle: Floats) -> Floats:
        total = np.zeros(s.shape, np.float32)
        for change in self.changes:
            if change.relief is not None:
                on = (s[:, 0] >= change.low_mm) & (s[:, 0] <= change.high_mm)
                if on.any():
                    total[on] += change.relief(s[on], angle[on])
        return total

    def tubes(self) -> list[Tube]:
        """The wire as tubes: apart at gaps, and with relief only where something changed its shape."""
        cuts = {0.0, self.wire.length_mm}
        rough = [(c.low_mm, c.high_mm) for c in self.changes if c.relief is not None]
        for low, high in rough + self.gaps:
            cuts |= {min(max(low, 0.0), self.wire.length_mm), min(max(high, 0.0), self.wire.length_mm)}
        marks = sorted(cuts)
        return [t for low, high in pairwise(marks) if (t := self._tube(low, high, rough)) is not None]

    def _tube(self, low: float, high: float, rough: list[tuple[float, float]]) -> Tube | None:
        middle = (low + high) / 2
        if high - low < 0.05 or any(a <= middle <= b for a, b in self.gaps):
            return None
        axis, s = stretch(self.wire.xyz, self.wire.s, low, high)
        r = np.full(len(s), self.wire.od_mm / 2)
        uneven = any(a <= middle <= b for a, b in rough)
        return Tube(axis, s, r, r, self.paint, self.relief if uneven else None)


def dress(rng: np.random.Generator, wire: WirePath, dirty: float, gloss: float) -> Skin:
    """Choose how a wire of this colour code looks in this scene."""
    base, _, stripe = wire.colour.partition("/")
    helix = rng.random() < 0.4
    return Skin(
        wire,
        varied(rng, INSULATION_SRGB[base], 0.06),
        linear(INSULATION_SRGB[stripe]) if stripe else None,
        float(rng.uniform(0.16, 0.34)),
        float(rng.choice([-1, 1]) * rng.uniform(9, 30)) if helix else 0.0,
        float(np.clip(gloss + rng.normal(0, 0.1), 0.05, 1)),
        Sheet(rng, rng.uniform(3, 20), rng.uniform(0.8, 3)),
        dirty,
        Line(rng, 25.0),
        float(rng.uniform(25, 70)) if rng.random() < 0.13 else 0.0,
        int(rng.integers(0, 97)),
        float(rng.uniform(0.2, 0.65)),
    )


def recolour(rng: np.random.Generator, skin: Skin, code: str) -> None:
    """Give a wire another plain colour, in its truth too."""
    skin.wire.colour = code
    skin.base, skin.stripe = varied(rng, INSULATION_SRGB[code], 0.06), None
