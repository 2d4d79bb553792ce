"""The drawing board of the parts: a height field in millimetres on which reliefs are laid, cut and painted."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sample_images.sprites import Sprite

RGB = tuple[float, float, float]

# Linear reflectances of moulding compounds, by IEC 60757 code or trade word.
PLASTICS: dict[str, RGB] = {
    "BK": (0.028, 0.028, 0.030),
    "WH": (0.72, 0.71, 0.68),
    "natural": (0.62, 0.56, 0.44),
    "beige": (0.52, 0.42, 0.28),
    "GY": (0.20, 0.205, 0.21),
    "BN": (0.095, 0.045, 0.026),
    "BU": (0.022, 0.075, 0.36),
    "GN": (0.03, 0.21, 0.075),
    "RD": (0.42, 0.025, 0.025),
    "YE": (0.68, 0.44, 0.03),
    "VT": (0.14, 0.045, 0.26),
    "PK": (0.66, 0.27, 0.33),
    "OG": (0.62, 0.17, 0.02),
    "TQ": (0.03, 0.33, 0.36),
}


def jitter_colour(rng: np.random.Generator, rgb: RGB, amount: float = 0.18) -> RGB:
    """The same colour from another batch: brightness and, less, hue moved."""
    scale = np.exp(rng.normal(0, amount)) * np.exp(rng.normal(0, amount / 5, 3))
    r, g, b = np.clip(np.asarray(rgb) * scale, 0.008, 0.85)
    return float(r), float(g), float(b)


def scratch(image: np.ndarray, a: np.ndarray, b: np.ndarray, value: int) -> None:
    """Draw a one-pixel line from a to b (x, y pixels, fractions kept) into a uint8 image."""
    (ax, ay), (bx, by) = ((round(float(v) * 8) for v in p) for p in (a, b))
    cv2.line(image, (ax, ay), (bx, by), value, 1, cv2.LINE_AA, 3)


def fixed_point(points_px: np.ndarray) -> np.ndarray:
    """(N, 2) int32 with four fractional bits, as OpenCV's drawing takes with shift 4."""
    return np.round(np.asarray(points_px) * 16).astype(np.int32)


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], cell_px: float) -> np.ndarray:
    """(h, w) float32 noise, mean 0, deviation about 1, features about `cell_px` wide."""
    h, w = shape
    small = rng.standard_normal((max(2, round(h / cell_px) + 2), max(2, round(w / cell_px) + 2))).astype(np.float32)
    if cell_px <= 1:
        return small[:h, :w]
    out = cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    return out / max(float(out.std()), 1e-6)


@dataclass(frozen=True, eq=False)
class Patch:
    """A window of the canvas and how far each of its pixels is covered."""

    window: tuple[slice, slice]
    cover: np.ndarray  # (h, w) float32 0..1
    u: np.ndarray  # (1, w) 0..1 along x of the shape
    v: np.ndarray  # (h, 1) 0..1 along y of the shape


class Canvas:
    """Part under construction. `x`, `y` in mm from the anchor; x away from the wires, y down."""

    def __init__(self, x_range_mm: tuple[float, float], y_range_mm: tuple[float, float], px_per_mm: float, rgb: RGB):
        self.ppm = px_per_mm
        self.rgb = rgb
        self.x0 = float(np.floor(x_range_mm[0] * px_per_mm) / px_per_mm)
        self.y0 = float(np.floor(y_range_mm[0] * px_per_mm) / px_per_mm)
        w = int(np.ceil((x_range_mm[1] - self.x0) * px_per_mm)) + 1
        h = int(np.ceil((y_range_mm[1] - self.y0) * px_per_mm)) + 1
        self.x = (self.x0 + np.arange(w, dtype=np.float32) / px_per_mm)[None, :].astype(np.float32)
        self.y = (self.y0 + np.arange(h, dtype=np.float32) / px_per_mm)[:, None].astype(np.float32)
        self.height = np.zeros((h, w), np.float32)
        self.albedo = np.broadcast_to(np.asarray(rgb, np.float32), (h, w, 3)).copy()
        self.gloss = np.full((h, w), 0.25, np.float32)
        self.metal = np.zeros((h, w), np.float32)
        self.mask = np.zeros((h, w), bool)
        self.damage = np.zeros((h, w), np.uint8)

    @property
    def shape(self) -> tuple[int, int]:
        return self.mask.shape[0], self.mask.shape[1]

    def to_px(self, points_mm: np.ndarray) -> np.ndarray:
        """(N, 2) mm from the anchor to (N, 2) pixels, x right, y down, centres at integers."""
        return (np.asarray(points_mm, float) - (self.x0, self.y0)) * self.ppm

    def cover(self, distance_mm: np.ndarray) -> np.ndarray:
        """Signed distance (below 0 inside) to coverage 0..1, antialiased over one pixel."""
        return np.clip(0.5 - distance_mm * self.ppm, 0, 1).astype(np.float32)

    def rect(self, x: tuple[float, float], y: tuple[float, float], radius_mm: float = 0.0) -> Patch:
        """A rectangle with rounded corners, as a patch clipped to the canvas."""
        pad = 1.5 / self.ppm
        cols = self._range(x[0] - pad, x[1] + pad, self.x0, self.shape[1])
        rows = self._range(y[0] - pad, y[1] + pad, self.y0, self.shape[0])
        xx, yy = self.x[:, cols], self.y[rows]
        d = rounded_box(xx, yy, x, y, radius_mm)
        u = np.clip((xx - x[0]) / max(x[1] - x[0], 1e-6), 0, 1)
        v = np.clip((yy - y[0]) / max(y[1] - y[0], 1e-6), 0, 1)
        return Patch((rows, cols), self.cover(d), u, v)

    def disc(self, x: float, y: float, radius_mm: float) -> Patch:
        """A disc, as a patch clipped to the canvas."""
        return self.rect((x - radius_mm, x + radius_mm), (y - radius_mm, y + radius_mm), radius_mm)

    def whole(self, cover: np.ndarray) -> Patch:
        """A patch over the whole canvas."""
        return Patch((slice(None), slice(None)), cover, np.zeros((1, 1), np.float32), np.zeros((1, 1), np.float32))

    def raise_by(self, patch: Patch, dz_mm: float | np.ndarray) -> None:
        self.height[patch.window] += patch.cover * dz_mm

    def set_height(self, patch: Patch, z_mm: float | np.ndarray) -> None:
        h = self.height[patch.window]
        h += patch.cover * (z_mm - h)

    def paint(self, patch: Patch, rgb: RGB | np.ndarray, share: float = 1.0) -> None:
        a = self.albedo[patch.window]
        a += (share * patch.cover)[..., None] * (np.asarray(rgb, np.float32) - a)

    def shade(self, patch: Patch, factor: float) -> None:
        """Multiply the albedo: dirt, or the dark of a deep opening."""
        self.albedo[patch.window] *= (1 + patch.cover * (factor - 1))[..., None]

    def material(self, patch: Patch, gloss: float, metal: float = 0.0) -> None:
        for field, value in ((self.gloss, gloss), (self.metal, metal)):
            f = field[patch.window]
            f += patch.cover * (value - f)

    def sprite(self, kind: str, **facts: object) -> Sprite:
        """Crop to the mask with two pixels to spare and freeze."""
        rows, cols = np.flatnonzero(self.mask.any(1)), np.flatnonzero(self.mask.any(0))
        r = slice(max(rows[0] - 2, 0), rows[-1] + 3)
        c = slice(max(cols[0] - 2, 0), cols[-1] + 3)
        m = self.mask[r, c]
        ax, ay = self.to_px(np.zeros((1, 2)))[0]
        return Sprite(
            kind=kind,
            albedo=np.clip(self.albedo[r, c], 0.004, 0.92).astype(np.float32),
            height_mm=np.where(m, np.maximum(self.height[r, c], 0.05), 0).astype(np.float32),
            mask=m.copy(),
            gloss=np.clip(self.gloss[r, c], 0, 1).astype(np.float32),
            metal=np.clip(self.metal[r, c], 0, 1).astype(np.float32),
            damage=np.where(m, self.damage[r, c], 0).astype(np.uint8),
            px_per_mm=self.ppm,
            anchor_px=(float(ax - c.start), float(ay - r.start)),
            **facts,  # type: ignore[arg-type]
        )

    def _range(self, low_mm: float, high_mm: float, origin_mm: float, size: int) -> slice:
        a = int(np.clip(np.floor((low_mm - origin_mm) * self.ppm), 0, size))
        b = int(np.clip(np.ceil((high_mm - origin_mm) * self.ppm) + 1, a, size))
        return slice(a, b)


def rounded_box(
    xx: np.ndarray, yy: np.ndarray, x: tuple[float, float], y: tuple[float, float], radius_mm: float
) -> np.ndarray:
    """Signed distance in mm to a rectangle with rounded corners; below 0 inside."""
    r = min(radius_mm, (x[1] - x[0]) / 2, (y[1] - y[0]) / 2)
    qx = np.abs(xx - (x[0] + x[1]) / 2) - ((x[1] - x[0]) / 2 - r)
    qy = np.abs(yy - (y[0] + y[1]) / 2) - ((y[1] - y[0]) / 2 - r)
    outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0))
    return outside + np.minimum(np.maximum(qx, qy), 0) - r
