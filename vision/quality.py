"""Says what a photograph is not good enough for, and how to take a better one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np

from vision.findings import Retake
from vision.light import magnitude
from vision.mat_doubt import sag_mm
from vision.mat_view import MatView
from vision.reading import Photo

EVERYTHING = "all"
"""The measure of a fault that leaves nothing to say."""

SMALLEST_LONG_SIDE_PX, SMALL_LONG_SIDE_PX = 400, 1000
BLACK_LEVEL, DARK_LEVEL = 28, 75
"""8-bit level under which 95 % of the picture lies: nothing to see, or colours lost in noise."""
CLIPPED, CLIPPED_SHARE, WHITE_SHARE = 252, 0.35, 0.97
GLARE_SHARE = 0.004
BLUR_MM, HOPELESS_BLUR_MM, FINE_BLUR_MM = 0.42, 2.5, 0.3
"""Sigma of the blur on the mat: thin wires run together; nothing is left; diameters are uncertain."""
BLUR_SHARE, HOPELESS_BLUR_SHARE = 0.0018, 0.006
"""The same without a mat, as a share of the long side."""
NOISE_LEVEL = 2.8
"""8-bit levels of noise in the picture reduced to 1000 px, past which thin signs drown."""
COMPRESSION_STEP, _PLAIN_STEP = 2.0, 8
"""How much the rims of a JPEG's blocks of 8 px stand out, past which colours run together within them: a
JPEG of quality 20 or less, most of 30, some of 60. Steps count up to 8 levels: true edges are no rims."""
FAR_MM_PER_PX, TOO_FAR_MM_PER_PX = 0.3, 0.6
TILT_DEG, STEEP_TILT_DEG = 35.0, 60.0
SCALE_U95_REL = 0.02
UNFLAT_MM = 2.0


def judge_quality(photo: Photo, view: MatView | None, on_screen: bool = False) -> list[Retake]:
    """Every fault of the photograph with its advice, per measure it spoils; an empty list is a good photograph.

    on_screen : it shows a mat on a screen
    """
    found = [*_size(photo), *_light(photo), *_glare(photo, view), *_blur(photo, view)]
    found += [*_noise(photo), *_compression(photo)]
    if on_screen:
        advice = "photograph the assembly itself, lying on the printed mat"
        return [*found, _retake("a photograph of a screen", advice, EVERYTHING)]
    found += _mat(view) if view else [_retake("no mat in view", "lay the assembly on the printed mat", "length")]
    return found


def usable(retakes: Sequence[Retake]) -> bool:
    """Whether anything can be said of the photograph at all."""
    return all(r.measure != EVERYTHING for r in retakes)


def _retake(fault: str, advice: str, measure: str) -> Retake:
    return Retake(fault=fault, advice=advice, measure=measure)


def _size(photo: Photo) -> Iterator[Retake]:
    long_side = max(photo.width_px, photo.height_px)
    if long_side < SMALL_LONG_SIDE_PX:
        nothing = long_side < SMALLEST_LONG_SIDE_PX
        yield _retake(
            f"the picture is only {photo.width_px} x {photo.height_px} px",
            "send the camera's original file, not a preview",
            EVERYTHING if nothing else "label",
        )


def _thinned(photo: Photo) -> tuple[np.ndarray, np.ndarray, int]:
    """Every `step`-th pixel: its darkest and its brightest channel, (h, w) uint8 each, and the step."""
    step = max(1, max(photo.bgr.shape) // 600)
    blue, green, red = cv2.split(np.ascontiguousarray(photo.bgr[::step, ::step]))
    return np.minimum(np.minimum(blue, green), red), np.maximum(np.maximum(blue, green), red), step


def _light(photo: Photo) -> Iterator[Retake]:
    darkest, brightest, _ = _thinned(photo)
    bright = float(np.percentile(brightest, 95))
    if bright < DARK_LEVEL:
        nothing = bright < BLACK_LEVEL
        yield _retake(
            f"too dark (95 % of the picture lies below level {bright:.0f} of 255)",
            "bring more light, without flash",
            EVERYTHING if nothing else "colour",
        )
    clipped = float((darkest >= CLIPPED).mean())
    if clipped > CLIPPED_SHARE:
        nothing = clipped > WHITE_SHARE
        yield _retake(
            f"overexposed ({clipped:.0%} of the picture is pure white)",
            "lower the exposure until the paper looks light grey",
            EVERYTHING if nothing else "colour",
        )


def _glare(photo: Photo, view: MatView | None) -> Iterator[Retake]:
    """Pure white spots well above their surroundings; a wholly white picture is overexposed instead."""
    darkest, _, step = _thinned(photo)
    white = (darkest >= CLIPPED).astype(np.uint8)
    if not 0 < white.mean() <= CLIPPED_SHARE:
        return
    size = max(3, round(0.006 * max(white.shape))) | 1
    spots = cv2.morphologyEx(white, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    share = float(spots.mean())
    if share > GLARE_SHARE:
        area = f", {spots.sum() * (step * view.mm_per_px) ** 2 / 100:.0f} cm2" if view else ""
        yield _retake(
            f"glare over {share:.1%} of the picture{area}",
            "move the lamp aside or turn the assembly until the white spots are gone",
            "label",
        )


def _blur(photo: Photo, view: MatView | None) -> Iterator[Retake]:
    advice = "hold still or rest the camera, and tap on the wires to focus"
    if view is not None and view.blur_px is not None:
        blur_mm = view.blur_px * view.mm_per_px
        if blur_mm > FINE_BLUR_MM:
            says = f"blurred by {blur_mm:.2f} mm at the markers"
            yield _retake(says, advice, "diameter")
            if blur_mm > BLUR_MM:
                yield _retake(says, advice, EVERYTHING if blur_mm > HOPELESS_BLUR_MM else "label")
        return
    share = blur_share(photo)
    if share is None:
        yield _retake("nothing stands out in the picture", "photograph the assembly in good light", EVERYTHING)
    elif share > BLUR_SHARE:
        nothing = share > HOPELESS_BLUR_SHARE
        yield _retake(f"blurred by {share:.1%} of the picture's width", advice, EVERYTHING if nothing else "label")


def _noise(photo: Photo) -> Iterator[Retake]:
    level = noise_level(photo)
    if level > NOISE_LEVEL:
        yield _retake(
            f"noisy (by {level:.1f} of 255 levels)",
            "bring more light, so that the camera need not amplify, and switch its digital zoom off",
            "label",
        )


def _compression(photo: Photo) -> Iterator[Retake]:
    if block_step(photo) > COMPRESSION_STEP:
        yield _retake(
            "the file is compressed too hard: its blocks show",
            "send the camera's original file, not a copy made smaller on its way",
            "label",
        )


def _reduced(photo: Photo) -> tuple[np.ndarray, float]:
    """The picture's grey with a long side of at most 1000 px, (h, w) float32, and how much it was shrunk."""
    shrink = min(1.0, 1000 / max(photo.bgr.shape))
    grey = cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY)
    return cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA).astype(np.float32), shrink


def noise_level(photo: Photo) -> float:
    """Standard deviation of the noise, 8-bit levels, of the picture's grey reduced to 1000 px.

    The difference of two Laplacians, which plain surfaces and straight edges do not excite (Immerkaer 1996); its median
    magnitude instead of the mean, so that texture on less than half of the picture does not count. Of white noise that
    median is 6 * 0.6745 of its standard deviation.
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    return float(np.median(np.abs(cv2.filter2D(_reduced(photo)[0], -1, kernel)))) / (6 * 0.6745)


def block_step(photo: Photo) -> float:
    """Mean step of grey between neighbouring pixels across the rims of blocks of 8 px, against that elsewhere.

    1 of a picture that was never a JPEG, or was turned or resized since.
    """
    grey = cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY)
    out = []
    for axis, lines in enumerate((np.ascontiguousarray(grey[:, ::4]), grey[::4])):
        far, near = (lines[1:], lines[:-1]) if axis == 0 else (lines[:, 1:], lines[:, :-1])
        steps = cv2.reduce(np.minimum(cv2.absdiff(far, near), _PLAIN_STEP), 1 - axis, cv2.REDUCE_AVG, dtype=cv2.CV_32F)
        steps = steps.ravel()
        by_place = steps[: len(steps) // 8 * 8].reshape(-1, 8).mean(axis=0)
        out.append(float(by_place[7]) / max(float(np.median(by_place[:7])), 0.1))
    return float(np.mean(out))


def blur_share(photo: Photo) -> float | None:
    """Sigma of the blur at the picture's clearest edges as a share of its long side; None without any edge.

    An edge of contrast A blurred by sigma is A / (sigma sqrt(2 pi)) steep; contrast is taken within 15 px of the
    picture reduced to 1000 px, so sigma counts up to 6 px of it. The steepest 5 % of the clear edges decide.
    """
    long_side = max(photo.bgr.shape)
    reduced, shrink = _reduced(photo)
    small = cv2.GaussianBlur(reduced, (0, 0), 0.8)  # keeps noise from looking like sharp edges
    slope = magnitude(cv2.Sobel(small, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(small, cv2.CV_32F, 0, 1, scale=1 / 8))
    window = np.ones((31, 31), np.uint8)
    contrast = cv2.dilate(small, window) - cv2.erode(small, window)
    clear = contrast > np.clip(0.3 * float(np.percentile(small, 99)), 10, 40)
    if not clear.any():
        return None
    steepness = slope[clear] / contrast[clear]
    sigma = 1 / (np.sqrt(2 * np.pi) * max(float(np.percentile(steepness, 98)), 1e-6))
    return float(np.sqrt(max(sigma**2 - 0.8**2, 0.0)) / shrink / long_side)


def _mat(view: MatView) -> Iterator[Retake]:
    far = view.mm_per_px
    if far > FAR_MM_PER_PX:
        advice = "go closer, or photograph the assembly in parts"
        yield _retake(f"taken from far ({far:.2f} mm a pixel)", advice, "diameter")
        if far > TOO_FAR_MM_PER_PX:
            yield _retake(f"taken from far ({far:.2f} mm a pixel)", advice, "label")
    if view.tilt_deg > TILT_DEG:
        yield _retake(f"taken at a slant ({view.tilt_deg:.0f} degrees)", "photograph from straight above", "length")
        if view.tilt_deg > STEEP_TILT_DEG:
            yield _retake(f"taken at a slant ({view.tilt_deg:.0f} degrees)", "photograph from straight above", "label")
    if view.u95_rel > SCALE_U95_REL:
        yield _retake(
            f"the mat is mostly covered or outside ({len(view.markers)} of {len(view.layout.markers)} markers seen, "
            f"scale within {view.u95_rel:.1%})",
            "leave more markers in view, best on all four sides",
            "length",
        )
    if sag_mm(view) > UNFLAT_MM:
        yield _retake(
            f"the mat is not flat (bent by {sag_mm(view):.1f} mm)",
            "lay it flat on a hard table, its corners weighed down",
            "length",
        )
