"""Separates the assembly from the ground it lies on."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from vision.light import EvenLight, magnitude
from vision.medians import median
from vision.printed import PrintedPage, over_print

_DARKER_THAN_SHADOW = 42.0
"""L that shadows on white paper do not fall below in room light; black and dark grey parts do."""
_STRIP_ROWS = 64
_FLAT_SLOPE = 7.0
"""Slope of L per mm below which a stretch counts as flat."""


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
    return magnitude(dx, dy)


def _hysteresis(strong: np.ndarray, weak: np.ndarray, min_strong_px: int) -> np.ndarray:
    """Weak components that hold at least ``min_strong_px`` strong pixels."""
    n, labels = cv2.connectedComponents(weak.astype(np.uint8), connectivity=8)
    at = np.flatnonzero(weak)
    which = labels.reshape(-1)[at]
    hits = np.bincount(which[strong.reshape(-1)[at]], minlength=n)
    out = np.zeros(weak.size, bool)
    out[at[(hits >= min_strong_px)[which]]] = True
    return out.reshape(weak.shape)


def _fill_small_holes(mask: np.ndarray, max_area_px: float) -> np.ndarray:
    """The mask with its holes of at most an area; the largest hole (the ground around) is never filled."""
    empty = (~mask).astype(np.uint8)
    n, labels = cv2.connectedComponents(empty, connectivity=4)
    if n < 3:
        return mask
    # most of the empty area is the ground around: the few others alone are counted
    thin = labels[::8, ::8]
    around = int(np.bincount(thin[thin > 0], minlength=n).argmax())
    at = np.flatnonzero((labels > 0) & (labels != around))
    which = labels.reshape(-1)[at]
    small = np.bincount(which, minlength=n) <= max_area_px
    out = mask.reshape(-1).copy()
    out[at[small[which]]] = True
    return out.reshape(mask.shape)


@dataclass(frozen=True)
class _Seen:
    """What the page shows per pixel, (H, W), and at half size.

    strong, weak : bool, unlike paper; unlike : uint8, how unlike paper; lit : bool, lighter than L 60
    lab, slope : half size, CIELAB (h, w, 3) and slope of L per mm
    """

    strong: np.ndarray
    weak: np.ndarray
    unlike: np.ndarray
    lit: np.ndarray
    lab: np.ndarray
    slope: np.ndarray


def _seen(lab: np.ndarray, s: float, chroma_noise: float, sharp: float) -> _Seen:
    """Strip by strip, so that what is reckoned stays in the processor's cache."""
    h, w = lab.shape[:2]
    out = [np.empty((h, w), t) for t in (bool, bool, np.uint8, bool)]
    half, half_slope = np.empty((h // 2, w // 2, 3), np.float32), np.empty((h // 2, w // 2), np.float32)
    halo = int(np.ceil(1.5 * s)) + 2
    for y in range(0, h, _STRIP_ROWS):
        low, high = max(y - halo, 0), min(y + _STRIP_ROWS + halo, h)
        end = min(y + _STRIP_ROWS, h)
        slope = gradient_magnitude(cv2.extractChannel(lab[low:high], 0), 0.3 * s)[y - low : end - low]
        slope *= s  # L per mm
        light, a, b = cv2.split(lab[y:end])
        chroma = magnitude(a, b)
        here = slice(y, end)
        out[0][here] = (chroma > 18 + 2 * chroma_noise) | (light < _DARKER_THAN_SHADOW) | (slope > 2.5 * sharp)
        out[1][here] = (chroma > 8 + 3 * chroma_noise) | (light < 66) | (slope > sharp)
        chroma *= np.float32(0.5)
        chroma += np.maximum(np.float32(97.0) - light, 0)
        out[2][here] = np.minimum(chroma, 120.0)
        out[3][here] = light > 60
        rows = end // 2 - y // 2
        cut = slice(y // 2, end // 2)
        if rows:
            even = slice(0, 2 * rows)
            size = (w // 2, rows)
            half[cut] = cv2.resize(lab[y:end][even, : w // 2 * 2], size, interpolation=cv2.INTER_AREA)
            half_slope[cut] = cv2.resize(slope[even, : w // 2 * 2], size, interpolation=cv2.INTER_AREA)
    return _Seen(out[0], out[1], out[2], out[3], half, half_slope)


def on_white_ground(
    even: EvenLight, ground: np.ndarray, px_per_mm: float, printed: PrintedPage | None = None
) -> Foreground:
    """The assembly on a white page.

    Colour and darkness find most of it, pale parts show by their edges; what is flat, grey and no darker than a
    shadow on paper is a shadow unless sharp edges enclose it.
    ground : (H, W) bool, the page where the camera saw it; printed : the page's own print.
    """
    s = px_per_mm
    bare = ground & ~printed.zone if printed else ground
    few = even.lab[::4, ::4]
    sample = few[bare[::4, ::4] & (few[..., 0] > 85)]
    chroma_noise = float(np.median(magnitude(sample[:, 1], sample[:, 2]))) if len(sample) else 3.0
    sharp = max(9.0, 9.0 * max(even.ground_noise, 0.4))
    seen = _seen(even.lab, s, chroma_noise, sharp)
    shadow = shadows(seen.lab, seen.slope, s, ground.shape)
    weak = seen.weak & bare & ~shadow
    both = _hysteresis(seen.strong & weak, weak, max(3, round(0.15 * s * s)))
    over = over_print(even.lab, ground, printed, s) if printed else None
    # pale housings show little of themselves until their edges are followed: leave room for a whole one
    cut = _window(both if over is None else both | over, 35 * s)
    both = cv2.morphologyEx(both[cut].astype(np.uint8), cv2.MORPH_CLOSE, _disc(0.35 * s))
    both = cv2.erode(both, _disc(0.2 * s)) > 0
    both = _trimmed(both, seen.unlike[cut], seen.lit[cut], s)
    if over is not None:
        both |= _held_print(over[cut], both, s)
    found = _fill_small_holes(both, 2.0 * s * s)
    found = cv2.morphologyEx(found.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.25 * s)) > 0
    page = (bare & ~printed.faint if printed else ground)[cut]
    least_slope = max(4.5, 5 * even.ground_noise)
    half = (slice(cut[0].start // 2, cut[0].stop // 2), slice(cut[1].start // 2, cut[1].stop // 2))
    found |= pale_bodies(found, seen.lab[half], seen.slope[half], page, s, least_slope) & ~shadow[cut]
    solid, filled = np.zeros_like(ground), np.zeros_like(ground)
    solid[cut] = found
    filled[cut] = close_gaps(found, s)
    return Foreground(solid=solid, filled=filled)


def _window(mask: np.ndarray, margin_px: float) -> tuple[slice, slice]:
    """The mask's bounding box with a margin; the whole picture when nothing is set."""
    spans = []
    for axis, size in ((1, mask.shape[0]), (0, mask.shape[1])):
        at = np.flatnonzero(mask.any(axis=axis))
        low, high = (at[0], at[-1] + 1) if len(at) else (0, size)
        # even bounds: the halves of the window are halves of the picture
        spans.append(slice(max(0, int(low - margin_px)) // 2 * 2, min(size // 2, int(high + margin_px + 1) // 2) * 2))
    return spans[0], spans[1]


def _trimmed(mask: np.ndarray, unlike: np.ndarray, lit: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Without the blur around what stands out strongly: a rim pixel less than half as unlike paper as the part goes."""
    part = cv2.dilate(unlike, _disc(0.6 * px_per_mm))
    outside = cv2.morphologyEx((~mask).astype(np.uint8), cv2.MORPH_OPEN, _disc(0.8 * px_per_mm))
    rim = cv2.dilate(outside, _disc(0.6 * px_per_mm)) > 0
    limit = np.ceil(0.45 * np.arange(256)).astype(np.uint8)  # unlike < 0.45 part, in whole numbers
    return mask & ~(rim & (part > 45) & (unlike < cv2.LUT(part, limit)) & lit)


def _held_print(over: np.ndarray, beside: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Covered print that runs on outside the print, or is large on its own."""
    reach = cv2.dilate(beside.astype(np.uint8), _disc(1.2 * px_per_mm)) > 0
    joined = cv2.dilate(over.astype(np.uint8), _disc(0.6 * px_per_mm)) > 0
    n, labels = cv2.connectedComponents(joined.astype(np.uint8), connectivity=8)
    area = np.bincount(labels[over], minlength=n)
    touch = np.bincount(labels[joined & reach], minlength=n)
    keep = (area >= 40 * px_per_mm**2) | ((touch > 0) & (area >= 1.0 * px_per_mm**2))
    keep[0] = False
    return over & keep[labels]


def shadows(lab: np.ndarray, steep: np.ndarray, px_per_mm: float, shape: tuple[int, ...]) -> np.ndarray:
    """(H, W) bool of a shape, shadows on the page, judged at half size.

    lab : (h, w, 3) and steep : (h, w), slope of L per mm, both at half size; px_per_mm : of the full size.

    A shadow is paper in the light that is left: within it lightness changes slowly, its tint is slight, and it is
    not as dark as dark parts are (`_like_shadow`). Its rim against bare page belongs to it, soft or sharp.
    """
    half = 0.5 * px_per_mm
    size = (lab.shape[1], lab.shape[0])
    light, a, b = cv2.split(lab)
    chroma = magnitude(a, b)
    flat = (light > _DARKER_THAN_SHADOW - 2) & (light < 90) & (chroma < 14) & (steep < _FLAT_SLOPE)
    core = cv2.morphologyEx(flat.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.8 * half))
    n, labels, stats, _ = cv2.connectedComponentsWithStats(core, connectivity=4)
    found = np.zeros((size[1], size[0]), np.uint8)
    for i in range(1, n):
        if stats[i, cv2.CC_STAT_AREA] < 4 * half**2:
            continue
        x, y, w, h = stats[i, :4]
        cut = (slice(y, y + h), slice(x, x + w))
        inside = labels[cut] == i
        if _like_shadow(light[cut][inside], a[cut][inside], b[cut][inside]):
            found[cut][inside] = 1
    bright = ((light > 92) & (chroma < 5) & (steep < 3)).astype(np.uint8)
    page = cv2.morphologyEx(bright, cv2.MORPH_OPEN, _disc(1.2 * half))
    near = _disc(0.9 * half)
    rim = (cv2.dilate(found, near) > 0) & (cv2.dilate(page, near) > 0) & (chroma < 12) & (light > _DARKER_THAN_SHADOW)
    both = (found > 0) | rim
    return cv2.resize(both.astype(np.uint8), shape[::-1], interpolation=cv2.INTER_NEAREST) > 0


def _like_shadow(light: np.ndarray, a: np.ndarray, b: np.ndarray) -> bool:
    """Slight tint, and lighter than dark grey parts; a dark shadow has a tint, dark grey parts have none.

    The limits lie between flat stretches of shadow and of grey, black and natural parts in 40 bench photographs.
    """
    middle = float(median(light))
    tint = float(np.hypot(median(a), median(b)))
    if tint > 9.0 or middle < _DARKER_THAN_SHADOW + 1:
        return False
    low, high = np.percentile(light, (10, 90))
    return bool(high - low > 20) or (middle < 77 and (middle > 49.5 or tint > 3.0))


def pale_bodies(
    solid: np.ndarray, small: np.ndarray, slope: np.ndarray, page: np.ndarray, px_per_mm: float, least_slope: float
) -> np.ndarray:
    """(H, W) bool, white and pale housings and terminals: what thin edges enclose, or nearly, at half size.

    small : (h, w, 3) CIELAB and slope : (h, w), L per mm, both at half size; page : (H, W) bool, where edges may be
    trusted. Gaps up to 4 mm between pieces of edge are closed; gaps between
    wires that fan out are also enclosed, but by strong colour, and bare page shows in them.
    """
    half = 0.5 * px_per_mm
    size = (small.shape[1], small.shape[0])
    steep = (slope > least_slope).astype(np.uint8)
    page_small = cv2.resize(page.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    wide = cv2.morphologyEx(steep, cv2.MORPH_OPEN, _disc(1.0 * half))
    thin = ((steep > 0) & (wide == 0) & (page_small > 0)).astype(np.uint8)
    known = cv2.resize(solid.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    pieces = (thin > 0) | (known > 0)
    linked = cv2.dilate(pieces.astype(np.uint8), _disc(0.9 * half)) > 0
    edges = _hysteresis(known > 0, linked, max(3, round(1.5 * half**2))) & pieces
    closed = cv2.morphologyEx(edges.astype(np.uint8), cv2.MORPH_CLOSE, _disc(1.6 * half)) > 0
    body = _fill_small_holes(closed, 1500 * half**2)
    body = cv2.morphologyEx(body.astype(np.uint8), cv2.MORPH_OPEN, _disc(1.5 * half)) > 0
    strong = (known > 0) & ((small[..., 0] < 60) | (magnitude(small[..., 1], small[..., 2]) > 20))
    near_strong = cv2.dilate(strong.astype(np.uint8), _disc(0.8 * half)) > 0
    fresh = body & (known == 0)
    n, labels = cv2.connectedComponents(fresh.astype(np.uint8), connectivity=4)
    take = _like_bodies(n, labels, fresh, near_strong, small[..., 0], thin > 0, half)
    found = take[labels] | (edges & cv2.dilate(take[labels].astype(np.uint8), _disc(1.0 * half)).astype(bool))
    return cv2.resize(found.astype(np.uint8), solid.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0


def _like_bodies(
    n: int, labels: np.ndarray, fresh: np.ndarray, strong: np.ndarray, light: np.ndarray, thin: np.ndarray, half: float
) -> np.ndarray:
    """(n,) bool, which components are not bare page: darker or structured, and not merely a gap between strongly
    coloured wires."""
    inner = cv2.erode(fresh.astype(np.uint8), np.ones((3, 3), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    at = np.flatnonzero(fresh)
    which = labels.reshape(-1)[at]
    order = np.argsort(which, kind="stable")
    at, which = at[order], which[order]
    rim = inner.reshape(-1)[at] == 0
    at_strong, at_thin, lights = strong.reshape(-1)[at], thin.reshape(-1)[at], light.reshape(-1)[at]
    size = np.maximum(np.bincount(which, minlength=n), 1)
    on_rim = np.bincount(which[rim], minlength=n)
    gap = np.where(on_rim > 0, np.bincount(which[rim & at_strong], minlength=n) / np.maximum(on_rim, 1), 1.0)
    structure = np.bincount(which[at_thin], minlength=n) / size
    bounds = np.searchsorted(which, np.arange(n + 1))
    middle = np.array([median(lights[i:j]) if j > i else 100.0 for i, j in pairwise(bounds)])
    small = size / half**2 < 3
    take = np.where(small, (middle < 94) & (gap < 0.5), (gap < 0.6) & ((middle < 94.5) | (structure > 0.12)))
    take[0] = False
    return take


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
    s, half = px_per_mm, 0.5 * px_per_mm
    size = (ground.shape[1] // 2, ground.shape[0] // 2)
    smooth = cv2.GaussianBlur(cv2.resize(even.lab, size, interpolation=cv2.INTER_AREA), (0, 0), 0.35 * half)
    seen = cv2.resize(ground.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    mean, inverse = _ground_colour(smooth[::2, ::2][seen[::2, ::2]])
    difference = (smooth - mean.astype(np.float32)).reshape(-1, 3)
    squares = ((difference @ inverse.astype(np.float32)) * difference).sum(axis=1)
    distance = np.sqrt(np.maximum(squares, 0)).reshape(size[::-1])
    distance[_bench_shadows(smooth, mean, inverse, distance > 3.3, half)] = 0
    distance = cv2.resize(distance, (ground.shape[1], ground.shape[0]), interpolation=cv2.INTER_LINEAR)
    both = _hysteresis((distance > 6.0) & ground, (distance > 3.3) & ground, max(3, round(1.0 * s * s)))
    both = cv2.morphologyEx(both.astype(np.uint8), cv2.MORPH_OPEN, _disc(0.35 * s))
    both = cv2.morphologyEx(both, cv2.MORPH_CLOSE, _disc(0.5 * s)) > 0
    solid = _fill_small_holes(_without_specks(both, 12.0 * s * s), 2.0 * s * s)
    return Foreground(solid=solid, filled=close_gaps(solid, px_per_mm))


def _bench_shadows(
    smooth: np.ndarray, mean: np.ndarray, inverse: np.ndarray, odd: np.ndarray, px_per_mm: float
) -> np.ndarray:
    """(h, w) bool, shadows among the odd pixels: the ground's own colour with less light, without details.

    Less light by a factor k scales L + 16, a and b alike by the cube root of k (CIELAB above its linear toe).
    """
    less = (smooth[..., 0] + 16) / float(mean[0] + 16)
    off_a = smooth[..., 1] - less * np.float32(mean[1])
    off_b = smooth[..., 2] - less * np.float32(mean[2])
    grain = np.sqrt(np.trace(np.linalg.inv(inverse)[1:, 1:]))
    slope = gradient_magnitude(smooth[..., 0], 0.4 * px_per_mm) * px_per_mm
    usual = float(np.median(slope[~odd])) if not odd.all() else 1.0
    calm = slope < 4 * usual + 3
    alike = (magnitude(off_a, off_b) < 2.5 + 1.5 * grain) & (less > 0.66) & (less < 0.99) & odd & calm
    core = cv2.morphologyEx(alike.astype(np.uint8), cv2.MORPH_OPEN, _disc(1.1 * px_per_mm))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(core, connectivity=4)
    keep = stats[:, cv2.CC_STAT_AREA] >= 6 * px_per_mm**2
    keep[0] = False
    for i in np.flatnonzero(keep):
        x, y, w, h = stats[i, :4]
        # neutral dark grey parts on a neutral bench are as dark all over; a shadow fades towards its rim
        depth = less[y : y + h, x : x + w][labels[y : y + h, x : x + w] == i]
        keep[i] = float(np.median(depth)) > 0.72
    found = keep[labels].astype(np.uint8)
    return (
        (cv2.dilate(found, _disc(0.9 * px_per_mm)) > 0)
        & (less > 0.66)
        & (less < 1.0)
        & odd
        & (magnitude(off_a, off_b) < 3.5 + 1.5 * grain)
    )


def _without_specks(mask: np.ndarray, min_area_px: float) -> np.ndarray:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
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
