"""Electrical overload: one wire browned, blistered and charred from within, its neighbours stained where they touch."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sample_images.cloud import Material
from sample_images.colours import CHAR, COPPER, scorched
from sample_images.damage_abrasion import wall_mm
from sample_images.damage_site import Site, span_of, upper_wires
from sample_images.harness import Harness, WirePath
from sample_images.noise import Line, Sheet, steps
from sample_images.record import Record
from sample_images.wires import Change, Skin

Floats = NDArray[Any]


class Burn:
    """Heat 0..1 along a wire, strongest at one end; `bare` is the stretch shrunk back to dark copper."""

    def __init__(
        self, rng: np.random.Generator, wire: WirePath, low: float, high: float, grade: float, hot_low: bool
    ) -> None:
        self.low, self.high, self.hot_low = low, high, hot_low
        self.radius, self.wall = wire.od_mm / 2, wall_mm(wire)
        self.peak = 0.3 + 0.9 * grade
        self.fade = rng.uniform(0.15, 0.8)
        self.along, self.patch = Line(rng, rng.uniform(5, 14)), Sheet(rng, 4.0, 0.9)
        self.blister, self.fine = Sheet(rng, 1.6, 0.8), Sheet(rng, 0.6, 0.4)
        self.bump = float(rng.uniform(0.06, 0.2) * min(1.0, 0.2 + grade))
        long = rng.uniform(4, 15) if grade > 0.55 and rng.random() < 0.7 else 0.0
        start = low + rng.uniform(2, 14) if hot_low else high - rng.uniform(2, 14) - long
        self.bare = (start, start + long)

    def heat(self, s: Floats) -> Floats:
        f = np.clip((s - self.low) / (self.high - self.low), 0, 1)
        f = f if self.hot_low else 1 - f
        ends = steps(f, 1.0, 0.86) * steps(f, 0.0, 0.015)
        return np.clip(self.peak * (1 - self.fade * f) + 0.14 * self.along(s), 0, 1.1) * ends

    def is_bare(self, s: Floats, angle: Floats) -> Floats:
        if self.bare[1] <= self.bare[0]:
            return np.zeros(s.shape, np.float32)
        wobble = 0.7 * self.fine(s * 0.0, angle)
        return steps(s, self.bare[0] + wobble, self.bare[0] + wobble + 0.4) * steps(
            s, self.bare[1] + wobble, self.bare[1] + wobble - 0.4
        )

    def relief(self, s: Floats, angle: Floats) -> Floats:
        h = self.heat(s)
        lumps = np.clip(self.blister(s, angle * self.radius), -0.4, 2.0) * self.bump * np.clip(h * 1.5 - 0.3, 0, 1)
        bead = 0.18 * np.exp(-(((s - self.bare[0] + 0.8) / 0.9) ** 2)) + 0.18 * np.exp(
            -(((s - self.bare[1] - 0.8) / 0.9) ** 2)
        )
        bare = self.is_bare(s, angle)
        bead = bead * float(self.bare[1] > self.bare[0])
        strands = 0.07 * np.abs(np.sin((angle + 0.3 * s) * 5))
        return (lumps + bead) * (1 - bare) + bare * (strands - self.wall)

    def paint(self, code: int):
        def over(s: Floats, angle: Floats, m: Material) -> Material:
            h = self.heat(s) + 0.10 * self.patch(s, angle * self.radius) * (self.heat(s) > 0.05)
            brown = steps(h, 0.05, 0.55)[:, None]
            char = steps(h, 0.5, 0.85)[:, None]
            albedo = scorched(m.albedo, brown)
            flake = 1 + 0.5 * np.clip(self.fine(s, angle * self.radius), 0, 2)[:, None]
            albedo = albedo * (1 - char) + CHAR[None] * 1.3 * flake * char
            bare = self.is_bare(s, angle)
            line = 0.3 + 0.7 * np.abs(np.sin((angle + 0.3 * s) * 5))
            copper = COPPER[None] * np.array([0.42, 0.36, 0.36], np.float32) * line[:, None]
            albedo = albedo * (1 - bare[:, None]) + copper * bare[:, None]
            gloss = m.gloss * (1 - 0.55 * char[:, 0]) * (1 - bare) + 0.3 * bare
            marked = np.where(h > 0.12, code, m.code)
            return Material(
                albedo.astype(np.float32),
                gloss.astype(np.float32),
                (bare * 0.8).astype(np.float32),
                marked.astype(np.uint8),
            )

        return over


def overload(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], site: Site, grade: float, code: int
) -> Record:
    """Burn one wire (seldom two) over a long stretch that ends at a terminal or a joint."""
    record = Record("electrical_overload", code, grade, ["browned"], 0.0)
    upper = upper_wires(harness, site)[: max(1, (len(site.wires) + 1) // 2)]  # a hidden one is no example
    if grade < 0.45:  # slight browning shows on light colours only
        upper = sorted(upper, key=lambda i: -float(skins[i].base.mean()))[: max(1, len(upper) // 2)]
    chosen = [int(i) for i in rng.permutation(upper)[: 2 if rng.random() < 0.15 else 1]]
    hot_low = bool(rng.random() < 0.6)
    for index in chosen:
        wire = harness.wires[index]
        span = span_of(wire, site.u0, site.u1)
        if span is None:
            continue
        if site.u0 < harness.start_u + 60 and wire.ends[0].id is not None:
            span, hot_low = (0.0, span[1]), True
        burn = Burn(rng, wire, *span, grade, hot_low)
        skins[index].changes.append(Change(*span, burn.paint(code), burn.relief if grade > 0.15 else None))
        record.spans[index] = [span]
        record.length_mm = max(record.length_mm, span[1] - span[0])
        if burn.peak > 0.75:
            record.sign("charred")
        if grade > 0.35:
            record.sign("blistered")
        if burn.bare[1] > burn.bare[0]:
            record.sign("bare_copper")
            record.exposed_mm = (record.exposed_mm or 0.0) + burn.bare[1] - burn.bare[0]
        if grade > 0.3:
            _stain(rng, harness, skins, index, burn, record, code)
    return record


def _stain(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], hot: int, burn: Burn, record: Record, code: int
) -> None:
    """Browning on wires that touch the hot one."""
    wire = harness.wires[hot]
    heat = burn.heat(wire.s)
    tree = cKDTree(wire.xyz)
    for other in harness.wires:
        if other.index == hot or other.index in record.spans:
            continue
        gap, nearest = tree.query(other.xyz)
        touch = np.clip(1.4 - (gap - (wire.od_mm + other.od_mm) / 2) / 0.25, 0, 1) * heat[nearest]
        on = np.flatnonzero(touch > 0.35)
        if len(on) * 0.3 < 8 or rng.random() < 0.3:
            continue
        low, high = float(other.s[on[0]]), float(other.s[on[-1]])
        skins[other.index].changes.append(Change(low, high, _stained(rng, other, touch, code)))
        record.spans[other.index] = [(low, high)]
        record.sign("stained_neighbours")


def _stained(rng: np.random.Generator, other: WirePath, touch: Floats, code: int):
    spread, strength = Sheet(rng, 3.0, 0.7), rng.uniform(0.5, 0.9)

    def over(s: Floats, angle: Floats, m: Material) -> Material:
        t = np.interp(s, other.s, touch) * strength * np.clip(0.75 + 0.5 * spread(s, angle), 0, 1.2)
        t = np.clip(t, 0, 1)[:, None]
        albedo = scorched(m.albedo, t)
        marked = np.where(t[:, 0] > 0.3, code, m.code)
        return Material(albedo.astype(np.float32), m.gloss, m.metal, marked.astype(np.uint8))

    return over
