"""What is wound, clipped or shrunk around a bundle or a wire: tape, conduit, ties, sleeves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material
from sample_images.colours import linear, varied
from sample_images.harness import Harness, WirePath
from sample_images.noise import Line, Sheet, steps
from sample_images.tubes import Tube, stretch

Floats = NDArray[Any]
TAPE_SRGB = {
    "tape": [(30, 30, 31), (38, 38, 40), (26, 26, 27), (150, 40, 36), (52, 60, 110)],
    "cloth": [(42, 41, 40), (60, 56, 50)],
}


@dataclass
class Cover:
    """A covering from trunk coordinate u0 to u1, with its surfaces."""

    kind: str
    u0: float
    u1: float
    tubes: list[Tube]


def around(harness: Harness, u0: float, u1: float, thick_mm: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Axis (N,3), arc length, side and up radii of a hull around the bundle."""
    u = np.arange(u0, u1 + 0.25, 0.5)
    centre, half, top = harness.outline_at(u).T
    xy, _, normal = harness.trunk.at(u)
    up = top / 2 + thick_mm
    axis = np.column_stack([xy + normal * centre[:, None], np.maximum(up, half * 0.35)])
    return axis, u, np.maximum(half, 0.8) + thick_mm, np.maximum(up, half * 0.35)


def _flat(albedo: Floats, gloss: float | Floats, n: int) -> Material:
    return Material(
        albedo.astype(np.float32),
        np.broadcast_to(np.float32(gloss), (n,)).copy(),
        np.zeros(n, np.float32),
        np.zeros(n, np.uint8),
    )


def tape(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> Cover:
    """Tape wound in a spiral: edges of the turns, small wrinkles, ends that are not straight."""
    kind = "tape" if rng.random() < 0.75 else "cloth"
    options = TAPE_SRGB[kind]
    base = linear(options[0] if rng.random() < 0.6 else options[int(rng.integers(len(options)))])
    axis, s, side, up = around(harness, u0, u1, 0.25)
    pitch, lean = rng.uniform(7, 13), rng.uniform(-1.2, 1.2)
    wrinkle, weave = Sheet(rng, rng.uniform(2, 6), 0.5), Sheet(rng, 0.5, 0.25)
    thread = np.clip(rng.normal(1, 0.2), 0.5, 1.5)

    def turn(s: Floats, angle: Floats) -> Floats:
        return ((s + lean * angle * 1.2) / pitch) % 1.0

    def relief(s: Floats, angle: Floats) -> Floats:
        return 0.16 * turn(s, angle) + 0.05 * wrinkle(s, angle) * thread

    def paint(s: Floats, angle: Floats) -> Material:
        edge = steps(turn(s, angle), 0.94, 0.99)
        rough = weave(s, angle * 3) * (0.25 if kind == "cloth" else 0.05)
        albedo = base[None] * (1 + rough - 0.5 * edge)[:, None]
        return _flat(np.clip(albedo, 0.004, 1), 0.12 if kind == "cloth" else 0.45, len(s))

    return Cover(kind, u0, u1, [Tube(axis, s, side, up, paint, relief)])


def conduit(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> Cover:
    """Corrugated conduit: ribs, sometimes its slit on top."""
    axis, s, side, up = around(harness, u0, u1, 0.9)
    round_ = (side + up) / 2
    radius = np.full(len(s), float(np.percentile(round_, 80)))
    axis[:, 2] = radius
    pitch = rng.uniform(2.2, 3.6)
    slit = rng.uniform(0.6, 2.5) if rng.random() < 0.35 else None
    base = linear((28, 28, 29))
    dust = Sheet(rng, 12, 0.7)

    def wave(s: Floats) -> Floats:
        return np.clip(1.6 * np.sin(2 * np.pi * s / pitch), -1, 1)

    def relief(s: Floats, angle: Floats) -> Floats:
        cut = 0 if slit is None else 0.7 * np.exp(-(((angle - slit) / 0.06) ** 2))
        return 0.42 * wave(s) - cut

    def paint(s: Floats, angle: Floats) -> Material:
        tone = 1 + 0.25 * np.clip(dust(s, angle), 0, 2) + 0.25 * wave(s)
        return _flat(base[None] * np.clip(tone, 0.4, 2)[:, None], 0.4, len(s))

    return Cover("conduit", u0, u1, [Tube(axis, s, radius, radius, paint, relief)])


def tie(rng: np.random.Generator, harness: Harness, u: float) -> Cover:
    """A cable tie: a thin band, its head and cut tail."""
    width = rng.uniform(2.4, 4.6)
    base = linear((228, 226, 216) if rng.random() < 0.5 else (26, 26, 27))
    axis, s, side, up = around(harness, u, u + width, 0.35)

    def paint(s: Floats, angle: Floats) -> Material:
        return _flat(np.repeat(base[None] * 0.95, len(s), axis=0), 0.5, len(s))

    tubes = [Tube(axis, s, side, up, paint)]
    xy, tangent, normal = harness.trunk.at(np.array([u + width / 2]))
    place = rng.uniform(-0.6, 0.6)
    top = float(up.mean() * (1 + np.sqrt(1 - place**2)))
    head = np.append(xy[0] + normal[0] * (place * side.mean()), top)
    out = np.append(normal[0] * rng.choice([-1, 1]) + tangent[0] * rng.normal(0, 0.3), 0.0)
    length = rng.uniform(3, 14)
    tail = np.array([head, head + out * length * 0.5 + [0, 0, 1.0], head + out * length])
    tail[:, 2] = np.maximum(tail[:, 2], 1.0)
    for line, half in (
        (np.array([head - out * width * 0.5, head + out * width * 0.5]), width * 0.6),
        (tail, width * 0.32),
    ):
        at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        fine = np.linspace(0, at[-1], 12)
        curve = np.stack([np.interp(fine, at, line[:, k]) for k in range(3)], axis=1)
        tubes.append(Tube(curve, fine, np.full(12, half), np.full(12, half * 0.7), paint))
    return Cover("tie", u, u + width, tubes)


SLEEVE_SRGB = {
    "black": (29, 29, 30),
    "blue": (34, 62, 150),
    "red": (176, 34, 34),
    "yellow": (222, 184, 40),
    "clear": (206, 204, 194),
    "grey": (120, 122, 124),
}
SLEEVE_ODDS = (0.3, 0.16, 0.18, 0.12, 0.2, 0.04)


def sleeve(
    rng: np.random.Generator, wire: WirePath, low: float, high: float, code: int, kind: str, under: Floats
) -> Tube:
    """A shrunk sleeve over a joint: `kind` out of SLEEVE_SRGB, `under` (3,) the insulation that a clear one shows."""
    axis, s = stretch(wire.xyz, wire.s, low, high)
    r0 = wire.od_mm / 2
    factor = float(1.12 + 0.78 * rng.random() ** 1.6)
    middle, half = (low + high) / 2, (high - low) / 2
    core = half * rng.uniform(0.2, 0.8)
    shoulder = rng.uniform(0.15, 1.0)  # share of the swelling that the sleeve keeps up to its ends
    swell = steps(np.abs(s - middle), half, core)
    ends = steps(np.abs(s - middle), half, half - rng.choice([0.25, 0.5, rng.uniform(1, 5)]))
    wave = Line(rng, 5.0)
    r = r0 * (1.03 + (factor - 1.03) * (shoulder + (1 - shoulder) * swell) * ends) + 0.03 * wave(s)
    r = np.maximum(r, r0 + 0.06)
    axis = axis + np.array([0, 0, 1.0]) * (r - r0)[:, None] * rng.uniform(0.1, 1.0)
    return Tube(axis, s, r, r, _sleeve_paint(rng, middle, half, code, kind, under))


def _sleeve_paint(rng: np.random.Generator, middle: float, half: float, code: int, kind: str, under: Floats):
    base = varied(rng, SLEEVE_SRGB[kind], 0.07)
    clear = kind == "clear"
    milk = rng.uniform(0.3, 0.65)
    joint = linear(rng.choice([(196, 112, 66), (150, 150, 148), (170, 120, 90)])) * 0.7
    crimp = rng.uniform(0.15, 0.5) * half
    rings = linear(rng.choice([(200, 60, 50), (60, 90, 180), (214, 196, 90)])) if rng.random() < 0.4 else None
    tint = Sheet(rng, 6, 1)
    gloss = float(rng.uniform(0.6, 0.9) if clear else rng.uniform(0.35, 0.8))

    def paint(s: Floats, angle: Floats) -> Material:
        albedo = base[None] * (1 + 0.06 * tint(s, angle))[:, None]
        if clear:
            away = np.abs(s - middle)
            inner = steps(away, crimp + 0.6, crimp - 0.6)[:, None]
            albedo = albedo * milk + (under[None] * (1 - inner) + joint * inner) * (1 - milk)
            if rings is not None:
                band = 0.6 * steps(np.abs(away - 0.7 * half), 1.6, 1.0)[:, None]
                albedo = albedo * (1 - band) + rings * band
        n = len(s)
        return Material(
            albedo.astype(np.float32),
            np.full(n, gloss, np.float32),
            np.zeros(n, np.float32),
            np.full(n, code, np.uint8),
        )

    return paint
