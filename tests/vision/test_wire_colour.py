"""Insulation colours named by IEC 60757 codes."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2lab

from vision.wire_colour import REFERENCE_LAB, name_colour, nearest_code, robust_colour, runner_up_ratio

TYPICAL_SRGB = {
    "BK": (28, 28, 30), "BN": (98, 60, 40), "RD": (185, 30, 35), "OG": (220, 100, 35), "YE": (235, 200, 50),
    "GN": (30, 120, 65), "BU": (35, 70, 155), "VT": (100, 55, 135), "GY": (130, 132, 135), "WH": (230, 230, 225),
    "PK": (225, 130, 160), "TQ": (45, 155, 160), "tan": (190, 155, 115),
}  # fmt: skip
"""Plastics of the trade as seen on a screen; our own choice, no published source."""

IEC_60757 = {"BK", "BN", "RD", "OG", "YE", "GN", "BU", "VT", "GY", "WH", "PK", "TQ"}


def _lab(srgb: tuple[int, int, int], light: float = 1.0) -> np.ndarray:
    """scikit-image's CIELAB of an sRGB colour under a share of the light."""
    value = np.array(srgb) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4) * light
    encoded = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    return rgb2lab(encoded[None, None])[0, 0]


def test_every_code_but_the_trade_words_is_in_the_standard():
    """IEC 60757 letter codes; words in lower case have none."""
    assert {code for code in REFERENCE_LAB if code.isupper()} == IEC_60757


@pytest.mark.parametrize("code", TYPICAL_SRGB)
def test_a_typical_colour_gets_its_code(code):
    """Converted by scikit-image."""
    assert nearest_code(_lab(TYPICAL_SRGB[code])) == code


@pytest.mark.parametrize("code", ["RD", "OG", "YE", "GN", "BU", "VT", "PK", "TQ", "tan"])
def test_a_colour_keeps_its_code_in_half_the_light(code):
    """A round wire is shaded: half the light changes lightness and chroma, not the name."""
    assert nearest_code(_lab(TYPICAL_SRGB[code], 0.5)) == code


def test_a_colour_between_two_codes_is_known_to_be_doubtful():
    """Half-way between red and orange either may be meant; the reference itself is clear."""
    red, orange = (np.array(REFERENCE_LAB[code], float) for code in ("RD", "OG"))
    assert runner_up_ratio((red + orange) / 2) > 0.7
    assert runner_up_ratio(red) < 0.2


def test_the_better_lit_half_speaks_for_the_wire():
    """A third of the columns lie in deep shadow: the colour stays that of the lit ones."""
    lab = np.array([(41.0, 54, 35)] * 20 + [(12.0, 15, 8)] * 10)
    assert robust_colour(lab) == pytest.approx((41, 54, 35))


def test_a_recurring_band_of_another_colour_is_the_stripe():
    """A yellow band in every third column of a green wire; a single one is an accident."""
    lab = np.full((60, 3), REFERENCE_LAB["GN"], float)
    stripe = np.full((60, 3), np.nan)
    stripe[::3] = REFERENCE_LAB["YE"]
    assert name_colour(lab[0], lab, stripe)[0] == "GN/YE"
    stripe[1:] = np.nan
    assert name_colour(lab[0], lab, stripe)[0] == "GN"
