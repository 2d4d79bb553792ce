"""What the assembly lies on: bench tops by procedure, and the printed page with its wear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.colours import linear
from sample_images.ground_noise import TILE_MM_PER_PX, streaks, tinted
from sample_images.noise import picture
from sample_images.surfaces_more import other_bench
from vision.layout import MatLayout
from vision.layout_raster import raster

Floats = NDArray[Any]
TILE_PX = 1200
BENCHES = ("wood", "rubber", "metal", "cloth", "painted", "stone")


def bench(rng: np.random.Generator) -> tuple[Floats, float]:
    """A bench top: (TILE_PX, TILE_PX, 3) float32 linear RGB, and its gloss."""
    kind = str(rng.choice(BENCHES))
    shape = (TILE_PX, TILE_PX)
    tone, gloss = _TONES[kind](rng, shape)
    return tone.astype(np.float32), gloss


def _wood(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Floats, float]:
    y = np.arange(shape[0], dtype=np.float32)[:, None] + 14 * picture(rng, shape, 260)
    rings = np.sin(y / rng.uniform(5, 16) + 2.5 * picture(rng, shape, 320))
    grain = streaks(rng, shape, 90, 1.6) * 0.07 + streaks(rng, shape, 300, 5) * 0.08
    base = np.array([(122, 84, 54), (160, 120, 80), (96, 62, 40), (190, 160, 118)][rng.integers(4)])
    return tinted(base + rng.normal(0, 8, 3), np.exp(0.13 * rings + grain + 0.06 * picture(rng, shape, 200))), 0.25


def _rubber(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Floats, float]:
    base = np.array([(52, 52, 54), (74, 78, 82), (40, 62, 92), (60, 88, 70)][rng.integers(4)])
    speck = picture(rng, shape, rng.uniform(2, 5)) * 0.14
    return tinted(base + rng.normal(0, 6, 3), np.exp(speck + 0.05 * picture(rng, shape, 80))), 0.1


def _metal(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Floats, float]:
    brush = streaks(rng, shape, 160, 1.2) * 0.14 + streaks(rng, shape, 600, 3) * 0.06
    base = np.full(3, rng.uniform(90, 180)) + rng.normal(0, 4, 3)
    return tinted(base, np.exp(brush + 0.08 * picture(rng, shape, 300))), 0.6


def _cloth(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Floats, float]:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    p = rng.uniform(2.6, 5)
    weave = np.sin(2 * np.pi * x / p) * np.sin(2 * np.pi * y / p) * 0.22
    base = rng.uniform(40, 170, 3) * 0.5 + rng.uniform(40, 170) * 0.5
    return tinted(base, np.exp(weave + 0.09 * picture(rng, shape, 2.5) + 0.08 * picture(rng, shape, 120))), 0.02


def _painted(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Floats, float]:
    base = rng.uniform(60, 225) + rng.normal(0, 11, 3)
    tone = 0.015 * picture(rng, shape, 3) + 0.03 * picture(rng, shape, 150)
    scratch = np.zeros(shape, np.float32)
    for _ in range(int(rng.integers(0, 30))):
        a = rng.integers(0, TILE_PX, 2)
        b = a + rng.normal(0, 90, 2).astype(int)
        cv2.line(scratch, tuple(map(int, a)), tuple(map(int, b)), float(rng.normal(0, 0.25)), 1, cv2.LINE_AA)
    return tinted(np.clip(base, 20, 240), np.exp(tone + scratch)), 0.45


def _stone(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Floats, float]:
    speck = picture(rng, shape, 2.2)
    coarse = picture(rng, shape, 7)
    tone = 0.22 * np.tanh(speck * 1.5) + 0.14 * coarse
    return tinted(rng.uniform(70, 190) + rng.normal(0, 8, 3), np.exp(tone)), 0.3


_TONES = {"wood": _wood, "rubber": _rubber, "metal": _metal, "cloth": _cloth, "painted": _painted, "stone": _stone}


@lru_cache(maxsize=12)
def _page(layout: MatLayout, px_per_mm: float) -> Floats:
    return raster(layout, px_per_mm)


_LINEAR = linear(np.arange(256))


@dataclass(frozen=True)
class Beside:
    """A further sheet and where it lies in the first one's millimetres: turned (radians), then moved."""

    layout: MatLayout
    x_mm: float
    y_mm: float
    turn: float

    def own(self, gx: Floats, gy: Floats) -> tuple[Floats, Floats]:
        """Places on the sheet itself of places in the first one's frame."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = gx - self.x_mm, gy - self.y_mm
        return (c * x + s * y).astype(np.float32), (c * y - s * x).astype(np.float32)

    def placed(self, xy: Floats) -> Floats:
        """(N,2) places in the first one's frame of places on the sheet itself."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return xy @ np.array([[c, s], [-s, c]]) + [self.x_mm, self.y_mm]


def marks(layout: MatLayout | None, beside: Sequence[Beside] = ()) -> Floats:
    """(N,4) left, top, width, height mm of every marker and patch, in the first sheet's frame; its markers come first.

    Those of a further sheet are moved with it but not turned: it lies askew by less than a mark's quiet zone.
    """
    if layout is None:
        return np.zeros((0, 4))
    found = [_rects(layout)]
    for other in beside:
        rects = _rects(other.layout)
        middles = other.placed(rects[:, :2] + rects[:, 2:] / 2)
        found.append(np.hstack([middles - rects[:, 2:] / 2, rects[:, 2:]]))
    return np.concatenate(found)


def _rects(layout: MatLayout) -> Floats:
    return np.array([m.rect_mm for m in layout.markers] + [p.rect_mm for p in layout.patches], float).reshape(-1, 4)


def lay_ground(
    rng: np.random.Generator,
    gx: Floats,
    gy: Floats,
    mm_per_px: float,
    layout: MatLayout | None,
    beside: Sequence[Beside] = (),
    more: np.random.Generator | None = None,
) -> tuple[Floats, Floats, float]:
    """Albedo of every pixel of the empty bench (H,W,3) linear RGB, light kept by the page's edge (H,W), and gloss.

    With `more` the bench is one of the less common.
    """
    top, gloss = bench(rng) if more is None else other_bench(more, (TILE_PX, TILE_PX))
    angle = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(angle) / TILE_MM_PER_PX, np.sin(angle) / TILE_MM_PER_PX
    off = rng.uniform(0, TILE_PX, 2)
    edge = np.ones(gx.shape, np.float32)
    if layout is None:
        u, v = (c * gx - s * gy + off[0]).astype(np.float32), (s * gx + c * gy + off[1]).astype(np.float32)
        return cv2.remap(top, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), edge, gloss
    out, inside = _sheet(layout, gx, gy, mm_per_px)
    for other in beside:
        theirs, there = _sheet(other.layout, *other.own(gx, gy), mm_per_px)
        out = np.where((there & ~inside)[..., None], theirs, out)
        inside |= there
    out *= _paper(rng, gx, gy)
    u, v = (c * gx - s * gy + off[0]).astype(np.float32), (s * gx + c * gy + off[1]).astype(np.float32)
    under = cv2.remap(top, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    cover = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 0.5)[..., None]
    lift = np.clip(cv2.GaussianBlur(inside.astype(np.float32), (0, 0), rng.uniform(1.5, 5)), 0, 1)
    edge = np.where(inside, 1.0, 1 - 0.55 * lift).astype(np.float32)
    return out * cover + under * (1 - cover), edge, float(rng.choice([0.05, 0.15, 0.35]))


def _sheet(layout: MatLayout, gx: Floats, gy: Floats, mm_per_px: float) -> tuple[Floats, NDArray[np.bool_]]:
    """A sheet's albedo at places on it (H,W,3), and which of them lie on it (H,W)."""
    w, h = layout.page_mm
    scale = float(np.clip(2 ** (np.round(np.log2(1.3 / mm_per_px) * 2) / 2), 2, 12))
    page = _page(layout, scale)
    px, py = (gx * scale - 0.5).astype(np.float32), (gy * scale - 0.5).astype(np.float32)
    out = _LINEAR[cv2.remap(page, px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[..., ::-1]]
    return out, (gx >= 0) & (gy >= 0) & (gx <= w) & (gy <= h)


def _paper(rng: np.random.Generator, gx: Floats, gy: Floats) -> Floats:
    """Wear of the printed page (H,W,1): fibre, paper tone, smudges, a crease now and then."""
    h, w = gx.shape
    tone = 1 + 0.006 * picture(rng, (h, w), 2.0) + 0.012 * picture(rng, (h, w), 120)
    if rng.random() < 0.6:
        grime = np.clip(picture(rng, (h, w), rng.uniform(25, 90)) - rng.uniform(1.3, 2.3), 0, 1.5)
        grime *= np.clip(picture(rng, (h, w), rng.uniform(4, 16)) * 0.5 + 0.8, 0, 2)
        tone = tone * np.exp(-0.45 * rng.random() ** 1.6 * grime)
    if rng.random() < 0.3:
        a = rng.uniform(0, np.pi)
        at = np.cos(a) * (gx - rng.uniform(60, 360)) + np.sin(a) * (gy - rng.uniform(40, 250))
        tone = tone * (1 + rng.uniform(-0.1, 0.1) * np.tanh(at / 2) * np.exp(-((at / 18) ** 2)))
    return tone[..., None].astype(np.float32)
