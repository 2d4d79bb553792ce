"""Abrasion: wires rubbed flat on their upper side, first scraped insulation, then a polished window of copper."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material
from sample_images.colours import COPPER
from sample_images.damage_site import Site, lay_on_top, span_of, upper_wires
from sample_images.harness import Harness, WirePath
from sample_images.noise import Line, Sheet, steps
from sample_images.record import Record
from sample_images.wires import Change, Skin

Floats = NDArray[Any]
STRAND_MM = 0.22
GLINT = np.array([1.35, 1.0, 0.75], np.float32)  # above 1: the mirror image of a lamp, too small for the point cloud


def wall_mm(wire: WirePath) -> float:
    """Thickness of the insulation: about a sixth of the outside diameter, as of thin-wall vehicle wire."""
    return 0.17 * wire.od_mm


class Flat:
    """Wear to a plane: `depth(s)` below the surface in the direction `side`, deepest in the middle."""

    def __init__(self, rng: np.random.Generator, wire: WirePath, low: float, high: float, grade: float) -> None:
        self.radius = wire.od_mm / 2
        self.wall = wall_mm(wire)
        self.low, self.high = low, high
        self.deepest = self.wall * float(rng.uniform(0.35, 0.6 + 0.35 * grade))
        self.side = float(np.pi / 2 + rng.normal(0, 0.35))
        self.uneven = Line(rng, rng.uniform(3, 9))
        self.streak, self.scuff = Sheet(rng, 9, 0.12), Sheet(rng, 2.5, 0.25)
        self.pale = float(rng.uniform(0.15, 0.6))
        self.shine = float(rng.uniform(0.5, 0.95))
        self.flash = float(rng.uniform(0.2, 1.3))
        # strands polished in one go gleam and show their grooves; old, greasy wear is a dull brown patch without any
        self.grooves = 0.45
        self.tone = 1.0
        if rng.random() < 0.4:
            self.flash *= 0.1
            self.pale *= float(rng.uniform(0.1, 1.0))
            self.grooves = float(rng.uniform(0.05, 0.3))
            self.tone = float(rng.uniform(0.3, 0.75))
            self.shine *= 0.6
        self.strand = Sheet(rng, rng.uniform(3, 12), rng.uniform(0.1, 0.3))
        self.windows = self._windows(rng, grade) if grade > 0.25 and rng.random() < 0.93 else []

    def _windows(self, rng: np.random.Generator, grade: float) -> list[tuple[float, float, float]]:
        """Middle, half length and depth in mm of the places where copper shows."""
        out = []
        for _ in range(1 + int(rng.integers(0, 3)) * int(self.high - self.low > 18)):
            half = min(float(rng.uniform(2, 5 + 8 * grade)), 0.46 * (self.high - self.low))
            middle = float(rng.uniform(self.low + half, self.high - half))
            deep = self.wall + (self.radius - self.wall) * float(rng.uniform(0.3, 0.55 + 0.3 * grade))
            out.append((middle, half, deep))
        return out

    def depth(self, s: Floats) -> Floats:
        f = np.clip((s - self.low) / (self.high - self.low), 0, 1)
        body = np.maximum(np.sin(np.pi * f), 0) ** 0.7
        total = self.deepest * body
        for middle, half, deep in self.windows:
            total = np.maximum(total, deep * np.clip(1.08 - np.abs((s - middle) / half) ** 3, 0, 1) ** 0.6)
        return np.clip(total * (1 + 0.12 * self.uneven(s)), 0, self.radius * 0.9)

    def loss(self, s: Floats, angle: Floats) -> Floats:
        """Radius lost, mm."""
        cos = np.cos(angle - self.side)
        plane = (self.radius - self.depth(s)) / np.maximum(cos, 0.05)
        return np.clip(self.radius - plane, 0, None)

    def relief(self, s: Floats, angle: Floats) -> Floats:
        lost = self.loss(s, angle)
        bare = steps(lost, self.wall - 0.02, self.wall + 0.04)
        return -lost + 0.035 * bare * np.tanh(self.strand(s, angle * self.radius))

    def exposed_mm(self) -> float:
        s = np.arange(self.low, self.high, 0.1)
        return float((self.depth(s) > self.wall).sum() * 0.1)


def abrade(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], site: Site, grade: float, code: int
) -> Record:
    """Rub 1 to 4 upper wires of the site."""
    seen = upper_wires(harness, site)[:4]
    weight = np.array([np.clip(harness.wires[i].od_mm - 1.0, 0.1, 1.5) / (1 + k) for k, i in enumerate(seen)])
    first = int(rng.choice(seen, p=weight / weight.sum()))
    if not skins[first].changes and rng.random() < 0.85:
        lay_on_top(harness, first, site.u0, site.u1)
    order = [first] + [i for i in upper_wires(harness, site) if i != first]
    count = min((len(order) + 1) // 2, int(rng.integers(1, 2 + round(2.4 * grade))))
    record = Record("abrasion", code, grade, ["worn_insulation"], 0.0, exposed_mm=0.0)
    for rank, index in enumerate(order[:count]):
        wire = harness.wires[index]
        shrink = 0.0 if rank == 0 else rng.uniform(0, 0.3)
        width = site.u1 - site.u0
        span = span_of(wire, site.u0 + width * shrink * 0.5, site.u1 - width * shrink * rng.uniform(0.1, 0.5))
        if span is None:
            continue
        flat = Flat(rng, wire, *span, grade)
        skins[index].changes.append(Change(*span, _paint(flat, code), flat.relief))
        record.spans[index] = [span]
        record.exposed_mm = (record.exposed_mm or 0.0) + flat.exposed_mm()
        record.length_mm = max(record.length_mm, span[1] - span[0])
    if record.exposed_mm:
        record.sign("bare_copper")
    return record


def _paint(flat: Flat, code: int):
    def paint(s: Floats, angle: Floats, m: Material) -> Material:
        lost = flat.loss(s, angle)
        rc = flat.radius - flat.wall
        bare = steps(flat.radius - lost, rc + 0.02, rc - 0.03)
        worn = steps(lost, 0.0, 0.06 + 0.03 * flat.scuff(s, angle))
        near = np.exp(-((angle - flat.side) ** 2) / 0.5) * steps(flat.depth(s), 0.0, 0.08)
        scrape = np.clip(worn + 0.35 * near * (flat.streak(s, angle * flat.radius) > 0.5), 0, 1)
        grain = 0.5 + 0.5 * np.tanh(flat.streak(s, angle * flat.radius))
        pale = m.albedo * (1 - flat.pale) + flat.pale * (0.55 + 0.35 * m.albedo) * (0.6 + 0.5 * grain)[:, None]
        albedo = m.albedo * (1 - scrape[:, None]) + pale * scrape[:, None]
        across = (flat.radius - flat.depth(s)) * np.tan(np.clip(angle - flat.side, -1.2, 1.2))
        groove = 0.5 + 0.5 * np.cos(2 * np.pi * (across / STRAND_MM + s * 0.012))
        ridges = 1 - flat.grooves + flat.grooves * groove * (0.8 + 0.2 * grain)
        metal_tone = COPPER[None] * flat.tone * ridges[:, None]
        bright = steps(flat.strand(s, angle * flat.radius), 0.5, 1.4) * flat.flash  # strands that mirror a lamp
        metal_tone = metal_tone * (1 - np.minimum(bright, 1)[:, None]) + GLINT * bright[:, None]
        edge = bare * (1 - bare) * 4
        albedo = albedo * (1 - bare[:, None]) + metal_tone * bare[:, None]
        albedo *= (1 - 0.45 * edge)[:, None]
        gloss = m.gloss * (1 - 0.8 * scrape) * (1 - bare) + flat.shine * bare
        marked = np.where(scrape > 0.3, code, m.code)
        return Material(albedo, gloss, np.maximum(m.metal, bare).astype(np.float32), marked.astype(np.uint8))

    return paint
