"""Rodent bites: scooped insulation with torn pale edges, nicked strands, severed wires, crumbs nearby."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material, Part
from sample_images.colours import COPPER
from sample_images.damage_abrasion import wall_mm
from sample_images.damage_site import Site, span_of, upper_wires
from sample_images.harness import Harness, WirePath
from sample_images.noise import Sheet, steps
from sample_images.record import Record
from sample_images.tubes import Tube
from sample_images.wires import Change, Skin

Floats = NDArray[Any]


class Bites:
    """Scoops out of a wire: places (K,), angles (K,), widths (K,) and depths (K,) in mm."""

    def __init__(self, rng: np.random.Generator, wire: WirePath, low: float, high: float, grade: float) -> None:
        self.radius, self.wall = wire.od_mm / 2, wall_mm(wire)
        self.low, self.high = low, high
        count = max(1, int((high - low) / rng.uniform(1.1, 2.6) * (0.4 + 0.9 * grade)))
        clusters = rng.uniform(low + 1, max(high - 1, low + 1.1), max(1, count // 4))
        self.s = np.clip(rng.choice(clusters, count) + rng.normal(0, 2.2, count), low + 1.2, max(high - 1.2, low + 1.3))
        self.angle = np.pi / 2 + rng.normal(0, 0.75, count)
        self.width = rng.uniform(0.7, 2.3, count) * (0.75 + 0.5 * grade)
        self.deep = self.wall * rng.uniform(0.7, 1.3 + 1.8 * grade, count)
        through = rng.random(count) < 0.2 + 0.5 * grade  # most bites of a clear case reach the copper
        self.deep = np.where(through, np.maximum(self.deep, rng.uniform(1.15, 1.6) * self.wall), self.deep)
        self.ragged = Sheet(rng, 0.9, 0.7)
        self.fray = Sheet(rng, 1.2, 0.14)
        self.lay = float(rng.choice([-1, 1]) * rng.uniform(0.25, 0.5))
        self.bright = float(rng.uniform(0.6, 1.15))

    def depth(self, s: Floats, angle: Floats) -> tuple[Floats, Floats]:
        """Depth of the scoop, mm, and a rim 0..1 around it."""
        best, rim = np.zeros(s.shape, np.float32), np.zeros(s.shape, np.float32)
        rough = 1 + 0.28 * self.ragged(s, angle * self.radius)
        for sb, ab, wb, db in zip(self.s, self.angle, self.width, self.deep, strict=True):
            turn = (angle - ab + np.pi) % (2 * np.pi) - np.pi
            d2 = ((s - sb) ** 2 + (self.radius * turn) ** 2) / wb**2 * rough
            best = np.maximum(best, db * np.clip(1.15 - d2, 0, 1) ** 0.6)
            rim = np.maximum(rim, np.exp(-((np.sqrt(np.maximum(d2, 0)) - 1.15) ** 2) / 0.03))
        return best, rim * (best <= 0.02)

    def relief(self, s: Floats, angle: Floats) -> Floats:
        depth, rim = self.depth(s, angle)
        strands = 0.09 * np.abs(np.sin((angle + self.lay * s) * 5)) * (depth > self.wall)
        return -np.minimum(depth, self.radius * 0.8) + 0.1 * rim + strands

    def exposed_mm(self) -> float:
        s = np.arange(self.low, self.high, 0.1)
        grid = np.linspace(-0.4, np.pi + 0.4, 24)
        depth, _ = self.depth(*np.meshgrid(s, grid, indexing="ij"))
        return float((depth > self.wall).any(1).sum() * 0.1)

    def paint(self, code: int):
        def over(s: Floats, angle: Floats, m: Material) -> Material:
            depth, rim = self.depth(s, angle)
            torn = steps(depth, 0.0, 0.05) + 0.5 * rim
            torn = np.clip(torn, 0, 1)
            noise = np.tanh(self.ragged(s * 1.7, angle * self.radius * 1.7))
            pale = np.clip(m.albedo * 0.8 + 0.09 + 0.07 * noise[:, None], 0.01, 0.9)
            albedo = m.albedo * (1 - torn[:, None]) + pale * torn[:, None]
            bare = steps(depth, self.wall * 0.92, self.wall * 1.05)
            line = np.abs(np.sin((angle + self.lay * s) * 5 + 0.4 * self.fray(s, angle)))
            copper = COPPER[None] * (self.bright * (0.35 + 0.65 * line) * (1 + 0.2 * noise))[:, None]
            albedo = albedo * (1 - bare[:, None]) + copper * bare[:, None]
            gloss = m.gloss * (1 - 0.85 * torn) * (1 - bare) + (0.25 + 0.4 * self.bright) * bare
            marked = np.where(torn > 0.3, code, m.code)
            return Material(albedo, gloss, np.maximum(m.metal, bare * 0.9).astype(np.float32), marked.astype(np.uint8))

        return over


def gnaw(rng: np.random.Generator, harness: Harness, skins: list[Skin], site: Site, grade: float, code: int) -> Record:
    """Bite 1 to 8 wires of the site, cut some through, drop crumbs."""
    order = upper_wires(harness, site)
    count = min(len(order), int(rng.integers(1 + round(2 * grade), 3 + round(6 * grade))))
    record = Record("rodent", code, grade, [], 0.0, exposed_mm=0.0)
    cut = min(count, int(rng.integers(1, 2 + round(3 * grade)))) if grade > 0.38 and rng.random() < 0.58 else 0
    edges: list[tuple[float, float]] = []
    for rank, index in enumerate(order[:count]):
        if rank < cut:
            _sever(rng, harness.wires[index], skins[index], site, code, record)
        a, b = np.sort(rng.uniform(site.u0, site.u1, 2))
        a, b = (site.u0, site.u1) if rank == 0 else (a, max(b, a + 6))
        span = span_of(harness.wires[index], float(a), float(b))
        if span is None:
            continue
        bites = Bites(rng, harness.wires[index], *span, grade)
        skins[index].changes.append(Change(*span, bites.paint(code), bites.relief))
        gaps = skins[index].gaps
        low = min([float(bites.s.min() - 1), *(g[0] for g in gaps)])
        high = max([float(bites.s.max() + 1), *(g[1] for g in gaps)])
        record.spans[index] = [(max(low, 0.0), high)]
        bare = bites.exposed_mm()
        record.parts += _torn_strands(rng, harness.wires[index], bites, code)
        record.exposed_mm = (record.exposed_mm or 0.0) + bare
        record.sign("worn_insulation")
        if bare > 0.3:
            record.sign("bare_copper")
        if (bites.deep > bites.wall * 1.5).any():
            record.sign("nicked_copper")
        edges.append((low, high))
    record.length_mm = _bundle_length(harness, record)
    record.parts += _crumbs(rng, harness, skins, record, site, grade)
    return record


def _bundle_length(harness: Harness, record: Record) -> float:
    """From the first to the last bite along the trunk."""
    u = []
    for index, spans in record.spans.items():
        wire = harness.wires[index]
        on = np.isfinite(wire.u)
        u += [float(np.interp(s, wire.s[on], wire.u[on])) for span in spans for s in span]
    return max(u) - min(u)


def _sever(rng: np.random.Generator, wire: WirePath, skin: Skin, site: Site, code: int, record: Record) -> None:
    """Cut a wire, spread its ends, and let strands stick out."""
    width = min(rng.uniform(1.5, 12), (site.u1 - site.u0) * 0.6)
    middle = rng.uniform(site.u0 + width / 2, site.u1 - width / 2)
    span = span_of(wire, middle - width / 2, middle + width / 2)
    if span is None:
        return
    low_i, high_i = np.searchsorted(wire.s, span)
    high_i = min(high_i, len(wire.s) - 1)
    xyz = wire.xyz.copy()
    _, _, normal = axis_frame(wire, (low_i + high_i) // 2)
    for side, sign in ((slice(0, low_i + 1), -1), (slice(high_i, None), 1)):
        anchor = wire.s[low_i] if sign < 0 else wire.s[high_i]
        reach = rng.uniform(12, 32)
        w = np.clip(1 - np.abs(wire.s[side] - anchor) / reach, 0, 1) ** 2
        xyz[side, :2] += w[:, None] * normal * rng.normal(0, 3.5)
        xyz[side, 2] += w * rng.uniform(-0.5, 3.5)
    xyz[:, 2] = np.maximum(xyz[:, 2], wire.od_mm / 2)
    wire.replaced(xyz)
    gap = (float(wire.s[low_i]), float(wire.s[high_i]))
    skin.gaps.append(gap)
    record.severed += 1
    record.sign("severed")
    for i, sign in ((low_i, 1), (high_i, -1)):
        record.parts += _strands(rng, wire, int(i), sign, code)
    record.exposed_mm = (record.exposed_mm or 0.0) + float(rng.uniform(0.5, 2))


def axis_frame(wire: WirePath, i: int) -> tuple[Floats, Floats, Floats]:
    """Point, tangent and left normal (in the plane) of a wire's axis at a sample."""
    a, b = wire.xyz[max(i - 3, 0), :2], wire.xyz[min(i + 3, len(wire.xyz) - 1), :2]
    tangent = (b - a) / (np.linalg.norm(b - a) + 1e-9)
    return wire.xyz[i, :2], tangent, np.array([-tangent[1], tangent[0]])


def _strands(rng: np.random.Generator, wire: WirePath, i: int, sign: int, code: int) -> list[Part]:
    """Bent copper strands out of a cut end."""
    _, tangent, normal = axis_frame(wire, i)
    start = wire.xyz[i]
    out: list[Part] = []
    tone = COPPER * rng.uniform(0.5, 1.0)
    core = wire.od_mm / 2 - wall_mm(wire)
    splay = rng.uniform(0.12, 0.5)
    for _ in range(int(rng.integers(7, 19))):
        length = rng.uniform(1.0, 7.0)
        t = np.linspace(-0.6, 1, 9)[:, None]
        bend = normal * rng.normal(0, splay) * length
        xy = start[:2] + tangent * sign * length * t + bend * np.maximum(t, 0) ** 2 + normal * rng.uniform(-core, core)
        z = start[2] + rng.uniform(-core, core) + rng.normal(0, 0.35) * length * np.maximum(t[:, 0], 0) ** 2
        axis = np.column_stack([xy, np.maximum(z, 0.12)])
        s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(axis, axis=0), axis=1))])
        r = np.full(len(s), rng.uniform(0.07, 0.13))
        out.append(Tube(axis, s, r, r, _copper(tone, code)))
    return out


def _torn_strands(rng: np.random.Generator, wire: WirePath, bites: Bites, code: int) -> list[Part]:
    """Single strands torn up out of the deepest bites of a wire."""
    out: list[Part] = []
    for k in np.argsort(-bites.deep)[:3]:
        if bites.deep[k] < 1.3 * bites.wall or rng.random() < 0.4:
            continue
        i = int(np.searchsorted(wire.s, bites.s[k]))
        _, tangent, normal = axis_frame(wire, i)
        for _ in range(int(rng.integers(1, 5))):
            length, sign = rng.uniform(0.8, 3.5), rng.choice([-1, 1])
            t = np.linspace(0, 1, 8)[:, None]
            side = -np.cos(bites.angle[k]) * 0.6 * bites.radius
            xy = (
                wire.xyz[i, :2]
                + normal * (-side + rng.normal(0, 0.5) * length * t**2)
                + tangent * sign * length * t * 0.8
            )
            z = wire.xyz[i, 2] + 0.5 * bites.radius + rng.uniform(0.1, 0.7) * length * t[:, 0] ** 1.5
            axis = np.column_stack([xy, z])
            s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(axis, axis=0), axis=1))])
            r = np.full(len(s), rng.uniform(0.07, 0.13))
            out.append(Tube(axis, s, r, r, _copper(COPPER * rng.uniform(0.5, 1.1), code)))
    return out


def _copper(tone: Floats, code: int):
    def paint(s: Floats, angle: Floats) -> Material:
        n = len(s)
        return Material(
            np.repeat(tone[None].astype(np.float32), n, axis=0),
            np.full(n, 0.5, np.float32),
            np.ones(n, np.float32),
            np.full(n, code, np.uint8),
        )

    return paint


def _crumbs(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], record: Record, site: Site, grade: float
) -> list[Part]:
    """Bits of insulation on the bench near the bites; no damage themselves."""
    out: list[Part] = []
    for _ in range(int(rng.integers(round(6 * grade), 6 + round(24 * grade)))):
        index = list(record.spans)[int(rng.integers(len(record.spans)))]
        xy, _, normal = harness.trunk.at(
            np.array([rng.normal((site.u0 + site.u1) / 2, 10 + (site.u1 - site.u0) * 0.4)])
        )
        at = xy[0] + normal[0] * rng.normal(0, 1) * rng.uniform(5, 24)
        out.append(crumb(rng, at, skins[index].base * rng.uniform(0.7, 1.1), rng.uniform(0.15, 0.95)))
    return out


def crumb(rng: np.random.Generator, xy: Floats, tone: Floats, size_mm: float) -> Tube:
    """A small lump on the bench."""
    a = rng.uniform(0, 2 * np.pi)
    half = size_mm * rng.uniform(0.6, 1.6)
    s = np.linspace(-half, half, 7)
    axis = np.column_stack([xy[0] + np.cos(a) * s, xy[1] + np.sin(a) * s, np.full(7, size_mm * 0.7)])
    r = size_mm * np.sqrt(np.clip(1.05 - (s / half) ** 2, 0.02, 1))
    lump = Sheet(rng, size_mm * 0.9, 0.8)

    def paint(s: Floats, angle: Floats) -> Material:
        n = len(s)
        albedo = tone[None] * (1 + 0.1 * lump(s * 2, angle * 2))[:, None]
        return Material(
            albedo.astype(np.float32), np.full(n, 0.1, np.float32), np.zeros(n, np.float32), np.zeros(n, np.uint8)
        )

    def relief(s: Floats, angle: Floats) -> Floats:
        return 0.22 * size_mm * lump(s, angle)

    return Tube(axis, s + half, r, r, paint, relief)
