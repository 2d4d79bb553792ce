"""Evens the light: divides a picture by the light that falls on its (white or uniform) ground."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

_SRGB_TO_LINEAR = np.where(
    np.arange(256) / 255.0 <= 0.04045,
    np.arange(256) / 255.0 / 12.92,
    ((np.arange(256) / 255.0 + 0.055) / 1.055) ** 2.4,
).astype(np.float32)
"""IEC 61966-2-1 transfer function for every 8-bit value."""


def magnitude(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """sqrt(a² + b²), the same to the last bit on every run: OpenCV's own depends on how memory happens to lie."""
    return np.sqrt(a * a + b * b)


PAGE_LINEAR = 0.92
"""Linear reflectance that white paper is brought to; leaves head-room for highlights."""
_BRIGHTEST = 1.3
_STRIP_ROWS = 64
"""Rows worked on at once: the strip stays in the processor's cache."""


@dataclass(frozen=True)
class EvenLight:
    """A picture whose ground is evenly lit and neutral.

    lab : (H, W, 3) float32, CIELAB (D65) with L 0..100; the ground of a mat is near (97, 0, 0)
    clipped : (H, W) bool, pixels burnt out or black in the photograph
    ground_noise : float, robust spread of L on the ground
    """

    lab: np.ndarray
    clipped: np.ndarray
    ground_noise: float


def _basis(h: int, w: int, degree: int) -> np.ndarray:
    """Polynomial terms x^i y^j, i + j <= degree, on [-1, 1]², as (h * w, terms) float32."""
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    terms = [x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.stack([t.ravel() for t in terms], axis=1).astype(np.float32)


def _least_squares(basis: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Coefficients by the normal equations, held by a whisper of ridge where the ground is seen in a corner only."""
    gram = (basis.T @ basis).astype(np.float64)
    gram[np.diag_indices_from(gram)] += 1e-6 * len(basis)
    return np.linalg.solve(gram, (basis.T @ values).astype(np.float64)).astype(np.float32)


def light_surface(linear_small: np.ndarray, ground: np.ndarray, degree: int = 4, rounds: int = 6) -> np.ndarray:
    """Smooth light on the ground, fitted to log intensity with one-sided rejection of what is darker.

    linear_small : (h, w, 3) float32 linear intensities; ground : (h, w) bool, where ground may be seen.
    Returns (h, w, 3) float32. Objects and shadows are darker than the ground, so
    points far below the surface leave the fit sooner than points above it.
    """
    h, w = ground.shape
    basis = _basis(h, w, degree)
    seen = ground.ravel()
    if seen.sum() < 4 * basis.shape[1]:
        seen = np.ones_like(seen)
    known = basis[seen]
    logs = np.log(np.maximum(linear_small.reshape(-1, 3)[seen], 1e-4))
    luminance = logs.mean(axis=1)
    use = luminance > np.percentile(luminance, 35)
    for _ in range(rounds):
        if use.sum() < 8 * basis.shape[1]:
            use = luminance >= np.percentile(luminance, 60)
        coefficients = _least_squares(known[use], logs[use])
        blue, green, red = (logs - known @ coefficients).T
        lowest = np.minimum(np.minimum(blue, green), red)
        highest = np.maximum(np.maximum(blue, green), red)
        spread = 1.4826 * float(np.median(np.abs(green[use]))) + 0.01
        # three spreads below, four above: shadows are dark, glare is rare
        use = (lowest > -3 * spread) & (highest < 4 * spread) & (highest - lowest < 4 * spread)
    return np.exp(basis @ coefficients).reshape(h, w, 3)


def even_light(bgr: np.ndarray, ground: np.ndarray, white_ground: bool, shrink: int = 12) -> EvenLight:
    """Divide a canvas by the light on its ground.

    bgr : (H, W, 3) uint8; ground : (H, W) bool, pixels where only ground or the assembly lies
    (not printed marks, not outside the page). With ``white_ground`` the ground becomes neutral
    white; otherwise only the unevenness goes and the ground keeps its mean colour.
    """
    h, w = bgr.shape[:2]
    shrink = max(1, min(shrink, h // 8, w // 8))
    rows, columns = h // shrink, w // shrink
    small = cv2.resize(bgr[: rows * shrink, : columns * shrink], (columns, rows), interpolation=cv2.INTER_AREA)
    on_ground = ground[shrink // 2 :: shrink, shrink // 2 :: shrink][:rows, :columns]
    surface = light_surface(_SRGB_TO_LINEAR[small], on_ground)
    wanted = PAGE_LINEAR if white_ground else surface.mean(axis=(0, 1), keepdims=True)
    lab = _divided(bgr, (wanted / surface).astype(np.float32), shrink)
    clipped = cv2.inRange(bgr, (0, 0, 0), (253, 253, 253)) == 0
    clipped |= cv2.inRange(bgr, (0, 0, 0), (3, 3, 3)) > 0
    light = lab[::6, ::6, 0][ground[::6, ::6]]
    noise = 1.4826 * float(np.median(np.abs(light - np.median(light)))) if light.size else 0.0
    return EvenLight(lab=lab, clipped=clipped, ground_noise=noise)


def _divided(bgr: np.ndarray, gain_small: np.ndarray, shrink: int) -> np.ndarray:
    """(H, W, 3) float32 CIELAB of the picture times the gain (one value every `shrink` px), strip by strip."""
    h, w = bgr.shape[:2]
    rows, columns = gain_small.shape[:2]
    wide = cv2.resize(gain_small, (columns * shrink, rows), interpolation=cv2.INTER_LINEAR)
    wide = cv2.copyMakeBorder(wide, 1, 2, 0, w - columns * shrink, cv2.BORDER_REPLICATE)
    lab = np.empty((h, w, 3), np.float32)
    blocks = max(1, _STRIP_ROWS // shrink)
    for k in range(0, rows + 1, blocks):
        part = wide[k : k + blocks + 2]
        cut = slice(k * shrink, min((k + blocks) * shrink, h))
        if cut.start >= cut.stop:
            break
        # a sample of the small picture stands for the middle of its block: one more on either side
        gain = cv2.resize(part, (w, len(part) * shrink), interpolation=cv2.INTER_LINEAR)
        linear = cv2.LUT(bgr[cut], _SRGB_TO_LINEAR)
        cv2.multiply(linear, gain[shrink : shrink + len(linear)], linear)
        np.minimum(linear, np.float32(_BRIGHTEST), out=linear)
        cv2.cvtColor(linear, cv2.COLOR_LBGR2Lab, lab[cut])
    return lab
