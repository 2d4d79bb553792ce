"""Electrical overload: one wire browned, blistered and charred from within, its neighbours stained where they touch."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sample_images.cloud import Material
from sample_images.colours import BROWN_HEAT, CHAR, COPPER, scorched
from sample_images.damage_abrasion import wall_mm
from sample_images.damage_site import Site, lay_on_top, span_of, upper_wires
from sample_images.harness import Harness, WirePath
from sample_images.noise import Line, Sheet, steps
from sample_images.record import Record
from sample_images.wires import Change, Skin, recolour

Floats = NDArray[Any]
LIGHT = ("WH", "YE", "PK", "GY", "tan", "OG", "TQ", "RD")


class Burn:
    """Heat 0..1 over a wire, mottled, strongest towards one end; `bare` are stretches shrunk back to dark copper."""

    def __init__(
        self, rng: np.random.Generator, wire: WirePath, low: float, high: float, grade: float, hot_low: bool
    ) -> None:
        self.low, self.high, self.hot_low = low, high, hot_low
        self.radius, self.wall = wire.od_mm / 2, wall_mm(wire)
        self.peak = 0.36 + 0.6 * grade
        self.fade = rng.uniform(0.0, 0.95)
        self.reach = float(rng.uniform(0.04, 0.3))  # share of the length over which the far end fades
        self.along, self.patch = Line(rng, rng.uniform(10, 30)), Sheet(rng, rng.uniform(3, 14), rng.uniform(0.9, 3.0))
        self.contrast = (float(rng.uniform(0.02, 0.3)), float(rng.uniform(0.03, 0.24)))
        self.blister, self.fine = Sheet(rng, rng.uniform(1.2, 2.6), 0.9), Sheet(rng, 0.8, 0.5)
        self.bump = float(rng.uniform(0.05, 0.2) * min(1.0, 0.2 + grade))
        self.sheen = float(rng.uniform(0.25, 1.0))
        self.brown = BROWN_HEAT * np.exp(rng.normal(0, [0.4, 0.25, 0.25])).astype(np.float32)
        self.dull = float(rng.uniform(0.35, 0.8))
        self.bare = _bare_stretches(rng, low, high, grade, hot_low)

    def heat(self, s: Floats) -> Floats:
        f = np.clip((s - self.low) / (self.high - self.low), 0, 1)
        f = f if self.hot_low else 1 - f
        ends = steps(f, 1.0, 1 - self.reach) * steps(f, 0.0, 0.012)
        return np.clip(self.peak * (1 - self.fade * f) + self.contrast[0] * self.along(s), 0.06, 1.1) * ends

    def mottled(self, s: Floats, angle: Floats) -> Floats:
        """Heat with patches along and around the wire."""
        h = self.heat(s)
        spots = self.contrast[1] * self.patch(s, angle * self.radius) + 0.05 * self.fine(s, angle * self.radius)
        return np.clip(h + spots * np.clip(3 * h, 0, 1), 0, 1.2)

    def is_bare(self, s: Floats, angle: Floats) -> Floats:
        out = np.zeros(s.shape, np.float32)
        wobble = 0.7 * self.fine(s * 0.0, angle)
        for a, b in self.bare:
            out = np.maximum(out, steps(s, a + wobble, a + wobble + 0.4) * steps(s, b + wobble, b + wobble - 0.4))
        return out

    def relief(self, s: Floats, angle: Floats) -> Floats:
        h = self.heat(s)
        lumps = np.clip(self.blister(s, angle * self.radius), -0.4, 2.0) * self.bump * np.clip(h * 1.5 - 0.3, 0, 1)
        for edge in (e for a, b in self.bare for e in (a - 0.8, b + 0.8)):  # the insulation draws back into a bead
            lumps = lumps + 0.18 * np.exp(-(((s - edge) / 0.9) ** 2))
        bare = self.is_bare(s, angle)
        strands = 0.07 * np.abs(np.sin((angle + 0.3 * s) * 5))
        return lumps * (1 - bare) + bare * (strands - self.wall)

    def paint(self, code: int):
        def over(s: Floats, angle: Floats, m: Material) -> Material:
            h = self.mottled(s, angle)
            brown, dark, char = (steps(h, a, b)[:, None] for a, b in ((0.1, 0.42), (0.38, 0.62), (0.58, 0.82)))
            albedo = scorched(m.albedo, brown)
            albedo = albedo * (1 - self.dull * dark) + self.brown * self.dull * dark
            flake = 1 + 0.5 * np.clip(self.fine(s, angle * self.radius), 0, 2)[:, None]
            albedo = albedo * (1 - char) + CHAR[None] * 1.3 * flake * char
            bare = self.is_bare(s, angle)
            line = 0.3 + 0.7 * np.abs(np.sin((angle + 0.3 * s) * 5))
            copper = COPPER[None] * np.array([0.5, 0.4, 0.38], np.float32) * line[:, None]
            albedo = albedo * (1 - bare[:, None]) + copper * bare[:, None]
            burnt = self.sheen * (1 - 0.4 * char[:, 0] * (1 - self.sheen))
            gloss = m.gloss * (1 + (burnt - 1) * brown[:, 0]) * (1 - bare) + 0.35 * bare
            marked = np.where((h > 0.14) | (bare > 0.5), code, m.code)
            return Material(
                albedo.astype(np.float32),
                gloss.astype(np.float32),
                (bare * 0.85).astype(np.float32),
                marked.astype(np.uint8),
            )

        return over


def _bare_stretches(
    rng: np.random.Generator, low: float, high: float, grade: float, hot_low: bool
) -> list[tuple[float, float]]:
    """Stretches without insulation, the first near the hot end, none overlapping."""
    if grade < 0.5 or rng.random() < 0.25:
        return []
    out: list[tuple[float, float]] = []
    for k in range(1 + int(rng.integers(0, 3))):
        long = float(rng.uniform(4, 8 + 16 * grade))
        far = float(rng.uniform(2, 16) if k == 0 else rng.uniform(10, max(11.0, 0.75 * (high - low))))
        start = low + far if hot_low else high - far - long
        if start > low + 1 and start + long < high - 1 and all(start > b + 3 or start + long < a - 3 for a, b in out):
            out.append((start, start + long))
    return out


def _choose(rng: np.random.Generator, harness: Harness, site: Site, skins: list[Skin]) -> list[int]:
    """One wire, seldom two, of those that are seen best, thick ones more often; mostly laid on top."""
    upper = upper_wires(harness, site)
    upper = upper[: max(2, (len(upper) + 1) // 2)]
    od = np.array([harness.wires[i].od_mm for i in upper])
    weight = np.clip(od - 0.9, 0.1, 1.6) / (1 + 0.5 * np.arange(len(od)))
    count = min(len(upper), 2 if rng.random() < 0.12 else 1)
    chosen = [int(i) for i in rng.choice(upper, count, replace=False, p=weight / weight.sum())]
    for index in chosen:
        if skins[index].changes:
            continue
        if rng.random() < 0.75:
            lay_on_top(harness, index, site.u0, site.u1)
        if skins[index].base.mean() < 0.25 and rng.random() < 0.6:
            recolour(rng, skins[index], str(rng.choice(LIGHT)))
    return chosen


def overload(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], site: Site, grade: float, code: int
) -> Record:
    """Burn one wire (seldom two) over a long stretch that ends at a terminal or a joint."""
    record = Record("electrical_overload", code, grade, ["browned"], 0.0)
    hot_low = bool(rng.random() < 0.6)
    for index in _choose(rng, harness, site, skins):
        wire = harness.wires[index]
        span = span_of(wire, site.u0, site.u1)
        if span is None:
            continue
        if site.u0 < harness.start_u + 60 and wire.ends[0].id is not None:
            span, hot_low = (0.0, span[1]), True
        elif wire.length_mm - span[1] < 60 and wire.ends[1].id is not None:
            span, hot_low = (span[0], wire.length_mm), False
        burn = Burn(rng, wire, *span, grade, hot_low)
        skins[index].changes.append(Change(*span, burn.paint(code), burn.relief if grade > 0.15 else None))
        record.spans[index] = [span]
        record.length_mm = max(record.length_mm, span[1] - span[0])
        if burn.peak > 0.6:
            record.sign("charred")
        if grade > 0.35:
            record.sign("blistered")
        if burn.bare:
            record.sign("bare_copper")
            record.exposed_mm = (record.exposed_mm or 0.0) + sum(b - a for a, b in burn.bare)
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
