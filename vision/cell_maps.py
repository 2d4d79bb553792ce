"""Per-pixel quantities under the cells, reckoned tile by tile at full size and kept as means at half the size."""

from __future__ import annotations

import cv2
import numpy as np

from vision.lanes import copper_like

_TILE = 256
"""Side of a tile, px: what is reckoned on it stays in the processor's cache."""
_HALO = 8
_REACH_MM = 8.0
"""Tiles farther than this from every cell are left out: no window of per-pixel colour or slope reaches them."""

_COLOUR_WEIGHTS = np.array([[1.0, 0.5, 0.5]], np.float32)
"""Colour counts half in slopes: printing, noise and chroma subsampling live there."""
_SLOPES = ("jxx", "jyy", "jxy", "energy", "c4", "s4")
_COLOURS = ("light", "a", "b", "chroma", "light_square", "chroma_square")
_SHARES = ("copper", "black", "brown", "glint", "clipped")


def halved(img: np.ndarray) -> np.ndarray:
    """The picture at half its size: means of 2 x 2."""
    size = ((img.shape[1] + 1) // 2, (img.shape[0] + 1) // 2)
    return cv2.resize(img, size, interpolation=cv2.INTER_AREA)


def full_scale(mask: np.ndarray) -> np.ndarray:
    """A bool mask as uint8, 0 or 255."""
    return mask.view(np.uint8) * np.uint8(255)


class HalfMaps:
    """Maps at half the size of one canvas window, by name, and window means of them at the cells.

    lab : (H, W, 3) float32; solid, clipped : (H, W) bool; ix, iy : (N,) int cells, px
    """

    def __init__(
        self, lab: np.ndarray, solid: np.ndarray, clipped: np.ndarray, px_per_mm: float, ix: np.ndarray, iy: np.ndarray
    ) -> None:
        self.s, self.ix, self.iy = px_per_mm, ix, iy
        h, w = (lab.shape[0] + 1) // 2, (lab.shape[1] + 1) // 2
        self.shape = (h, w)
        self.maps = {name: np.zeros((h, w), np.float32) for name in (*_SLOPES, *_COLOURS)}
        self.maps |= {name: np.zeros((h, w), np.uint8) for name in _SHARES}
        self.maps["solid"] = halved(full_scale(solid))
        self.lab = np.zeros((h, w, 3), np.float32)
        self._sums: dict[str, np.ndarray] = {}
        self._corners: dict[int, tuple[list[np.ndarray], np.ndarray]] = {}
        for y, x in self._tiles():
            self._fill(lab, solid, clipped, y, x)

    def _tiles(self) -> list[tuple[int, int]]:
        """Corners of the tiles within reach of a cell, full-size px (y, x)."""
        h, w = 2 * self.shape[0], 2 * self.shape[1]
        near = np.zeros((-(-h // _TILE), -(-w // _TILE)), bool)
        reach = round(_REACH_MM * self.s)
        for dy in (-reach, 0, reach):
            for dx in (-reach, 0, reach):
                ty = np.clip(self.iy + dy, 0, h - 1) // _TILE
                tx = np.clip(self.ix + dx, 0, w - 1) // _TILE
                near[ty, tx] = True
        return [(int(y) * _TILE, int(x) * _TILE) for y, x in np.argwhere(near)]

    def _fill(self, lab: np.ndarray, solid: np.ndarray, clipped: np.ndarray, y: int, x: int) -> None:
        """All maps of one tile."""
        y0, x0 = max(y - _HALO, 0), max(x - _HALO, 0)
        wide = lab[y0 : y + _TILE + _HALO, x0 : x + _TILE + _HALO]
        inner = (slice(y - y0, y - y0 + _TILE), slice(x - x0, x - x0 + _TILE))
        here = lab[y : y + _TILE, x : x + _TILE]
        at = (slice(y // 2, (y + _TILE) // 2), slice(x // 2, (x + _TILE) // 2))
        self.lab[at] = halved(here)
        for name, values in (_slopes(wide, self.s, inner) | _colours(here)).items():
            self.maps[name][at] = halved(values)
        full = (slice(y, y + _TILE), slice(x, x + _TILE))
        on_assembly = full_scale(solid[full])
        for name, values in _shares(here).items():
            self.maps[name][at] = halved(values & on_assembly)
        self.maps["clipped"][at] = halved(full_scale(clipped[full]))

    def mean(self, name: str, side_mm: float) -> np.ndarray:
        """(N,) means of a map over squares of ``side_mm`` around the cells; uint8 maps count 255 as 1."""
        values = self.maps[name]
        if name not in self._sums:
            self._sums[name] = cv2.integral(values, sdepth=cv2.CV_32S if values.dtype == np.uint8 else cv2.CV_64F)
        sums = self._sums[name].reshape(-1)
        (low, right, left, high), area = self._window(max(1, round(side_mm * self.s / 2)) | 1)
        total = sums[high] - sums[right] - sums[left] + sums[low]
        return (total / (255.0 * area if values.dtype == np.uint8 else area)).astype(np.float32)

    def _window(self, k: int) -> tuple[list[np.ndarray], np.ndarray]:
        """Places in the sums' raster of the corners of squares of ``k`` px (half size) at the cells; their areas."""
        if k not in self._corners:
            h, w = self.shape
            x, y = self.ix // 2, self.iy // 2
            x0, x1 = np.maximum(x - k // 2, 0), np.minimum(x + k // 2 + 1, w)
            y0, y1 = np.maximum(y - k // 2, 0), np.minimum(y + k // 2 + 1, h)
            corners = [yy * (w + 1) + xx for yy, xx in ((y0, x0), (y0, x1), (y1, x0), (y1, x1))]
            self._corners[k] = corners, ((x1 - x0) * (y1 - y0)).astype(np.float64)
        return self._corners[k]


def _slopes(lab: np.ndarray, s: float, inner: tuple[slice, slice]) -> dict[str, np.ndarray]:
    """Structure tensor of the colour, (L/mm)², its trace, and its fourfold angle: 0 and 90 degrees coincide."""
    smooth = cv2.GaussianBlur(lab, (0, 0), 0.22 * s)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125 * s)[inner]
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125 * s)[inner]
    jxx, jyy, jxy = (
        cv2.transform(cv2.multiply(one, other), _COLOUR_WEIGHTS) for one, other in ((gx, gx), (gy, gy), (gx, gy))
    )
    energy = jxx + jyy
    energy += np.float32(1e-6)
    difference = jxx - jyy
    twice = jxy + jxy
    share = difference / energy
    c4 = difference * share
    c4 -= twice * (twice / energy)
    s4 = np.float32(2) * share
    s4 *= twice
    return {"jxx": jxx, "jyy": jyy, "jxy": jxy, "energy": energy, "c4": c4, "s4": s4}


def _colours(lab: np.ndarray) -> dict[str, np.ndarray]:
    light, a, b = cv2.split(lab)
    chroma_square = a * a
    chroma_square += b * b
    return {
        "light": light, "a": a, "b": b, "chroma": np.sqrt(chroma_square), "light_square": light * light,
        "chroma_square": chroma_square,
    }  # fmt: skip


def _shares(lab: np.ndarray) -> dict[str, np.ndarray]:
    """What looks like copper, char, scorched brown and glint, uint8 0 or 255."""
    light, a, b = cv2.split(lab)
    reddish = (a > 7) & (b > 8) & (b > np.float32(0.55) * a)
    pale = a * a + b * b < 14**2
    kinds = {
        "copper": copper_like(light, a, b),
        "black": (light < 22) & pale,
        "brown": reddish & (b < np.float32(2.4) * a) & (light < 40),
        "glint": (light > 88) & pale,
    }
    return {name: full_scale(kind) for name, kind in kinds.items()}
