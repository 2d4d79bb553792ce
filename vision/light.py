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

PAGE_LINEAR = 0.92
"""Linear reflectance that white paper is brought to; leaves head-room for highlights."""


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


def light_surface(linear_small: np.ndarray, ground: np.ndarray, degree: int = 4, rounds: int = 6) -> np.ndarray:
    """Smooth light on the ground, fitted to log intensity with one-sided rejection of what is darker.

    linear_small : (h, w, 3) float32 linear intensities; ground : (h, w) bool, where ground may be seen.
    Returns (h, w, 3) float32. Objects and shadows are darker than the ground, so
    points far below the surface leave the fit sooner than points above it.
    """
    h, w = ground.shape
    basis = _basis(h, w, degree)
    logs = np.log(np.maximum(linear_small.reshape(-1, 3), 1e-4))
    luminance = logs.mean(axis=1)
    use = ground.ravel() & (luminance > np.percentile(luminance[ground.ravel()], 35))
    for _ in range(rounds):
        coefficients, *_ = np.linalg.lstsq(basis[use], logs[use], rcond=None)
        residual = logs - basis @ coefficients
        worst = residual.min(axis=1)
        chroma = np.ptp(residual, axis=1)
        spread = 1.4826 * np.median(np.abs(residual[use])) + 0.01
        # three spreads below, four above: shadows are dark, glare is rare
        use = ground.ravel() & (worst > -3 * spread) & (residual.max(axis=1) < 4 * spread) & (chroma < 4 * spread)
        if use.sum() < 8 * basis.shape[1]:
            use = ground.ravel() & (luminance > np.percentile(luminance[ground.ravel()], 60))
    return np.exp(basis @ coefficients).reshape(h, w, 3).astype(np.float32)


def even_light(bgr: np.ndarray, ground: np.ndarray, white_ground: bool, shrink: int = 8) -> EvenLight:
    """Divide a canvas by the light on its ground.

    bgr : (H, W, 3) uint8; ground : (H, W) bool, pixels where only ground or the assembly lies
    (not printed marks, not outside the page). With ``white_ground`` the ground becomes neutral
    white; otherwise only the unevenness goes and the ground keeps its mean colour.
    """
    h, w = bgr.shape[:2]
    small = cv2.resize(bgr, (max(8, w // shrink), max(8, h // shrink)), interpolation=cv2.INTER_AREA)
    ground_small = cv2.resize(ground.astype(np.uint8), (small.shape[1], small.shape[0]), interpolation=cv2.INTER_NEAREST)
    linear_small = _SRGB_TO_LINEAR[small]
    surface = light_surface(linear_small, ground_small > 0)
    if white_ground:
        gain_small = PAGE_LINEAR / surface
    else:
        gain_small = surface.mean(axis=(0, 1), keepdims=True) / surface
    gain = cv2.resize(gain_small, (w, h), interpolation=cv2.INTER_LINEAR)
    linear = _SRGB_TO_LINEAR[bgr]
    linear *= gain
    np.minimum(linear, 1.3, out=linear)
    lab = cv2.cvtColor(linear, cv2.COLOR_LBGR2Lab)
    brightest, darkest = bgr.max(axis=2), bgr.max(axis=2)
    clipped = (brightest >= 254) | (darkest <= 3)
    on_ground = ground[::4, ::4]
    light = lab[::4, ::4, 0][on_ground]
    noise = 1.4826 * float(np.median(np.abs(light - np.median(light)))) if light.size else 0.0
    return EvenLight(lab=lab, clipped=clipped, ground_noise=noise)
