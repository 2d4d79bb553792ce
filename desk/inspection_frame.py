"""Puts a title, a legend and a scale bar under a picture, so that it can be read by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

Bgr = tuple[int, int, int]
PAPER, INK = (250, 250, 248), (40, 36, 32)
_Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
_BARS_MM = (200, 100, 50, 20, 10, 5)


@dataclass(frozen=True)
class Key:
    """One entry of a legend: a colour and its words."""

    colour: Bgr
    words: str


@dataclass(frozen=True)
class Ramp:
    """The colours of a heat map and the values at its ends."""

    low: float
    high: float
    unit: str


def heat_colours(values: np.ndarray, ramp: Ramp) -> np.ndarray:
    """(..., 3) uint8 BGR of (...) values: dark is low, yellow high, readable without seeing colour."""
    share = np.clip((values - ramp.low) / max(ramp.high - ramp.low, 1e-9), 0, 1)
    level = np.rint(share * 255).astype(np.uint8)
    return cv2.applyColorMap(level.reshape(-1, 1), cv2.COLORMAP_VIRIDIS).reshape(*values.shape, 3)


def framed(bgr: np.ndarray, title: str, legend: Sequence[Key] | Ramp, px_per_mm: float | None) -> np.ndarray:
    """(H, W, 3) uint8 with a band below: title, legend, and a bar of round length (none: why there is none)."""
    unit = max(14, round(bgr.shape[1] / 70))
    columns = max(1, bgr.shape[1] // (17 * unit))
    rows = 2 if isinstance(legend, Ramp) else -(-len(legend) // columns)
    band = Image.new("RGB", (bgr.shape[1], round((3.6 + 1.7 * rows) * unit)), PAPER)
    draw, font = ImageDraw.Draw(band), ImageFont.load_default(size=unit)
    _scale_bar(draw, font, unit, band.width, px_per_mm)
    draw.text((unit, 0.6 * unit), title, INK, font)
    if isinstance(legend, Ramp):
        _ramp(band, draw, font, unit, legend)
    else:
        for i, key in enumerate(legend):
            x, y = unit + (i % columns) * 17 * unit, (3.0 + 1.7 * (i // columns)) * unit
            draw.rectangle((x, y, x + unit, y + unit), key.colour[::-1], INK)
            draw.text((x + 1.5 * unit, y - 0.1 * unit), key.words, INK, font)
    return np.vstack([bgr, np.asarray(band)[..., ::-1]])


def _scale_bar(draw: ImageDraw.ImageDraw, font: _Font, unit: int, width: int, s: float | None) -> None:
    """At the band's right end, at most a quarter of its width."""
    if s is None:
        draw.text((width - unit, 0.6 * unit), "no scale", INK, font, anchor="ra")
        return
    mm = next((b for b in _BARS_MM if b * s <= width / 4), _BARS_MM[-1])
    right, y = width - unit, 2.0 * unit
    draw.rectangle((right - mm * s, y, right, y + max(2, unit // 5)), INK)
    for x in (right - mm * s, right):
        draw.line((x, y - unit / 3, x, y + unit / 2), INK, max(1, unit // 10))
    draw.text((right - mm * s / 2, 0.6 * unit), f"{mm} mm", INK, font, anchor="ma")


def _ramp(band: Image.Image, draw: ImageDraw.ImageDraw, font: _Font, unit: int, ramp: Ramp) -> None:
    width, y = band.width // 3, round(3.0 * unit)
    strip = heat_colours(np.tile(np.linspace(ramp.low, ramp.high, width), (unit, 1)), ramp)
    band.paste(Image.fromarray(np.ascontiguousarray(strip[..., ::-1])), (unit, y))
    draw.text((unit, y + 1.3 * unit), f"{ramp.low:.3g}", INK, font)
    draw.text((unit + width, y + 1.3 * unit), f"{ramp.high:.3g} {ramp.unit}".strip(), INK, font, anchor="ra")


def hatched(bgr: np.ndarray, mask: np.ndarray, colour: Bgr, step: int = 9) -> np.ndarray:
    """The picture with a mask drawn as slanted lines, what lies below still to be seen."""
    out = bgr.copy()
    y, x = np.arange(mask.shape[0])[:, None], np.arange(mask.shape[1])[None, :]
    out[mask & ((x + y) % step < 2)] = colour
    return out
