"""Tells a photograph of a screen from one of paper: a screen's grid of pixels leaves a periodic pattern on bare paper.

A screen lights dots of three colours on a square grid. The camera either resolves them or folds them into coarser
stripes (moiré); in the spectrum of a patch either is a sharp peak far above what noise and paper make. The mat's own
print is left out by its layout, the blocks of JPEG by their frequencies, shadows and light by starting at short waves.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.canvas import WORKING_PX_PER_MM
from vision.layout import MatLayout
from vision.mat_view import MatView
from vision.printed import printed_page
from vision.reading import Photo

_SIDE, _COARSE = 128, 8
_MOST_PLACES, _LOOKED_AT, _LEAST = 100, 9, 4
_SHARE = 2 / 3
_BARE = 0.5
_LOWEST = 0.05
"""Waves per px: longer ones are light, shadows and lamps that flicker."""
_SPOT_SHARE = 0.15
_OUT_OF_STEP = float(np.cos(np.radians(50.0)))
_ABOVE, _ABOVE_APART, _LEVELS = 300.0, 60.0, 0.3
"""How far a peak stands above the median power of its ring (less is enough where colours are out of step), and how
strong it is: rendered photographs of paper have peaks of 0.2 levels, simulated screens 0.5 to 18."""
_SHORT_MM = 0.9
_RINGS = 0.05


def why_a_screen(photo: Photo, view: MatView) -> str | None:
    """Why the mat in the picture is one shown on a screen; None where nothing speaks for it, or too little is bare."""
    patches = _calm_patches(photo, view)
    if len(patches) < _LEAST:
        return None
    found, left = [], len(patches)
    for bgr, bare in patches:
        left -= 1
        peak = _pattern(bgr, bare, view.mm_per_px)
        if peak is not None:
            found.append(peak)
        if len(found) + left < _SHARE * len(patches):
            return None
    period, levels = np.median(np.array(found), axis=0)
    return (
        f"the picture is a photograph of a screen, whose millimetres are none: the bare paper carries a pattern of "
        f"{period:.1f} px, {levels:.1f} levels strong; photograph the assembly itself on the printed mat"
    )


def _calm_patches(photo: Photo, view: MatView) -> list[tuple[np.ndarray, np.ndarray]]:
    """Patches of the picture, (n, n, 3) uint8, where the page is bare, as (n, n) bool, and little lies on it."""
    half = _SIDE // 2
    page = np.array(view.layout.page_mm)
    step = max(0.75 * _SIDE * view.mm_per_px, float(np.sqrt(page.prod() / _MOST_PLACES)))
    gx, gy = np.meshgrid(*(np.arange(step / 2, side, step) for side in page))
    px = np.rint(view.to_px(np.column_stack([gx.ravel(), gy.ravel()]))).astype(int)
    px = px[((px >= half) & (px <= [photo.width_px - half, photo.height_px - half])).all(axis=1)]
    if not len(px):
        return []
    printed = _printed(view.layout)
    found = []
    for (x, y), at in zip(px.tolist(), _mm_around(view, px), strict=True):
        bare = _bare(at, printed, _COARSE)
        if bare.mean() > _BARE:
            bgr = photo.bgr[y - half : y + half, x - half : x + half]
            found.append((_unrest(bgr, bare), bgr, at))
    found.sort(key=lambda patch: patch[0])
    few = found[: min(_LOOKED_AT, max(_LEAST, len(found) // 2))]
    return [(bgr, _bare(at, printed, 1)) for _, bgr, at in few]


def _printed(layout: MatLayout) -> np.ndarray:
    """(H, W) bool, print and its pattern, `WORKING_PX_PER_MM` px a mm."""
    width, height = (round(side * WORKING_PX_PER_MM) for side in layout.page_mm)
    page = printed_page(layout, WORKING_PX_PER_MM, (0, 0), (height, width))
    return page.zone | page.faint


def _mm_around(view: MatView, px: np.ndarray) -> np.ndarray:
    """(N, 3, 2) mm of each pixel, and mm per px right and down; within a patch the map is linear enough."""
    half = _SIDE // 2
    there = view.to_mm((px[:, None] + [[0, 0], [half, 0], [0, half]]).reshape(-1, 2)).reshape(-1, 3, 2)
    return np.stack([there[:, 0], (there[:, 1] - there[:, 0]) / half, (there[:, 2] - there[:, 0]) / half], axis=1)


def _bare(at: np.ndarray, printed: np.ndarray, step: int) -> np.ndarray:
    """(n, n) bool, where a patch shows paper without print, at every `step`-th of its pixels."""
    offsets = np.arange(step // 2, _SIDE, step, dtype=np.float32) - _SIDE // 2
    corner, right, down = at.astype(np.float32) * np.float32(WORKING_PX_PER_MM)
    x, y = (corner[k] + offsets * right[k] + offsets[:, None] * down[k] for k in (0, 1))
    inside = (x >= 0) & (y >= 0) & (x < printed.shape[1]) & (y < printed.shape[0])
    bare = np.zeros(inside.shape, bool)
    bare[inside] = ~printed[y[inside].astype(int), x[inside].astype(int)]
    return bare


def _unrest(bgr: np.ndarray, bare: np.ndarray) -> float:
    """How much lightness changes within the patch at a sixteenth of its size: little where nothing lies on the page."""
    means = cv2.resize(bgr, bare.shape, interpolation=cv2.INTER_AREA).astype(np.float32).mean(axis=2)
    return float(means[bare].std()) if bare.sum() > 8 else np.inf


def _spectrum_mask() -> tuple[np.ndarray, list[np.ndarray]]:
    """Frequencies (waves per px) of a patch's spectrum, and the rings of them that are looked at, as flat numbers."""
    f = np.fft.fftfreq(_SIDE)
    fx, fy = np.meshgrid(f, f)
    away = np.hypot(fx, fy)
    # blocks of 8 px come back at multiples of an eighth in both directions
    of_blocks = [np.abs(8 * v - np.rint(8 * v)) / 8 < 1.6 / _SIDE for v in (fx, fy)]
    use = (away > _LOWEST) & (fx >= 0) & ~(of_blocks[0] & of_blocks[1])
    rings = [np.flatnonzero((use & (away // _RINGS == k)).ravel()) for k in range(1, int(0.71 / _RINGS) + 1)]
    return away.ravel(), [ring for ring in rings if len(ring) > 10]


_AWAY, _RING_PLACES = _spectrum_mask()
_WINDOW = np.outer(np.hanning(_SIDE), np.hanning(_SIDE)).astype(np.float32)


def _pattern(bgr: np.ndarray, bare: np.ndarray, mm_per_px: float) -> tuple[float, float] | None:
    """Period (px) and strength (8-bit levels) of a patch's clearest pattern of a screen; None where it has none.

    Red, green and blue dots lie beside each other, so that their patterns are out of step: print is in step. In step
    are the gaps between rows; print in waves as short as theirs has longer ones that are stronger.
    """
    weight = bare.astype(np.float32)
    total = float((_WINDOW * weight).sum())
    spectra = np.empty((3, _SIDE * _SIDE), complex)
    for channel, level in enumerate(cv2.split(bgr.astype(np.float32))):
        spectra[channel] = np.fft.fft2(_without_spots(_short_waves(level, weight), bare) * _WINDOW).ravel()
    levels = 2 * np.abs(spectra) / total
    print_like, found = 0.0, []
    for ring in _RING_PLACES:
        for channel in range(3):
            top = ring[levels[channel, ring].argmax()]
            strength, usual = float(levels[channel, top]), max(float(np.median(levels[channel, ring])), 1e-9)
            above, period = (strength / usual) ** 2, 1 / float(_AWAY[top])
            apart = _out_of_step(spectra[:, top])
            if not apart and period * mm_per_px > _SHORT_MM:
                print_like = max(print_like, strength)
            elif strength > _LEVELS and above > (_ABOVE_APART if apart else _ABOVE):
                found.append((strength, period, apart))
    likely = [(strength, period) for strength, period, apart in found if apart or strength > print_like]
    return max(likely)[::-1] if likely else None


def _out_of_step(waves: np.ndarray) -> bool:
    """Whether the three colours' waves of one frequency, (3,) complex, are far apart in phase where they are strong."""
    size = np.abs(waves)
    clear = waves[size > 0.3 * size.max()] / size[size > 0.3 * size.max()]
    return bool((np.outer(clear, clear.conj()).real < _OUT_OF_STEP).any())


def _without_spots(rest: np.ndarray, bare: np.ndarray) -> np.ndarray:
    """What is left without the few pixels that stand far out, and their rims: small print, dust."""
    usual = 1.4826 * float(np.median(np.abs(rest[bare]))) + 0.3
    spots = np.abs(rest) > 4 * usual
    if 0 < spots.mean() < _SPOT_SHARE:
        rest = np.where(cv2.dilate(spots.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0, np.float32(0), rest)
    return np.asarray(np.clip(rest, -4 * usual, 4 * usual))


def _short_waves(level: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """What is left of a patch without its long waves; nothing where print is."""
    mean = cv2.GaussianBlur(level * weight, (0, 0), 6.0) / np.maximum(cv2.GaussianBlur(weight, (0, 0), 6.0), 0.05)
    return np.asarray((level - mean) * weight)
