"""Thin things on the bench under everything: notes on paper, strips of tape, cloth, a scale, stains."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.colours import linear
from sample_images.noise import picture

Floats = NDArray[Any]
PX_PER_MM = 6.0
_KINDS = ("note", "tape", "cloth", "scale", "stain")
_ODDS = (0.32, 0.25, 0.13, 0.1, 0.2)
_TAPES = ((34, 74, 168), (196, 36, 34), (232, 196, 40), (36, 128, 66), (226, 222, 208), (208, 176, 120), (30, 30, 31))


def lay_flat(
    rng: np.random.Generator,
    albedo: Floats,
    edge: Floats,
    ground: tuple[Floats, Floats],
    mm_per_px: float,
    marks: Floats,
) -> None:
    """Lay 1 to 4 thin things on the ground, in place: their albedo (H,W,3), and the light (H,W) that their edges take.

    ground : (H,W) x and y in mm of every pixel; marks : (N,4) left, top, width, height mm to keep clear of
    """
    gx, gy = ground
    for dice in rng.spawn(int(rng.choice([1, 2, 3, 4], p=[0.45, 0.3, 0.15, 0.1]))):
        kind = str(dice.choice(_KINDS, p=_ODDS))
        tile, cover = _MAKE[kind](dice)
        for _ in range(12):
            row, col = (int(dice.integers(n)) for n in gx.shape)
            turn = float(dice.uniform(0, 2 * np.pi))
            size = np.array(cover.shape[::-1]) / PX_PER_MM
            place = (float(gx[row, col]), float(gy[row, col]), turn)
            if _keeps_off(marks, place, size):
                _lay(albedo, edge, ground, mm_per_px, place, tile, cover, kind != "stain")
                break


def _keeps_off(marks: Floats, place: tuple[float, float, float], size: Floats) -> bool:
    """Whether no mark lies under it."""
    *xy, turn = place
    middle = marks[:, :2] + marks[:, 2:] / 2 - xy
    c, s = np.cos(turn), np.sin(turn)
    own = np.column_stack([c * middle[:, 0] + s * middle[:, 1], c * middle[:, 1] - s * middle[:, 0]])
    half = np.hypot(marks[:, 2], marks[:, 3]) / 2
    return not (np.abs(own) < size / 2 + half[:, None]).all(1).any()


def _lay(
    albedo: Floats,
    edge: Floats,
    ground: tuple[Floats, Floats],
    mm_per_px: float,
    place: tuple[float, float, float],
    tile: Floats,
    cover: Floats,
    casts: bool,
) -> None:
    h, w = cover.shape
    gx, gy = ground
    x, y, turn = place
    c, s = np.cos(turn), np.sin(turn)
    reach = float(np.hypot(w, h)) / PX_PER_MM / 2 + 3
    near = (np.abs(gx - x) < reach) & (np.abs(gy - y) < reach)
    rows, cols = np.flatnonzero(near.any(1)), np.flatnonzero(near.any(0))
    if len(rows) < 3 or len(cols) < 3:
        return
    win = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
    dx, dy = gx[win] - np.float32(x), gy[win] - np.float32(y)
    u = ((c * dx + s * dy) * PX_PER_MM + w / 2).astype(np.float32)
    v = ((c * dy - s * dx) * PX_PER_MM + h / 2).astype(np.float32)
    on = cv2.remap(cover.astype(np.float32), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    # strokes thinner than a pixel are seen as the mean of what they cover
    fine = cv2.GaussianBlur(tile.astype(np.float32), (0, 0), max(PX_PER_MM * mm_per_px / 2.5, 0.3))
    look = cv2.remap(fine, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if casts:
        rim = cv2.GaussianBlur(on, (0, 0), max(0.6, 0.7 / mm_per_px))
        edge[win] = np.where(on > 0.5, edge[win], edge[win] * (1 - 0.35 * rim))
    albedo[win] += on[..., None] * (look - albedo[win])


def _blank(rng: np.random.Generator, w_mm: float, h_mm: float, tone: Floats) -> tuple[Floats, Floats]:
    shape = (int(h_mm * PX_PER_MM), int(w_mm * PX_PER_MM))
    grain = 1 + 0.02 * picture(rng, shape, 3) + 0.03 * picture(rng, shape, 60)
    return (tone[None, None] * grain[..., None]).astype(np.float32), np.ones(shape, np.float32)


def _note(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Paper, ruled or squared, with strokes like handwriting, a crease now and then."""
    tones = ((244, 242, 234), (244, 242, 234), (246, 228, 110), (232, 214, 178), (188, 222, 236))
    w, h = rng.uniform(45, 120), rng.uniform(40, 90)
    tile, cover = _blank(rng, w, h, linear(tones[int(rng.integers(len(tones)))]))
    rows, cols = cover.shape
    pitch = rng.uniform(4.5, 9.0) * PX_PER_MM
    rule = rng.random()
    ink = np.zeros((rows, cols), np.uint8)
    if rule < 0.7:
        for y in np.arange(pitch, rows, pitch):
            cv2.line(ink, (0, int(y)), (cols, int(y)), 255, 1)
        if rule < 0.25:
            for x in np.arange(pitch, cols, pitch):
                cv2.line(ink, (int(x), 0), (int(x), rows), 255, 1)
    _stain(tile, ink, linear((120, 150, 200)), 0.5)
    pen = np.zeros((rows, cols), np.uint8)
    for y in np.arange(pitch * 1.9, rows - pitch / 2, pitch * rng.choice([1, 1, 2])):
        x, end = rng.uniform(0.05, 0.2) * cols, rng.uniform(0.4, 0.95) * cols
        while x < end:  # a word: a wave that wanders
            n = int(rng.integers(12, 50))
            t = np.arange(n)
            up = np.cumsum(rng.normal(0, 1, n)) * 0.08 + np.sin(t * rng.uniform(0.9, 1.5)) * rng.uniform(0.5, 1.1)
            px = x + t * pitch * 0.055
            py = y - np.clip(up, -1.6, 2.2) * pitch * 0.22 - pitch * 0.25
            cv2.polylines(
                pen, [np.column_stack([px, py]).astype(np.int32)], False, 255, int(rng.integers(1, 4)), cv2.LINE_AA
            )
            x = px[-1] + pitch * rng.uniform(0.3, 0.6)
    _stain(tile, pen, linear(((26, 40, 130), (30, 30, 32), (170, 30, 34))[int(rng.integers(3))]), 0.85)
    if rng.random() < 0.4:
        at = (np.arange(cols)[None] - cols * rng.uniform(0.3, 0.7)) / PX_PER_MM
        tile *= (1 - 0.12 * np.tanh(at) * np.exp(-((at / 6) ** 2)))[..., None]
    return tile, cover


def _stain(tile: Floats, ink: NDArray[np.uint8], tone: Floats, share: float) -> None:
    amount = (ink.astype(np.float32) / 255 * share)[..., None]
    tile += amount * (tone - tile)


def _tape(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A strip torn off a roll, its short ends toothed."""
    w, h = rng.uniform(35, 160), rng.choice([12.0, 15.0, 19.0, 25.0])
    tile, cover = _blank(rng, w, h, linear(_TAPES[int(rng.integers(len(_TAPES)))]))
    rows, cols = cover.shape
    teeth = (
        np.abs((np.arange(rows) / PX_PER_MM / 1.4) % 1 - 0.5) * 1.4 * PX_PER_MM + 2 * picture(rng, (rows, 3), 9)[:, 0]
    )
    x = np.arange(cols)[None]
    cover *= (x > teeth[:, None]) & (x < cols - 2 - teeth[::-1, None])
    tile *= (1 + 0.06 * np.abs(np.sin(np.arange(cols) / 90 + rng.uniform(0, 6))))[None, :, None]
    return tile, cover


def _cloth(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A rag: woven, checked or plain, in folds, with an uneven outline."""
    w, h = rng.uniform(80, 180), rng.uniform(70, 140)
    tones = ((170, 40, 40), (70, 100, 150), (214, 208, 196), (120, 120, 118), (196, 150, 90), (60, 90, 70))
    tile, cover = _blank(rng, w, h, linear(tones[int(rng.integers(len(tones)))]))
    rows, cols = cover.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    bend = 25 * picture(rng, (rows, cols), 220)
    if rng.random() < 0.6:
        pitch = rng.uniform(6, 14) * PX_PER_MM
        check = ((x + bend) % pitch < pitch * 0.4).astype(np.float32) + ((y + bend) % pitch < pitch * 0.4)
        tile *= (1 - 0.3 * check)[..., None]
    tile *= (1 + 0.13 * np.sin(x * 1.7 + bend) * np.sin(y * 1.7))[..., None]
    turn = rng.uniform(0, np.pi)
    fold = np.sin(
        (np.cos(turn) * x + np.sin(turn) * y) / (PX_PER_MM * rng.uniform(5, 11)) + 1.7 * picture(rng, (rows, cols), 130)
    )
    tile *= np.exp(0.28 * fold + 0.1 * picture(rng, (rows, cols), 50))[..., None]
    rim = np.minimum(np.minimum(x, cols - x), np.minimum(y, rows - y)) / PX_PER_MM
    cover *= rim > 4 + 2.5 * picture(rng, (rows, cols), 120)
    return tile, cover


def _scale(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """A worn rule of steel, wood or plastic with strokes of no use for measuring."""
    tones = ((168, 168, 166), (206, 172, 112), (228, 226, 210), (236, 190, 40))
    w, h = rng.uniform(120, 200), rng.uniform(14, 28)
    tile, cover = _blank(rng, w, h, linear(tones[int(rng.integers(len(tones)))]))
    ink = np.zeros(cover.shape, np.uint8)
    pitch = PX_PER_MM * rng.uniform(0.97, 1.03)
    for k, x in enumerate(np.arange(4 * PX_PER_MM, cover.shape[1] - 4 * PX_PER_MM, pitch)):
        deep = int((5 if k % 10 == 0 else 4 if k % 5 == 0 else 2.8) * PX_PER_MM)
        cv2.line(ink, (int(x), 0), (int(x), deep), 255, 2 if k % 5 == 0 else 1)
    _stain(tile, ink, linear((34, 34, 34)), 0.8)
    tile *= np.exp(0.12 * picture(rng, (cover.shape[0], cover.shape[1]), 40))[..., None]
    return tile, cover


def _spill(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Oil, coffee or a ring that a cup left."""
    size = rng.uniform(25, 90)
    tile, cover = _blank(rng, size, size, linear(((60, 46, 30), (36, 30, 26), (120, 84, 44))[int(rng.integers(3))]))
    rows, cols = cover.shape
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    d = np.hypot(x - cols / 2, y - rows / 2) / (cols / 2) + 0.09 * picture(rng, (rows, cols), 60)
    if rng.random() < 0.4:
        on = np.exp(-(((d - 0.75) / 0.035) ** 2)) * (0.5 + 0.3 * picture(rng, (rows, cols), 90))
    else:
        on = np.clip((0.8 - d) * 9, 0, 1) * (0.6 + 0.5 * np.exp(-(((d - 0.74) / 0.06) ** 2)))
    return tile, np.clip(on * rng.uniform(0.15, 0.5), 0, 0.6).astype(np.float32)


_MAKE = {"note": _note, "tape": _tape, "cloth": _cloth, "scale": _scale, "stain": _spill}
