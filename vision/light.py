"""Evens the light: divides a picture by the light that falls on its (white or uniform) ground."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

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
_TILES, _LEAST_TILES = 12, 6
"""The page is cut into so many tiles each way; so many have to agree on its light."""
_PLANES, _STEEPEST = 400, 1.0
"""Planes tried for the light, and the steepest (log intensity from the middle to a corner)."""
_PAPER_WITHIN = 0.3
"""How far from the first rough surface paper can lie (log intensity)."""
_RIDGE = 1e-4
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


def _least_squares(basis: np.ndarray, values: np.ndarray, ridge: float = 1e-6) -> np.ndarray:
    """Coefficients by the normal equations; a ridge (hardly on the constant) holds what the ground shows little of."""
    gram = (basis.T @ basis).astype(np.float64)
    gram[np.diag_indices_from(gram)] += ridge * len(basis) * np.r_[1e-3, np.ones(len(gram) - 1)]
    return np.linalg.solve(gram, (basis.T @ values).astype(np.float64)).astype(np.float32)


def _tile_tops(luminance: np.ndarray, ground: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(T, 2) middles on [-1, 1]² and (T,) brightest usual log intensity of the tiles in which ground may be seen."""
    h, w = ground.shape
    ys, xs = np.linspace(0, h, _TILES + 1).astype(int), np.linspace(0, w, _TILES + 1).astype(int)
    places, tops = [], []
    for y0, y1 in pairwise(ys):
        for x0, x1 in pairwise(xs):
            found = luminance[y0:y1, x0:x1][ground[y0:y1, x0:x1]]
            if 4 * len(found) >= (y1 - y0) * (x1 - x0) > 0:
                places.append(((x0 + x1) / w - 1, (y0 + y1) / h - 1))
                tops.append(np.partition(found, k := int(0.9 * (len(found) - 1)))[k])
    return np.array(places, float).reshape(-1, 2), np.array(tops, float)


def _paper_light(luminance: np.ndarray, ground: np.ndarray) -> np.ndarray | None:
    """(h, w) log light on the paper, roughly: the smooth surface that most tiles' tops agree on, few lie above.

    Nothing on a page is brighter than its paper for long, and dark things agree on no surface: so paper is known even
    where the assembly covers most of it. None where too few tiles show ground.
    """
    places, tops = _tile_tops(luminance, ground)
    if len(tops) < _LEAST_TILES:
        return None
    flat = np.column_stack([np.ones(len(tops)), places])
    # a fixed seed: the same photograph gives the same light
    chosen = np.random.default_rng(0).integers(0, len(tops), (_PLANES, 3))
    flat_of = flat[chosen]
    firm = np.abs(np.linalg.det(flat_of)) > 0.1
    planes = np.linalg.solve(flat_of[firm], tops[chosen[firm]][..., None])[..., 0]
    planes = planes[np.abs(planes[:, 1:]).sum(axis=1) < _STEEPEST]
    level = np.column_stack([np.quantile(tops, [0.5, 0.75, 0.9]), np.zeros((3, 2))])
    planes = np.concatenate([planes, level])
    off = tops - planes @ flat.T
    score = np.exp(-0.5 * (off / 0.12) ** 2).sum(axis=1) - 3 * (off > 0.3).sum(axis=1)
    # of surfaces as good the leveller: paper in one corner must not tell much of the far side
    score -= 0.1 * len(tops) * np.abs(planes[:, 1:]).sum(axis=1)
    rest = off[int(score.argmax())]
    terms = np.column_stack([flat, places**2, places[:, :1] * places[:, 1:]]).astype(np.float32)
    # pale things lie close below: the surface must not sag to them while it learns to bend
    for below in (0.2, 0.2, 0.15):
        kept = (rest > -below) & (rest < 0.4)
        if kept.sum() < _LEAST_TILES:
            break
        coefficients = _least_squares(terms[kept], tops[kept], 1e-3)
        rest = tops - terms @ coefficients
    else:
        y, x = np.mgrid[-1 : 1 : ground.shape[0] * 1j, -1 : 1 : ground.shape[1] * 1j]
        return sum(c * term for c, term in zip(coefficients, (1, x, y, x * x, y * y, x * y), strict=True))
    return None


def light_surface(
    linear_small: np.ndarray, ground: np.ndarray, paper: bool = False, degree: int = 4, rounds: int = 6
) -> np.ndarray:
    """Smooth light on the ground, fitted to log intensity with one-sided rejection of what is darker.

    linear_small : (h, w, 3) float32 linear intensities; ground : (h, w) bool, where ground may be seen; paper : the
    ground is white, and found even where most of it is covered. Returns (h, w, 3) float32. Objects and shadows are
    darker than the ground, so points far below the surface leave the fit sooner than points above it.
    """
    h, w = ground.shape
    basis = _basis(h, w, degree)
    seen = ground.ravel()
    if seen.sum() < 4 * basis.shape[1]:
        seen = np.ones_like(seen)
    known = basis[seen]
    logs = np.log(np.maximum(linear_small.reshape(-1, 3), 1e-4))
    first = _paper_light(logs.mean(axis=1).reshape(h, w), seen.reshape(h, w)) if paper else None
    base = np.zeros(h * w, np.float32) if first is None else first.ravel().astype(np.float32)
    logs = (logs - base[:, None])[seen]
    luminance = logs.mean(axis=1)
    near = np.ones(len(logs), bool) if first is None else np.abs(luminance) < _PAPER_WITHIN
    use = near & (luminance > np.percentile(luminance[near], 35 if first is None else 5))
    for _ in range(rounds):
        if use.sum() < 8 * basis.shape[1]:
            use = luminance >= np.percentile(luminance, 60)
        coefficients = _least_squares(known[use], logs[use], 1e-6 if first is None else _RIDGE)
        blue, green, red = (logs - known @ coefficients).T
        lowest = np.minimum(np.minimum(blue, green), red)
        highest = np.maximum(np.maximum(blue, green), red)
        spread = 1.4826 * float(np.median(np.abs(green[use]))) + 0.01
        # three spreads below, four above: shadows are dark, glare is rare
        use = near & (lowest > -3 * spread) & (highest < 4 * spread) & (highest - lowest < 4 * spread)
    return np.exp(basis @ coefficients + base[:, None]).reshape(h, w, 3)


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
    surface = light_surface(_SRGB_TO_LINEAR[small], on_ground, white_ground)
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
