"""Separates the assembly from the ground it lies on."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.light import EvenLight


@dataclass(frozen=True)
class Foreground:
    """What is not ground.

    solid : (H, W) bool, everything of the assembly, gaps between wires kept open
    filled : (H, W) bool, the same with inner gaps closed, for width and outline
    """

    solid: np.ndarray
    filled: np.ndarray


def _disc(radius_px: float) -> np.ndarray:
    r = max(1, round(radius_px))
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))


def gradient_magnitude(light: np.ndarray, sigma_px: float) -> np.ndarray:
    """Slope of L per pixel after smoothing, (H, W) float32."""
    smooth = cv2.GaussianBlur(light, (0, 0), sigma_px)
    dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125)
    dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125)
    return cv2.magnitude(dx, dy)


def _hysteresis(strong: np.ndarray, weak: np.ndarray, min_strong_px: int) -> np.ndarray:
    """Weak components that hold at least ``min_strong_px`` strong pixels."""
    n, labels = cv2.connectedComponents(weak.astype(np.uint8), connectivity=8)
    hits = np.bincount(labels[strong & weak], minlength=n)
    keep = hits >= min_strong_px
    keep[0] = False
    return keep[labels]


def _fill_small_holes(mask: np.ndarray, max_area_px: float) -> np.ndarray:
    n, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] <= max_area_px
    small[0] = False
    return mask | small[labels]


def on_white_ground(even: EvenLight, ground: np.ndarray, px_per_mm: float) -> Foreground:
    """The assembly on a white page.

    Colour and darkness find most of it; white and pale parts show by the slopes
    of their edges. Soft shadows are grey, lighter than half the page and flat.
    ground : (H, W) bool, where assembly may lie (page without its printed marks).
    """
    lab = even.lab
    light = lab[..., 0]
    chroma = cv2.magnitude(lab[..., 1], lab[..., 2])
    sample = ground & (light > 85)
    chroma_noise = float(np.median(chroma[sample])) if sample.any() else 3.0
    noise = max(even.ground_noise, 0.4)
    slope = gradient_magnitude(light, 0.3 * px_per_mm) * px_per_mm  # L per mm
    sharp = max(9.0, 9.0 * noise)
    strong = (chroma > 18 + 2 * chroma_noise) | (light < 42) | (slope > 2.5 * sharp)
    weak = (chroma > 8 + 3 * chroma_noise) | (light < 66) | (slope > sharp)
    both = _hysteresis(strong & ground, weak & ground, max(3, round(0.15 * px_per_mm**2)))
    both = cv2.morphologyEx(both.astype(np.uint8), cv2.MORPH_CLOSE, _disc(0.35 * px_per_mm)) > 0
    both = cv2.erode(both.astype(np.uint8), _disc(0.2 * px_per_mm)) > 0
    solid = _fill_small_holes(both, 2.0 * px_per_mm**2)
    solid = cv2.morphologyEx(solid.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.25 * px_per_mm)) > 0
    solid |= _pale_bodies(solid, light, px_per_mm)
    return Foreground(solid=solid, filled=close_gaps(solid, px_per_mm))


def _pale_bodies(solid: np.ndarray, light: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Interiors of pale housings: enclosed, compact, and not as bright or as flat as bare page."""
    holes, labels, stats, _ = cv2.connectedComponentsWithStats((~solid).astype(np.uint8), connectivity=4)
    take = np.zeros(holes, bool)
    around = cv2.distanceTransform((~solid).astype(np.uint8), cv2.DIST_L2, 3)
    for i in range(1, holes):
        area = stats[i, cv2.CC_STAT_AREA] / px_per_mm**2
        if area > 900:
            continue
        x, y, w, h = stats[i, :4]
        inside = labels[y : y + h, x : x + w] == i
        depth = float(around[y : y + h, x : x + w][inside].max()) / px_per_mm
        mean = float(light[y : y + h, x : x + w][inside].mean())
        compact = depth**2 * np.pi > 0.3 * area
        take[i] = (mean < 93.5 and compact) or (compact and 40 < area and mean < 96.0)
    return take[labels]


def close_gaps(solid: np.ndarray, px_per_mm: float, reach_mm: float = 2.2) -> np.ndarray:
    """Bridge gaps between neighbouring wires up to twice ``reach_mm`` and fill what is enclosed, at half size."""
    half = cv2.resize(solid.astype(np.uint8), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    closed = cv2.morphologyEx(half, cv2.MORPH_CLOSE, _disc(0.5 * reach_mm * px_per_mm)) > 0
    closed = _fill_small_holes(closed, 12.0 * (0.5 * px_per_mm) ** 2)
    full = cv2.resize(closed.astype(np.uint8), (solid.shape[1], solid.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    return full | solid


def on_other_ground(even: EvenLight, ground: np.ndarray, px_per_mm: float) -> Foreground:
    """The assembly on a bench of one colour or one texture.

    The ground's own colour and grain are learnt from the picture: robust mean and spread of what most of it
    looks like; what differs from that by more than the grain is assembly (or a shadow: the finder tells).
    """
    s = px_per_mm
    smooth = cv2.GaussianBlur(even.lab, (0, 0), 0.35 * s)
    small = cv2.resize(smooth, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    inside = cv2.resize(ground.astype(np.uint8), (small.shape[1], small.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    mean, inverse = _ground_colour(small[inside])
    difference = smooth - mean
    distance = np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", difference, inverse, difference), 0))
    strong = distance > 6.0
    weak = distance > 3.3
    both = _hysteresis(strong & ground, weak & ground, max(3, round(1.0 * s * s)))
    both = cv2.morphologyEx(both.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.35 * s))
    both = cv2.morphologyEx(both, cv2.MORPH_CLOSE, _disc(0.5 * s)) > 0
    solid = _fill_small_holes(_without_specks(both, 12.0 * s * s), 2.0 * s * s)
    return Foreground(solid=solid, filled=close_gaps(solid, px_per_mm))


def _without_specks(mask: np.ndarray, min_area_px: float) -> np.ndarray:
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    keep = stats[:, cv2.CC_STAT_AREA] >= min_area_px
    keep[0] = False
    return keep[labels]


def _ground_colour(samples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Robust mean (3,) and inverse covariance (3, 3) of the commonest look of (N, 3) samples, by trimming."""
    samples = samples[:: max(1, len(samples) // 20000)].astype(np.float64)
    mean = np.median(samples, axis=0)
    inverse = np.diag(1.0 / np.maximum(1.4826 * np.median(np.abs(samples - mean), axis=0), 1.0) ** 2)
    for _ in range(8):
        difference = samples - mean
        distance = np.einsum("ni,ij,nj->n", difference, inverse, difference)
        core = samples[distance <= np.percentile(distance, 70)]
        mean = core.mean(axis=0)
        # covariance of the central 70 % of a 3-variate normal is 0.55 of the whole
        covariance = np.cov(core.T) / 0.55 + np.eye(3) * 0.6
        inverse = np.linalg.inv(covariance)
    return mean, inverse
