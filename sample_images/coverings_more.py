"""Coverings beyond tape and black conduit: braided sleeving, spiral wrap, coloured conduit and tape, rows of ties."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material
from sample_images.colours import linear
from sample_images.coverings import Cover, around, tie
from sample_images.harness import Harness
from sample_images.noise import Sheet, steps
from sample_images.tubes import Tube

Floats = NDArray[Any]
Span = tuple[float, float]
_GREY = (112, 114, 116)
_BRAIDS = (  # ground, threads
    ((24, 24, 25), (44, 44, 46)), ((24, 24, 25), (118, 118, 116)), ((30, 30, 31), (30, 30, 31)),
    ((60, 60, 62), (160, 160, 156)), ((150, 150, 146), (206, 204, 196)), ((30, 30, 31), (226, 110, 34)),
    ((196, 150, 100), (222, 190, 140)), ((70, 48, 34), (128, 92, 62)), ((226, 108, 34), (200, 84, 22)),
)  # fmt: skip
_CONDUITS = ((222, 96, 24), (236, 118, 36), _GREY, (164, 166, 166), (32, 66, 150), (170, 34, 34), (222, 184, 40))
_WRAPS = ((28, 28, 29), (214, 212, 202), _GREY, (226, 110, 34), (34, 70, 160))
_TAPES = ((150, 36, 34), (34, 66, 150), (34, 112, 60), (222, 184, 40), (214, 210, 198), (218, 100, 30), (104, 68, 44))
_CLOTHS = ((46, 42, 38), (84, 70, 54), (36, 48, 78), (120, 104, 80), (130, 36, 34), (62, 76, 62), (176, 150, 112))
_END_TAPE_MM = 4.0
"""How far the tape that holds a braid's end reaches beyond it."""


def cover_more(rng: np.random.Generator, harness: Harness, taken: list[Span]) -> list[Cover]:
    """One to three of them on the trunk, off damages and off other coverings."""
    out: list[Cover] = []
    busy = list(taken)
    kinds = list(_MAKE)
    for _ in range(int(rng.choice([1, 2, 3], p=[0.4, 0.4, 0.2]))):
        kind = str(rng.choice(kinds, p=[0.36, 0.18, 0.1, 0.14, 0.12, 0.1]))
        for _ in range(6):
            length = float(rng.uniform(24, 150)) if kind != "ties" else 5.0
            last = min(harness.end_u, harness.start_u + 420) - length - 4
            if last <= harness.start_u + 4:
                continue
            u0 = float(rng.uniform(harness.start_u + 4, last))
            more = _END_TAPE_MM if kind == "braid" else 0.0
            if not any(u0 - more < b + 6 and u0 + length + more > a - 6 for a, b in busy):
                made = _MAKE[kind](rng, harness, u0, u0 + length)
                busy += [(c.u0, c.u1) for c in made]
                out += made
                break
    return out


def _tone(rng: np.random.Generator, options: tuple[tuple[int, int, int], ...]) -> Floats:
    return linear(options[int(rng.integers(len(options)))]) * np.float32(np.exp(rng.normal(0, 0.12)))


def _matter(albedo: Floats, gloss: Floats | float) -> Material:
    n = len(albedo)
    shine = np.broadcast_to(np.float32(gloss), (n,)).astype(np.float32)
    return Material(
        np.clip(albedo, 0.004, 0.9).astype(np.float32), shine, np.zeros(n, np.float32), np.zeros(n, np.uint8)
    )


def braid(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> list[Cover]:
    """Braided sleeving: two sets of threads that cross in even diamonds; its ends fray a little or lie under tape."""
    ground, thread = (linear(c) for c in _BRAIDS[int(rng.integers(len(_BRAIDS)))])
    axis, s, side, up = around(harness, u0, u1, 0.6)
    r = float(np.mean((side + up) / 2))
    starts = max(4, round(r * rng.uniform(2.2, 4.5)))  # yarns each way round the sleeve
    lay = 2 * np.pi * r / starts * rng.uniform(0.8, 1.4)  # mm along the sleeve for one diamond
    loose = rng.random() < 0.4  # expandable: monofilaments with gaps through which the wires darken
    second = rng.random() < 0.5  # one set of yarns of the other tone: checks
    width = rng.uniform(0.24, 0.34) if loose else rng.uniform(0.42, 0.5)
    fray = rng.uniform(2.0, 6.0) if rng.random() < 0.6 else 0.0
    wear = Sheet(rng, 9, 1.2)
    gloss = float(rng.uniform(0.25, 0.55) if loose else rng.uniform(0.05, 0.3))
    single = rng.integers(3, 6)  # filaments in a yarn

    def yarns(s: Floats, angle: Floats) -> tuple[Floats, Floats, Floats]:
        """Height 0..1 of the yarn on top, which of both sets that is (0 or 1), and the place across it."""
        turn, along = angle / (2 * np.pi) * starts, (s - u0) / lay
        a, b = (along + turn) % 1.0, (along - turn) % 1.0
        da, db = np.abs(a - 0.5), np.abs(b - 0.5)
        over = (np.floor(along + turn) + np.floor(along - turn)) % 2 == 0
        ha, hb = (np.sqrt(np.clip(1 - (d / width) ** 2, 0, 1)) for d in (da, db))
        first = np.where(over, (ha > 0.05) | (hb <= 0.05), (ha > 0.05) & (hb <= 0.05))
        return np.where(first, ha, hb), np.where(first, 0, 1), np.where(first, a, b)

    def relief(s: Floats, angle: Floats) -> Floats:
        ends = np.minimum(s - u0, u1 - s)
        flare = 0.9 * np.exp(-ends / 2.5) if fray else 0.0
        return 0.3 * yarns(s, angle)[0] - 0.2 + flare

    def paint(s: Floats, angle: Floats) -> Material:
        high, which, across = yarns(s, angle)
        tone = np.where((which == 1)[:, None] & second, thread[None], ground[None] if second else thread[None])
        strand = 1 + 0.16 * np.cos(across * 2 * np.pi * single / (2 * width))
        tone = tone * (strand * (1 + 0.1 * wear(s, angle * r)))[:, None]
        gap = (high <= 0.05)[:, None]
        albedo = np.where(gap, ground[None] * 0.35 + 0.004, tone * (0.7 + 0.3 * high)[:, None])
        return _matter(albedo, gloss * (high > 0.05))

    tubes = [Tube(axis, s, side, up, paint, relief)]
    tone = thread if not second else ground
    tubes += _fringe(rng, axis, side, up, fray, tone) if fray else []
    covers = [Cover("braid", u0, u1, tubes)]
    if not fray:  # its ends held by tape
        covers += [
            Cover("tape", a, a + 9, [_band(rng, harness, a, a + 9, 0.95)])
            for a in (u0 - _END_TAPE_MM, u1 + _END_TAPE_MM - 9)
        ]
    return covers


def _band(rng: np.random.Generator, harness: Harness, u0: float, u1: float, thick_mm: float) -> Tube:
    """A few turns of tape."""
    base = _tone(rng, ((30, 30, 31), (30, 30, 31), *_TAPES))
    axis, s, side, up = around(harness, u0, u1, thick_mm)
    crease = Sheet(rng, 3, 0.7)

    def relief(s: Floats, angle: Floats) -> Floats:
        return 0.05 * crease(s, angle)

    def paint(s: Floats, angle: Floats) -> Material:
        return _matter(base[None] * (1 + 0.06 * crease(s, angle))[:, None], 0.42)

    return Tube(axis, s, side, up, paint, relief)


def _fringe(rng: np.random.Generator, axis: Floats, side: Floats, up: Floats, long: float, tone: Floats) -> list[Tube]:
    """Loose filaments that stand out over both ends."""
    out = []
    for end, inner in ((0, 6), (-1, -7)):
        away = axis[end] - axis[inner]
        away /= np.linalg.norm(away) + 1e-9
        across = np.array([-away[1], away[0], 0.0])
        for angle in rng.uniform(0.1, np.pi - 0.1, int(rng.integers(9, 22))):
            root = axis[end] + across * np.cos(angle) * side[end] + np.array([0, 0, np.sin(angle) * up[end]])
            bow = across * np.cos(angle) * rng.uniform(0.1, 0.6) + np.array([0, 0, rng.uniform(-0.2, 0.3)])
            t = np.linspace(0, 1, 8)[:, None] * long * rng.uniform(0.4, 1.0)
            line = root + away * t + bow * t**2 / long - away * 1.0
            line[:, 2] = np.maximum(line[:, 2], 0.15)
            n = len(line)
            radius = np.full(n, rng.uniform(0.1, 0.17))
            out.append(Tube(line, t[:, 0], radius, radius, _plain(tone, 0.3)))
    return out


def _plain(tone: Floats, gloss: float) -> Callable[[Floats, Floats], Material]:
    return lambda s, angle: _matter(np.repeat(tone[None], len(s), axis=0), gloss)


def coloured_conduit(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> list[Cover]:
    """Corrugated conduit in orange, grey, blue and other colours."""
    base = _tone(rng, _CONDUITS)
    axis, s, side, up = around(harness, u0, u1, 0.9)
    radius = np.full(len(s), float(np.percentile((side + up) / 2, 80)))
    axis[:, 2] = radius
    pitch, deep, slit = rng.uniform(2.2, 4.6), rng.uniform(0.35, 0.6), rng.uniform(0.6, 2.5)
    split = rng.random() < 0.4
    dust = Sheet(rng, 12, 0.7)

    def wave(s: Floats) -> Floats:
        return np.clip(1.6 * np.sin(2 * np.pi * s / pitch), -1, 1)

    def relief(s: Floats, angle: Floats) -> Floats:
        return deep * wave(s) - (0.7 * np.exp(-(((angle - slit) / 0.06) ** 2)) if split else 0.0)

    def paint(s: Floats, angle: Floats) -> Material:
        return _matter(base[None] * np.clip(0.92 + 0.08 * dust(s, angle) + 0.1 * wave(s), 0.4, 1.4)[:, None], 0.4)

    return [Cover("conduit", u0, u1, [Tube(axis, s, radius, radius, paint, relief)])]


def spiral(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> list[Cover]:
    """Spiral wrap: a band wound with gaps, through which the wires are seen."""
    base = _tone(rng, _WRAPS)
    pitch = rng.uniform(7, 14)
    share = rng.uniform(0.45, 0.75)
    axis, s, side, up = around(harness, u0, u1, 1.0)
    hand = rng.choice([-1.0, 1.0])

    def on(s: Floats, angle: Floats) -> Floats:
        at = ((s - u0 + hand * angle / (2 * np.pi) * pitch) / pitch) % 1.0
        return steps(np.abs(at - 0.5), share / 2 + 0.02, share / 2 - 0.02)

    def relief(s: Floats, angle: Floats) -> Floats:
        # between the turns the surface sinks below the wires, so that they come to light
        return np.where(on(s, angle) > 0.5, 0.0, -3.0) * 1.0

    def paint(s: Floats, angle: Floats) -> Material:
        return _matter(base[None] * (0.55 + 0.45 * on(s, angle))[:, None], 0.5)

    return [Cover("spiral", u0, u1, [Tube(axis, s, side, up, paint, relief)])]


def cloth_tape(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> list[Cover]:
    """Cloth or fleece tape in colours, wound with an overlap."""
    base = _tone(rng, _CLOTHS if rng.random() < 0.65 else _TAPES)
    axis, s, side, up = around(harness, u0, u1, 0.35)
    pitch, lean = rng.uniform(8, 16), rng.uniform(0.5, 1.5) * rng.choice([-1, 1])
    weave, fold = rng.uniform(0.5, 0.9), Sheet(rng, 5, 0.6)

    def turn(s: Floats, angle: Floats) -> Floats:
        return ((s + lean * angle) / pitch) % 1.0

    def relief(s: Floats, angle: Floats) -> Floats:
        return 0.2 * turn(s, angle) + 0.04 * fold(s, angle)

    def paint(s: Floats, angle: Floats) -> Material:
        thread = 0.13 * np.sin(2 * np.pi * s / weave) * np.sin(2 * np.pi * angle * float(side.mean()) / weave)
        edge = 0.4 * steps(turn(s, angle), 0.94, 0.99)
        return _matter(base[None] * (1 + thread + 0.06 * fold(s, angle) - edge)[:, None], 0.08)

    return [Cover("cloth", u0, u1, [Tube(axis, s, side, up, paint, relief)])]


def spots(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> list[Cover]:
    """Short bands of tape at even intervals."""
    step, wide = rng.uniform(22, 40), rng.uniform(8, 14)
    alike = rng.integers(2**32)  # one seed: every band is of one roll
    at = np.arange(u0, u1 - wide + 0.1, step)
    return [
        Cover(
            "tape",
            float(u),
            float(u + wide),
            [_band(np.random.default_rng(alike), harness, float(u), float(u + wide), 0.3)],
        )
        for u in at
    ]


def ties(rng: np.random.Generator, harness: Harness, u0: float, u1: float) -> list[Cover]:
    """Some cable ties at intervals, with heads and tails."""
    step = rng.uniform(20, 45)
    out = []
    for k in range(int(rng.integers(2, 5))):
        u = u0 + k * step
        if u + 6 < min(harness.end_u, harness.start_u + 420):
            made = tie(rng, harness, u)
            out.append(made)
    if out and rng.random() < 0.5:  # in a colour
        paint = _plain(_tone(rng, _TAPES), 0.5)
        out = [replace(c, tubes=[replace(t, paint=paint) for t in c.tubes]) for c in out]
    return out


_MAKE: dict[str, Callable[[np.random.Generator, Harness, float, float], list[Cover]]] = {
    "braid": braid,
    "conduit": coloured_conduit,
    "spiral": spiral,
    "cloth": cloth_tape,
    "spots": spots,
    "ties": ties,
}
