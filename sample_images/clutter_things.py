"""Solid things that lie about on a bench: pens, tools, loose ties, screws, washers, coins, clips with hollows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material, Part
from sample_images.colours import linear
from sample_images.hard_parts import HardPart
from sample_images.noise import Sheet, steps
from sample_images.parts_canvas import Canvas, Patch, fixed_point, smooth_noise
from sample_images.tubes import Tube

Floats = NDArray[Any]
Thing = Callable[[np.random.Generator, float, float, float], list[Part]]
"""(dice, x mm, y mm, turn) -> its parts; the thing's middle lies at the place."""

_GAY = ((186, 30, 34), (26, 70, 160), (30, 120, 60), (236, 190, 40), (226, 110, 30), (28, 28, 30), (226, 226, 222))
_DULL = ((28, 28, 30), (60, 62, 66), (120, 122, 124), (214, 212, 204))
STEEL, ZINC, BRASS, BRONZE = (150, 150, 152), (186, 186, 184), (196, 160, 84), (170, 104, 66)


def _pick(rng: np.random.Generator, tones: tuple[tuple[int, int, int], ...]) -> Floats:
    return linear(tones[int(rng.integers(len(tones)))]) * np.float32(rng.uniform(0.75, 1.15))


def _rod(
    place: tuple[float, float, float],
    profile: list[tuple[float, float]],
    bands: list[tuple[float, Floats, float, float]],
    flutes: tuple[float, float, float, int] | None = None,
    wear: Sheet | None = None,
    floor_mm: float = 0.0,
) -> Tube:
    """A turned rod: `profile` of (along, radius) mm, `bands` of (from, albedo, gloss, metal), `flutes` (from, to, deep
    mm, count). Its middle lies at `place` (x, y, turn)."""
    x, y, turn = place
    along, radius = (np.array(v, float) for v in zip(*profile, strict=True))
    s = np.arange(along[0], along[-1], 0.25)
    r = np.interp(s, along, radius)
    mid = (along[0] + along[-1]) / 2
    lift = np.full(len(s), max(float(r.max()), floor_mm))
    axis = np.column_stack([x + np.cos(turn) * (s - mid), y + np.sin(turn) * (s - mid), lift])

    def paint(s: Floats, angle: Floats) -> Material:
        albedo: Floats = np.repeat(bands[0][1][None].astype(np.float32), len(s), axis=0)
        gloss, metal = np.full(len(s), bands[0][2], np.float32), np.full(len(s), bands[0][3], np.float32)
        for start, tone, shine, bare in bands[1:]:
            on = s >= start
            albedo[on], gloss[on], metal[on] = tone, shine, bare
        if wear is not None:
            albedo = albedo * (1 + 0.06 * wear(s, angle * 4))[:, None]
        return Material(albedo.astype(np.float32), gloss, metal, np.zeros(len(s), np.uint8))

    def relief(s: Floats, angle: Floats) -> Floats:
        assert flutes is not None
        low, high, deep, count = flutes
        return -deep * steps(s, low, low + 4) * steps(s, high, high - 4) * np.clip(np.cos(count * angle), 0, 1)

    return Tube(axis, s, r, r, paint, relief if flutes is not None else None)


def pen(rng: np.random.Generator, x: float, y: float, turn: float) -> list[Part]:
    """A ball pen, felt pen or pencil."""
    kind = str(rng.choice(["ball", "felt", "pencil"]))
    barrel, other = _pick(rng, _GAY), _pick(rng, _GAY + _DULL)
    wear = Sheet(rng, 8, 2)
    if kind == "pencil":
        r, long = rng.uniform(3.3, 3.8), rng.uniform(80, 170)
        wood = linear((214, 170, 116))
        bands = [(0.0, linear((40, 40, 42)), 0.4, 0.0), (4.0, wood, 0.1, 0.0), (20.0, barrel, 0.5, 0.0)]
        profile = [(0.0, 0.3), (20.0, r), (long, r)]
        return [_rod((x, y, turn), profile, bands, (20.0, long + 9, 0.35, 6), wear)]
    r, long = (rng.uniform(4, 5.2), rng.uniform(132, 146)) if kind == "ball" else (rng.uniform(4.6, 8), 138.0)
    grip = rng.uniform(28, 46)
    tip = linear(ZINC if rng.random() < 0.6 else (30, 30, 31))
    bands = [
        (0.0, tip, 0.6, 0.8),
        (9.0, other if rng.random() < 0.6 else barrel, 0.25, 0.0),
        (grip, barrel, 0.65, 0.0),
        (long - rng.uniform(6, 40), other, 0.6, 0.0),
    ]
    profile = [(0.0, 0.5), (2.0, 0.8), (14.0, r * 0.85), (grip, r), (long - 3, r * 0.95), (long, r * 0.7)]
    parts: list[Part] = [_rod((x, y, turn), profile, bands, None, wear)]
    clip = long * 0.5 - rng.uniform(22, 27)
    at = (x + np.cos(turn) * clip, y + np.sin(turn) * clip)
    metal = float(rng.random() < 0.5)
    tone = linear(ZINC) if metal else other
    parts.append(
        _rod((*at, turn), [(0.0, 0.9), (1.0, 1.3), (38.0, 1.3)], [(0.0, tone, 0.7, metal)], None, None, 2 * r + 0.8)
    )
    return parts


def screwdriver(rng: np.random.Generator, x: float, y: float, turn: float) -> list[Part]:
    """A shaft in a fluted handle of one or two colours."""
    shaft, grip = rng.uniform(50, 110), rng.uniform(55, 95)
    thin, thick = rng.uniform(1.4, 3.2), rng.uniform(7, 13)
    tone, other = _pick(rng, _GAY), _pick(rng, _DULL + _GAY)
    profile = [
        (0.0, thin * 0.6), (6.0, thin), (shaft, thin), (shaft + 0.6, thick * 0.6), (shaft + 9, thick * 0.72),
        (shaft + 20, thick), (shaft + grip - 8, thick), (shaft + grip, thick * 0.6),
    ]  # fmt: skip
    end = shaft + grip * rng.uniform(0.6, 0.95)
    bands = [
        (0.0, linear(STEEL), 0.7, 1.0),
        (shaft + 0.3, other, 0.3, 0.0),
        (shaft + 16, tone, 0.55, 0.0),
        (end, other, 0.3, 0.0),
    ]
    flutes = (shaft + 16, shaft + grip - 4, thick * 0.14, int(rng.integers(6, 10)))
    return [_rod((x, y, turn), profile, bands, flutes, Sheet(rng, 10, 3))]


def screw(rng: np.random.Generator, x: float, y: float, turn: float) -> list[Part]:
    """A screw lying on its side."""
    r, long = rng.uniform(1.2, 3.2), rng.uniform(8, 26)
    tone = linear((ZINC, STEEL, BRASS, (46, 46, 48))[int(rng.integers(4))])
    head = r * rng.uniform(1.7, 2.1)
    pitch = r * 0.5
    profile = [(0.0, r * 0.5), (r, r)] + [
        (v, r * (1 - 0.16 * (k % 2))) for k, v in enumerate(np.arange(r + pitch, long, pitch / 2))
    ]
    profile += [(long, head), (long + head * 0.7, head * 0.75)]
    return [_rod((x, y, turn), profile, [(0.0, tone, 0.7, 1.0)], None, Sheet(rng, 2, 1))]


def hex_key(rng: np.random.Generator, x: float, y: float, turn: float) -> list[Part]:
    """A bent key of dark or bright steel."""
    r, long, short = rng.uniform(1, 3), rng.uniform(45, 90), rng.uniform(15, 28)
    tone, bright = linear((44, 44, 46) if rng.random() < 0.6 else STEEL), 0.9
    bow = np.linspace(0, np.pi / 2, 12)
    own = np.vstack([[[0.0, 0.0]], np.column_stack([long + 5 * np.sin(bow), 5 - 5 * np.cos(bow)]), [[long + 5, short]]])
    own -= own.mean(0)
    c, s = np.cos(turn), np.sin(turn)
    line = np.column_stack([x + c * own[:, 0] - s * own[:, 1], y + s * own[:, 0] + c * own[:, 1], np.full(len(own), r)])
    return [_along(line, r, r, tone, 0.6, bright)]


def _along(line: Floats, side: float, up: float, tone: Floats, gloss: float, metal: float = 0.0) -> Tube:
    """A plain tube along points (N,3)."""
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    s = np.linspace(0, at[-1], max(12, int(at[-1] / 0.5)))
    axis = np.stack([np.interp(s, at, line[:, k]) for k in range(3)], axis=1)

    def paint(s: Floats, angle: Floats) -> Material:
        n = len(s)
        albedo = np.repeat(tone[None].astype(np.float32), n, axis=0)
        return Material(albedo, np.full(n, gloss, np.float32), np.full(n, metal, np.float32), np.zeros(n, np.uint8))

    return Tube(axis, s, np.full(len(s), side), np.full(len(s), up), paint)


def loose_tie(rng: np.random.Generator, x: float, y: float, turn: float) -> list[Part]:
    """A cable tie not yet used, lying in a bow."""
    long, half = rng.uniform(70, 190), rng.uniform(1.2, 2.4)
    tone = _pick(rng, ((228, 226, 216), (228, 226, 216), (28, 28, 29), (28, 28, 29), *_GAY))
    s = np.linspace(0, long, 60)
    angle = turn + rng.normal(0, 0.9) * (s / long - 0.5) + rng.normal(0, 0.5) * np.sin(s / long * 4)
    step = np.stack([np.cos(angle), np.sin(angle)], axis=1) * (long / 59)
    xy = np.cumsum(step, axis=0)
    xy += np.array([x, y]) - xy.mean(0)
    strip = np.column_stack([xy, np.full(60, 0.6)])
    out = np.array([np.cos(angle[0]), np.sin(angle[0]), 0.0])
    head = strip[0] + np.array([0, 0, 1.2])
    parts: list[Part] = [_along(strip, half, 0.6, tone, 0.5)]
    parts.append(_along(np.array([head - out * half * 1.4, head + out * half * 1.4]), half * 1.7, 1.9, tone, 0.5))
    hole = np.array([head - out * half * 0.5, head + out * half * 0.5]) + np.array([0, 0, 1.25])
    parts.append(_along(hole, half * 0.8, 0.8, tone * 0.25, 0.1))
    return parts


# --- plates: a height field from above ---


def _board(reach_mm: float, high_mm: float, px_per_mm: float, tone: Floats) -> Canvas:
    r, g, b = (float(v) for v in tone)
    return Canvas((-reach_mm, reach_mm), (-high_mm, high_mm), px_per_mm, (r, g, b))


def _slab(
    c: Canvas, inside: NDArray[np.bool_], top_mm: float, edge_mm: float, tone: Floats, gloss: float, metal: float = 0.0
) -> None:
    """Lay a plate with a rounded edge over what is there."""
    away = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) / c.ppm
    f = np.clip(away / edge_mm, 0, 1)
    z = top_mm - min(edge_mm, top_mm * 0.8) * (1 - np.sqrt(1 - (1 - f) ** 2))
    c.height = np.where(inside, z, c.height).astype(np.float32)
    c.albedo[inside] = tone
    c.gloss[inside], c.metal[inside] = gloss, metal
    c.mask |= inside


def _polygon(c: Canvas, points_mm: Floats) -> NDArray[np.bool_]:
    out = np.zeros(c.shape, np.uint8)
    cv2.fillPoly(out, [fixed_point(c.to_px(points_mm))], 1, cv2.LINE_8, 4)
    return out.astype(bool)


def _stroke(c: Canvas, points_mm: Floats, width_mm: float) -> NDArray[np.bool_]:
    out = np.zeros(c.shape, np.uint8)
    cv2.polylines(out, [fixed_point(c.to_px(points_mm))], False, 1, max(1, round(width_mm * c.ppm)), cv2.LINE_8, 4)
    return out.astype(bool)


def _laid(c: Canvas, rng: np.random.Generator, x: float, y: float, turn: float) -> list[Part]:
    c.albedo *= (1 + 0.05 * smooth_noise(rng, c.shape, 2 * c.ppm))[..., None]
    sprite = c.sprite("clutter", entries_mm=(), entry_x_mm=(), size_mm=(1.0, 1.0, 1.0), colour="")
    return [HardPart(sprite, np.array([x, y]), turn)]


def pliers(rng: np.random.Generator, x: float, y: float, turn: float, ppm: float) -> list[Part]:
    """Side cutters or pliers: short jaws, a pivot, two bowed handles in plastic."""
    tone, steel = _pick(rng, _GAY), linear(STEEL) * np.float32(rng.uniform(0.4, 1.0))
    long, wide, spread = rng.uniform(75, 105), rng.uniform(9, 13), rng.uniform(9, 19)
    c = _board(long * 0.75, spread + wide + 6, ppm, steel)
    x0 = -long * 0.5 + 25
    for side in (-1, 1):
        u = np.linspace(0, 1, 24)
        bow = spread * np.sin(np.clip(u * 1.5, 0, 1.57)) * 0.75 + 4
        line = np.column_stack([x0 + 6 + u * (long - 8), side * bow])
        _slab(c, _stroke(c, line[:6], wide * 0.8), 8.0, 2.0, steel, 0.6, 1.0)
        _slab(c, _stroke(c, line[4:], wide), 11.0, 4.0, tone, 0.35)
        _slab(c, _stroke(c, line[8:22], wide * 0.3), 11.4, 1.5, tone * np.float32(0.4), 0.2)
    nose = rng.uniform(16, 26)
    jaws = np.array([[x0 + 9, -9.0], [x0 - 3, -10], [x0 - nose, -2.5], [x0 - nose, 2.5], [x0 - 3, 10], [x0 + 9, 9]])
    _slab(c, _polygon(c, jaws), 9.0, 2.5, steel, 0.6, 1.0)
    gap = c.whole(c.cover(np.maximum(np.abs(c.y) - 0.25 - 0.02 * (x0 - c.x), c.x - x0 + 2)))
    c.raise_by(gap, -4.0)
    c.shade(gap, 0.25)
    c.raise_by(c.disc(x0 + 2, 0.0, 4.5), 1.2)
    ring = c.disc(x0 + 2, 0.0, 2.0)
    c.raise_by(ring, -0.7)
    return _laid(c, rng, x, y, turn)


def scissors(rng: np.random.Generator, x: float, y: float, turn: float, ppm: float) -> list[Part]:
    """Two blades and two eyes of plastic."""
    tone, steel = _pick(rng, _GAY), linear(ZINC)
    long, eye = rng.uniform(60, 85), rng.uniform(11, 16)
    c = _board(long * 0.5 + 3 * eye + 4, 2 * eye + 14, ppm, steel)
    open_ = rng.uniform(0.03, 0.16)
    for side in (-1, 1):
        tip = np.array([-long * 0.5 - eye, -side * long * open_])
        blade = np.array(
            [tip, [eye * 0.5, side * 4.5 - 4], [eye * 0.5, side * 4.5 + 4], tip + np.array([4.0, side * 1.0])]
        )
        _slab(c, _polygon(c, blade), 2.6 + 0.8 * (side > 0), 0.8, steel, 0.8, 1.0)
        middle = np.array([eye * 1.9, side * (eye * 0.62 + 3)])
        d = np.hypot((c.x - middle[0]) / 1.5, c.y - middle[1])
        _slab(c, (d < eye * 0.62 + 2.5) & (d > eye * 0.62 - 2.0), 7.0, 2.2, tone, 0.45)
        _slab(c, _stroke(c, np.array([[-2.0, side * 1.0], [eye * 0.8, side * 5.5]]), 7.0), 6.5, 2.2, tone, 0.45)
    _slab(c, np.hypot(c.x + 6, c.y) < 3.0, 4.6, 1.0, linear(STEEL), 0.7, 1.0)
    return _laid(c, rng, x, y, turn)


def washer(rng: np.random.Generator, x: float, y: float, turn: float, ppm: float) -> list[Part]:
    """A washer or a hexagon nut."""
    hole = rng.uniform(1.6, 5.2)
    tone = linear((ZINC, STEEL, BRASS, BRONZE)[int(rng.choice(4, p=[0.45, 0.3, 0.13, 0.12]))])
    outer = hole * rng.uniform(1.7, 2.3)
    c = _board(outer + 2, outer + 2, ppm, tone)
    d = np.hypot(c.x, c.y)
    if rng.random() < 0.3:
        d = np.maximum.reduce([np.abs(c.x * np.cos(a) + c.y * np.sin(a)) for a in (0.0, np.pi / 3, 2 * np.pi / 3)])
        top = hole * 1.2
    else:
        top = rng.uniform(0.8, 1.8)
    _slab(c, (d < outer) & (np.hypot(c.x, c.y) > hole), top, 0.4, tone, 0.65, 1.0)
    return _laid(c, rng, x, y, turn)


def coin(rng: np.random.Generator, x: float, y: float, turn: float, ppm: float) -> list[Part]:
    """A disc like a coin or a slug: a rim, and a worn relief of nothing in particular."""
    r = rng.uniform(8, 13)
    tone = linear((BRONZE, BRASS, ZINC)[int(rng.integers(3))]) * np.float32(rng.uniform(0.5, 1.0))
    c = _board(r + 2, r + 2, ppm, tone)
    d = np.hypot(c.x, c.y)
    _slab(c, d < r, 1.9, 0.3, tone, 0.6, 1.0)
    c.height += 0.2 * c.cover(np.abs(d - r + 0.8) - 0.5) * c.mask
    c.height += 0.12 * np.clip(smooth_noise(rng, c.shape, 2.5 * c.ppm), 0, 1.5) * (d < r * 0.7)
    c.albedo *= (1 - 0.4 * np.clip(smooth_noise(rng, c.shape, 3 * c.ppm), 0, 1))[..., None]
    return _laid(c, rng, x, y, turn)


def clip(rng: np.random.Generator, x: float, y: float, turn: float, ppm: float) -> list[Part]:
    """A plastic or spring-steel clip: base with an opening, hollows and a ribbed foot or a jaw."""
    metal = float(rng.random() < 0.25)
    tone = linear(STEEL) if metal else _pick(rng, ((28, 28, 30), (28, 28, 30), (226, 224, 214), (120, 122, 124), *_GAY))
    long, wide = rng.uniform(12, 30), rng.uniform(8, 16)
    c = _board(long + 6, wide + 6, ppm, tone)
    top = rng.uniform(3, 8)
    box = c.rect((-long / 2, long / 2), (-wide / 2, wide / 2), 1.5)
    whole = np.zeros(c.shape, bool)
    whole[box.window] = box.cover > 0.5
    _slab(c, whole, top, 0.8, tone, 0.4, metal)
    if rng.random() < 0.7:  # the opening goes through, or ends in a dark floor
        hole = c.rect((-long * 0.32, long * rng.uniform(0.0, 0.3)), (-wide * 0.3, wide * 0.3), 1.2)
        if rng.random() < 0.5:
            c.mask[hole.window] &= hole.cover < 0.5
        else:
            c.set_height(hole, 0.8)
            c.shade(hole, 0.4)
    form = str(rng.choice(["foot", "jaw", "band"]))
    if form == "foot":  # a fir tree of ribs
        stem = c.rect((long / 2 - 1, long / 2 + 5), (-1.2, 1.2), 0.5)
        _slab(c, _inside(c, stem), 3.0, 0.8, tone, 0.4, metal)
        for k in range(3):
            rib = c.rect((long / 2 + 0.6 + 1.5 * k, long / 2 + 1.4 + 1.5 * k), (-2.8 + 0.4 * k, 2.8 - 0.4 * k), 0.3)
            _slab(c, _inside(c, rib), 3.6, 0.4, tone, 0.4, metal)
    elif form == "jaw":
        d = np.hypot(c.x - long / 2 - wide * 0.22, c.y)
        _slab(
            c, (d < wide * 0.5) & (d > wide * 0.28) & (c.x < long / 2 + wide * 0.45), top * 0.8, 0.8, tone, 0.4, metal
        )
    else:
        for s in np.arange(-long * 0.4, long * 0.45, 2.4):
            c.raise_by(_within(c, c.rect((s, s + 1.0), (-wide * 0.46, -wide * 0.34), 0.3)), 0.9)
    return _laid(c, rng, x, y, turn)


def _inside(c: Canvas, patch: Patch) -> NDArray[np.bool_]:
    out = np.zeros(c.shape, bool)
    out[patch.window] = patch.cover > 0.5
    return out


def _within(c: Canvas, p: Patch) -> Patch:
    return Patch(p.window, p.cover * c.mask[p.window], p.u, p.v)
