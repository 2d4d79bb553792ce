"""Evening the light, against light whose formula is known."""

import cv2
import numpy as np
import pytest

from vision.light import PAGE_LINEAR, even_light


def to_srgb(linear: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1 encoding, written down from the standard, to uint8."""
    linear = np.clip(linear, 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.rint(encoded * 255).astype(np.uint8)


def slanting_light(h: int, w: int) -> np.ndarray:
    """(h, w) light that falls from 0.9 to 0.38 across the picture."""
    y, x = np.mgrid[0 : 1 : h * 1j, 0 : 1 : w * 1j]
    return 0.9 * np.exp(-0.6 * x - 0.25 * y)


def lightness_of(linear: float) -> float:
    """CIE 15: L* of a grey of this relative luminance."""
    return 116 * linear ** (1 / 3) - 16


def test_a_white_page_under_slanting_warm_light_becomes_evenly_white():
    """Everywhere within one unit of L* and of a*, b* of neutral paper."""
    light = slanting_light(300, 420)[..., None] * np.array([0.75, 0.95, 1.0])  # b, g, r
    even = even_light(to_srgb(light), np.ones((300, 420), bool), True)
    assert np.abs(even.lab[..., 0] - lightness_of(PAGE_LINEAR)).max() < 1.0
    assert np.abs(even.lab[..., 1:]).max() < 1.0


@pytest.mark.parametrize("reflectance", [0.05, 0.2, 0.5])
def test_a_grey_part_under_slanting_light_gets_its_own_lightness(reflectance):
    """A disc that reflects a known share of what paper does is that share dark, wherever it lies."""
    light = slanting_light(300, 420)
    for centre in [(80, 80), (330, 210)]:
        scene = np.ones((300, 420))
        cv2.circle(scene, centre, 40, reflectance, -1)
        even = even_light(to_srgb((scene * light)[..., None].repeat(3, 2)), np.ones((300, 420), bool), True)
        seen = np.median(even.lab[centre[1] - 9 : centre[1] + 9, centre[0] - 9 : centre[0] + 9, 0])
        assert seen == pytest.approx(lightness_of(PAGE_LINEAR * reflectance), abs=1.2)


def test_a_large_dark_assembly_does_not_drag_the_light_down():
    """A third of the page under black: the rest is white all the same."""
    scene = np.ones((300, 420))
    scene[100:200, 20:400] = 0.04
    even = even_light(
        to_srgb((scene * slanting_light(300, 420))[..., None].repeat(3, 2)), np.ones((300, 420), bool), True
    )
    assert np.abs(even.lab[:90, :, 0] - lightness_of(PAGE_LINEAR)).max() < 1.5


WIRES = [0.03, 0.3, 0.5, 0.1, 0.2, 0.6, 0.05]


@pytest.mark.parametrize("lies", ["across the page", "over one side of it", "all black over one side of it"])
@pytest.mark.parametrize("share", [0.1, 0.45, 0.6])
def test_paper_is_known_on_a_close_up(share, lies):
    """Wires over up to three fifths of the page, spread or in one block: paper is white, they keep their reflectance.

    White to 2 L everywhere; wires to 3 L between paper; where none is about, light is a guess
    from afar and pale wires look like paper in less light: to 17 L (black ones to 8).
    """
    h, w = 600, 840
    scene = np.ones((h, w))
    if lies == "across the page":
        for k in range(12):
            scene[:, 70 * k : 70 * k + round(70 * share)] = WIRES[k % 7]
    else:
        for k in range(0, round(w * share), 24):
            scene[:, k : k + 24] = 0.04 if "black" in lies else WIRES[k // 24 % 7]
    picture = to_srgb((scene * slanting_light(h, w))[..., None].repeat(3, 2))
    even = even_light(picture, np.ones((h, w), bool), True).lab[..., 0]
    assert np.abs(even[scene == 1] - lightness_of(PAGE_LINEAR)).max() < 2.0
    allowed = {"across the page": 3.0, "over one side of it": 17.0, "all black over one side of it": 8.0}[lies]
    for reflectance in np.unique(scene[scene < 1]):
        seen = np.median(even[scene == reflectance])
        assert seen == pytest.approx(lightness_of(PAGE_LINEAR * reflectance), abs=allowed)


def test_a_bench_keeps_its_colour():
    """Without a white page only the unevenness goes: hue of the ground stays, spread shrinks."""
    colour = np.array([0.10, 0.22, 0.40])
    picture = to_srgb(slanting_light(240, 320)[..., None] * colour)
    even = even_light(picture, np.ones((240, 320), bool), False)
    flat = cv2.cvtColor((picture / 255).astype(np.float32), cv2.COLOR_BGR2Lab)
    assert even.lab[..., 0].std() < 0.1 * flat[..., 0].std()
    assert np.median(even.lab[..., 2]) == pytest.approx(np.median(flat[..., 2]), abs=4)


def test_burnt_out_and_black_pixels_are_named():
    """Exactly the pixels with a channel at the top, or with none above the bottom."""
    picture = np.full((96, 96, 3), 180, np.uint8)
    picture[10:20, 10:20] = (255, 200, 200)
    picture[40:50, 40:50] = (2, 3, 1)
    picture[60:70, 60:70] = (2, 60, 1)
    expected = np.zeros((96, 96), bool)
    expected[10:20, 10:20] = expected[40:50, 40:50] = True
    assert np.array_equal(even_light(picture, np.ones((96, 96), bool), True).clipped, expected)


@pytest.mark.parametrize("size", [(9, 9), (50, 13), (333, 217)])
def test_any_size_of_canvas_is_evened(size):
    """Sizes that are no multiple of anything give a finite picture of the same size."""
    even = even_light(np.full((*size, 3), 200, np.uint8), np.ones(size, bool), True)
    assert even.lab.shape == (*size, 3)
    assert np.isfinite(even.lab).all()
    assert np.ptp(even.lab[..., 0]) < 0.5
