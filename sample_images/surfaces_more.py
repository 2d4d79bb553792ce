"""More bench tops: cardboard, concrete, cutting mat, scratched paint, planks, grey foam, ribbed rubber; and stains."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.colours import linear
from sample_images.ground_noise import TILE_MM_PER_PX, streaks, tinted
from sample_images.noise import picture

Floats = NDArray[Any]
Shape = tuple[int, int]


def other_bench(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    """One of them: (H, W, 3) float32 linear RGB, and its gloss."""
    kind = str(rng.choice(list(_TONES)))
    tone, gloss = _TONES[kind](rng, shape)
    if rng.random() < 0.45:
        tone = tone * _stains(rng, shape)[..., None]
    return np.clip(tone, 0.003, 0.9).astype(np.float32), gloss


def _cardboard(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    base = np.array((182, 142, 98)) * rng.uniform(0.8, 1.1) + rng.normal(0, 5, 3)
    flute = np.sin(2 * np.pi * np.arange(shape[0], dtype=np.float32)[:, None] / rng.uniform(18, 26))
    fibre = streaks(rng, shape, 14, 2) * 0.04 + picture(rng, shape, 2) * 0.03
    tone = 0.018 * flute + fibre + 0.04 * picture(rng, shape, 150)
    for _ in range(int(rng.integers(0, 3))):  # creases and cut edges
        at = np.arange(shape[1], dtype=np.float32)[None] - rng.uniform(0, shape[1])
        tone = tone - 0.35 * np.exp(-((at / rng.uniform(2, 5)) ** 2)) + 0.1 * np.exp(-(((at - 8) / 5) ** 2))
    return tinted(base, np.exp(tone)), 0.03


def _concrete(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    base = rng.uniform(110, 180) + np.array([2, 0, -5])
    pores = np.clip(picture(rng, shape, 4) - 1.9, 0, 1)
    tone = 0.05 * picture(rng, shape, 2) + 0.07 * picture(rng, shape, 25) + 0.1 * picture(rng, shape, 180) - 0.9 * pores
    crack = np.zeros(shape, np.float32)
    if rng.random() < 0.4:
        n = 60
        walk = np.cumsum(rng.normal(0, 14, n)) + rng.uniform(0, shape[0])
        line = np.column_stack([np.linspace(0, shape[1], n), walk]).astype(np.int32)
        cv2.polylines(crack, [line], False, 1.0, int(rng.integers(1, 3)), cv2.LINE_AA)
    return tinted(base, np.exp(tone - 0.7 * crack)), 0.08


def _cutting(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    """A cutting mat or ruled board: a grid of lines, heavier ones at every fifth, and cuts."""
    bases = ((38, 88, 66), (36, 58, 96), (52, 52, 54), (196, 198, 196), (112, 60, 70))
    base = np.array(bases[int(rng.integers(5))]) + rng.normal(0, 5, 3)
    light = np.array((214, 204, 140)) if base.mean() < 150 else np.array((90, 100, 120))
    pitch = 10 / TILE_MM_PER_PX * rng.choice([0.5, 1.0, 1.27])
    ink = np.zeros(shape, np.float32)
    for k, v in enumerate(np.arange(pitch / 2, max(shape), pitch)):
        strong, wide = (0.75, 2) if k % 5 == 0 else (0.4, 1)
        cv2.line(ink, (round(v), 0), (round(v), shape[0]), strong, wide)
        cv2.line(ink, (0, round(v)), (shape[1], round(v)), strong, wide)
    if rng.random() < 0.4:
        cv2.line(ink, (0, 0), (shape[1], shape[0]), 0.5, 1, cv2.LINE_AA)
    ink *= rng.uniform(0.5, 1.0)
    tone = tinted(base, np.exp(0.03 * picture(rng, shape, 2) + 0.05 * picture(rng, shape, 200)))
    tone = tone + ink[..., None] * (linear(light)[None, None] - tone)
    return tone * np.exp(_scratches(rng, shape, int(rng.integers(0, 40)), -0.35))[..., None], 0.12


def _scratches(rng: np.random.Generator, shape: Shape, count: int, depth: float) -> Floats:
    out = np.zeros(shape, np.float32)
    for _ in range(count):
        a = rng.integers(0, max(shape), 2)
        b = a + rng.normal(0, 130, 2).astype(int)
        cv2.line(
            out, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), float(depth * rng.uniform(0.2, 1)), 1, cv2.LINE_AA
        )
    return out


def _worn_paint(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    """Painted sheet metal, worn: scratches and chips down to the metal."""
    bases = ((64, 92, 110), (70, 96, 70), (128, 130, 130), (176, 40, 36), (206, 170, 60), (44, 46, 50), (196, 194, 184))
    paint = tinted(np.array(bases[int(rng.integers(len(bases)))]), np.exp(0.015 * picture(rng, shape, 3)))
    bare = tinted(np.full(3, rng.uniform(110, 170)), np.exp(streaks(rng, shape, 60, 1.3) * 0.1))
    worn = np.clip((picture(rng, shape, 7) + 1.2 * picture(rng, shape, 90) - rng.uniform(2.6, 3.8)) * 3, 0, 1)
    worn = np.maximum(worn, _scratches(rng, shape, int(rng.integers(20, 120)), 0.9))
    return paint + worn[..., None] * (bare - paint), 0.45


def _planks(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    """Boards side by side, each with its own grain and tone, dark joints, a knot now and then."""
    out = np.empty((*shape, 3), np.float32)
    base = np.array([(176, 136, 92), (140, 100, 66), (202, 172, 128), (110, 80, 58), (150, 138, 122)][rng.integers(5)])
    y = 0
    while y < shape[0]:
        high = min(int(rng.uniform(180, 420)), shape[0] - y)
        part = (high, shape[1])
        v = np.arange(high, dtype=np.float32)[:, None] + 16 * picture(rng, part, 300)
        u = np.arange(shape[1], dtype=np.float32)[None]
        for _ in range(int(rng.integers(0, 3))):  # the grain runs round a knot
            kx, ky = rng.uniform(0, shape[1]), rng.uniform(0, high)
            v = v + 22 * np.sign(v - ky) * np.exp(-(((u - kx) / 60) ** 2) - ((v - ky) / 26) ** 2)
        grain = 0.11 * np.sin(v / rng.uniform(3, 9)) + 0.07 * streaks(rng, part, 120, 1.5)
        edge = np.minimum(np.arange(high), 60)[:, None]
        out[y : y + high] = tinted(base * rng.uniform(0.85, 1.1), np.exp(grain - 1.3 * np.exp(-edge / 2.0)))
        y += high
    return out, 0.2


def _foam(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    base = np.full(3, rng.uniform(45, 150)) + rng.normal(0, 3, 3)
    cells = picture(rng, shape, 2.4)
    return tinted(
        base, np.exp(0.2 * np.tanh(cells) - 0.5 * np.clip(cells - 1.4, 0, 1) + 0.05 * picture(rng, shape, 90))
    ), 0.0


def _ribbed(rng: np.random.Generator, shape: Shape) -> tuple[Floats, float]:
    """Rubber with fine ribs or studs."""
    base = np.array([(44, 44, 46), (58, 60, 62), (34, 48, 70), (84, 84, 82)][rng.integers(4)]) + rng.normal(0, 3, 3)
    pitch = rng.uniform(8, 18)
    x = np.arange(shape[1], dtype=np.float32)[None]
    y = np.arange(shape[0], dtype=np.float32)[:, None]
    if rng.random() < 0.65:
        rib = np.clip(2.2 * np.sin(2 * np.pi * x / pitch), -1, 1) * 0.3 + 0.25 * np.clip(
            np.cos(2 * np.pi * x / pitch), 0, 1
        )
        rib = np.broadcast_to(rib, shape)
    else:
        d = np.hypot((x % (2 * pitch)) - pitch, (y % (2 * pitch)) - pitch) / pitch
        rib = 0.25 * np.clip((0.55 - d) * 8, -1, 1) + 0.3 * np.exp(-(((d - 0.5) / 0.08) ** 2)) * (
            x % (2 * pitch) < pitch
        )
    return tinted(base, np.exp(rib + 0.06 * picture(rng, shape, 3) + 0.1 * picture(rng, shape, 120))), 0.15


def _stains(rng: np.random.Generator, shape: Shape) -> Floats:
    """(H, W): light kept under spots of oil, rings and smears."""
    out = np.ones(shape, np.float32)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    rough = picture(rng, shape, 50)
    for _ in range(int(rng.integers(1, 5))):
        r = rng.uniform(30, 180)
        d = (
            np.hypot(x - rng.uniform(0, shape[1]), (y - rng.uniform(0, shape[0])) * rng.uniform(0.6, 1.5)) / r
            + 0.12 * rough
        )
        out *= 1 - rng.uniform(0.1, 0.5) * np.clip((1 - d) * rng.uniform(2, 9), 0, 1)
    return out


_TONES = {
    "cardboard": _cardboard, "concrete": _concrete, "cutting": _cutting, "worn paint": _worn_paint,
    "planks": _planks, "foam": _foam, "ribbed": _ribbed,
}  # fmt: skip
