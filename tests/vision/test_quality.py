"""What a photograph is good enough for: each fault by itself, and none on a good photograph."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from vision.findings import Retake
from vision.layout import builtin_layouts
from vision.mat import MatView, find_mat
from vision.own_mats import own_layout
from vision.quality import block_step, blur_share, judge_quality, noise_level, usable
from vision.reading import Photo

A4 = own_layout("a4")
Shoot = Callable[..., object]


def _photo(bgr: np.ndarray) -> Photo:
    return Photo(np.ascontiguousarray(bgr), "x.jpg", "", bgr.shape[1], bgr.shape[0])


def _judged(photo: Photo) -> list[Retake]:
    view = find_mat(photo, builtin_layouts())
    return judge_quality(photo, view if isinstance(view, MatView) else None)


def _measures(retakes: list[Retake], word: str) -> set[str]:
    return {r.measure for r in retakes if word in r.fault}


@pytest.fixture(scope="module")
def good(shoot: Shoot) -> Photo:
    """A sharp, bright, nearly frontal photograph of the A4 mat with dark wires on it."""
    photo = shoot(A4, tilt_deg=12, blur_px=0.6, size=(1600, 1200), focal_px=1250).photo
    for y in range(450, 700, 40):
        cv2.line(photo.bgr, (450, y), (1100, y + 30), (40, 30, 120), 12, cv2.LINE_AA)
    return photo


def test_a_good_photograph_has_no_fault(good: Photo):
    """Nothing to retake, and usable."""
    assert _judged(good) == []
    assert usable([])


def test_without_a_mat_lengths_are_missing_but_the_photograph_is_usable(good: Photo):
    """The only fault of a good photograph whose mat was not found concerns lengths."""
    retakes = judge_quality(good, None)
    assert [(r.fault, r.measure) for r in retakes] == [("no mat in view", "length")]
    assert usable(retakes)


@pytest.mark.parametrize("level", [0, 6, 255])
def test_black_and_white_pictures_are_unusable(level: int):
    """Nothing can be said of a picture without content."""
    assert not usable(_judged(_photo(np.full((900, 1200, 3), level, np.uint8))))


def test_a_dark_photograph_spoils_colours_only(good: Photo):
    """A fifth of the levels: named as dark, still usable."""
    retakes = _judged(_photo(good.bgr // 5))
    assert _measures(retakes, "dark") == {"colour"} and usable(retakes)


def test_an_overexposed_photograph_spoils_colours(good: Photo):
    """Most of the paper pure white."""
    retakes = _judged(_photo(np.clip(good.bgr.astype(int) * 2, 0, 255).astype(np.uint8)))
    assert _measures(retakes, "overexposed") == {"colour"} and usable(retakes)


def test_glare_is_named_with_its_area(good: Photo):
    """A white spot of 30 mm across (7 cm2) on a mat that is not white."""
    bgr = (good.bgr * 0.8).astype(np.uint8)
    view = find_mat(_photo(bgr), builtin_layouts())
    cv2.circle(bgr, (800, 500), round(15 / view.mm_per_px), (255, 255, 255), -1)
    retakes = judge_quality(_photo(bgr), view)
    (glare,) = [r for r in retakes if "glare" in r.fault]
    assert "7 cm2" in glare.fault and glare.measure == "label" and usable(retakes)


def test_blur_of_half_a_millimetre_spoils_labels(good: Photo):
    """Labels were found to be lost at 0.6 mm and to hold at 0.3: the gate asks from half a millimetre on."""
    mm_per_px = find_mat(good, builtin_layouts()).mm_per_px
    half = _judged(_photo(cv2.GaussianBlur(good.bgr, (0, 0), 0.5 / mm_per_px)))
    assert "label" in _measures(half, "blurred") and usable(half)


def test_blur_spoils_diameters_first_then_labels_then_everything(good: Photo):
    """Blur measured at the markers in mm; blurred beyond the markers it is measured at the picture's edges."""
    small = _judged(_photo(cv2.GaussianBlur(good.bgr, (0, 0), 1.7)))
    large = _judged(_photo(cv2.GaussianBlur(good.bgr, (0, 0), 4.0)))
    hopeless = _judged(_photo(cv2.GaussianBlur(good.bgr, (0, 0), 25.0)))
    assert _measures(small, "blurred") == {"diameter"} and usable(small)
    assert _measures(large, "blurred") == {"diameter", "label"} and usable(large)
    assert not usable(hopeless)


@pytest.mark.parametrize("sigma", [2.5, 4.0, 5.5])
def test_blur_without_a_mat_is_measured_as_it_was_made(good: Photo, sigma: float):
    """The share of the picture's width agrees with the blur applied, within a fifth."""
    blurred = _photo(cv2.GaussianBlur(good.bgr, (0, 0), sigma))
    assert blur_share(blurred) * 1600 == pytest.approx(sigma, rel=0.2)


@pytest.mark.parametrize("sigma", [2.0, 4.0, 8.0])
def test_noise_is_measured_as_it_was_made(good: Photo, sigma: float):
    """Grey noise on a picture of 1000 px: its standard deviation within a tenth, whatever else the picture shows."""
    small = cv2.resize(good.bgr, (1000, 750), interpolation=cv2.INTER_AREA).astype(float)
    noise = np.random.default_rng(3).normal(0, sigma, (750, 1000, 1))
    noisy = _photo(np.clip(np.round(small * 0.8 + 20 + noise), 0, 255).astype(np.uint8))
    assert noise_level(noisy) == pytest.approx(sigma, rel=0.1)


def test_noise_past_its_limit_spoils_labels(good: Photo):
    """24 levels a pixel at 1600 px are about 10 at 1000: named, with the photograph usable; 2 are not."""
    rng = np.random.default_rng(3)
    strong, weak = (
        _photo(np.clip(np.round(good.bgr + rng.normal(0, s, (*good.bgr.shape[:2], 1))), 0, 255).astype(np.uint8))
        for s in (24, 2)
    )
    assert _measures(_judged(strong), "noisy") == {"label"} and usable(_judged(strong))
    assert _measures(_judged(weak), "noisy") == set()


def test_a_file_compressed_too_hard_spoils_labels(good: Photo):
    """Quality 10 shows its blocks, quality 95 does not; resized afterwards no blocks of 8 px are left."""
    hard, mild = (
        _photo(cv2.imdecode(cv2.imencode(".jpg", good.bgr, [cv2.IMWRITE_JPEG_QUALITY, q])[1], cv2.IMREAD_COLOR))
        for q in (10, 95)
    )
    assert _measures(_judged(hard), "compressed") == {"label"} and usable(_judged(hard))
    assert _measures(_judged(mild), "compressed") == set()
    resized = cv2.resize(hard.bgr, (1240, 930), interpolation=cv2.INTER_AREA)
    assert block_step(_photo(resized)) < 1.3


def test_steps_at_the_rims_of_blocks_are_counted_against_the_others():
    """Grey that rises by one level a pixel and by four at every eighth: 4 to 1, both ways."""
    ramp = np.cumsum(np.where(np.arange(160) % 8 == 0, 4, 1)) // 2
    grey = np.add.outer(ramp, ramp).astype(np.uint8)
    assert block_step(_photo(np.dstack([grey] * 3))) == pytest.approx(4.0, rel=0.25)


def test_blur_at_the_markers_is_measured_as_it_was_made(shoot: Shoot):
    """Sigma in px at the markers' edges within 15 % of the camera's, pixel area included."""
    for sigma in (1.0, 1.5, 2.5):
        view = find_mat(shoot(A4, blur_px=sigma, size=(1600, 1200), focal_px=1250).photo, builtin_layouts())
        assert view.blur_px == pytest.approx(np.hypot(sigma, 0.3), rel=0.15)


def test_small_pictures(good: Photo):
    """Below 1000 px the label suffers, below 400 px nothing can be said."""
    preview = _judged(_photo(cv2.resize(good.bgr, (800, 600), interpolation=cv2.INTER_AREA)))
    stamp = _judged(_photo(cv2.resize(good.bgr, (320, 240), interpolation=cv2.INTER_AREA)))
    assert _measures(preview, "only 800 x 600 px") == {"label"} and usable(preview)
    assert not usable(stamp)


def test_a_far_view_spoils_diameters_first(shoot: Shoot):
    """0.4 mm a pixel: diameters only; the photograph may still be labelled."""
    retakes = _judged(shoot(A4, distance_mm=320, tilt_deg=0).photo)
    assert _measures(retakes, "from far") == {"diameter"} and usable(retakes)


def test_a_slanted_view_spoils_lengths(shoot: Shoot):
    """45 degrees of tilt are named."""
    retakes = _judged(shoot(A4, tilt_deg=45, distance_mm=330).photo)
    assert _measures(retakes, "slant") == {"length"} and "45 degrees" in " ".join(r.fault for r in retakes)


def test_a_mostly_covered_mat_spoils_lengths(shoot: Shoot):
    """One marker in view: how many were seen, and what to do."""
    shot = shoot(A4, aim_mm=(13.5, 13.5), distance_mm=45, tilt_deg=10, turn_deg=0, focal_px=775)
    (covered,) = [r for r in _judged(shot.photo) if "mostly covered" in r.fault]
    assert "1 of 22 markers" in covered.fault and covered.measure == "length"


def test_every_fault_comes_with_advice(good: Photo, shoot: Shoot):
    """No retake without saying how."""
    for photo in (_photo(good.bgr // 12), shoot(A4, tilt_deg=62, distance_mm=500, blur_px=4).photo):
        retakes = _judged(photo)
        assert retakes and all(len(r.advice) > 15 and r.fault for r in retakes)
