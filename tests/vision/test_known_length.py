"""A scale from two clicks: its value, its uncertainty, and what gives none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.known_length import CLICK_PX, UNKNOWN_VIEW_U95_REL, KnownLengthError, scale_of_known_length


def test_the_scale_is_length_over_distance():
    """A 3-4-5 triangle: 100 mm over 500 px."""
    assert scale_of_known_length((10, 20), (310, 420), 100).value == pytest.approx(0.2)


@given(st.floats(30, 3000), st.floats(5, 500), st.floats(0.5, 4))
def test_twice_the_picture_is_half_the_scale_and_longer_references_are_more_certain(px: float, mm: float, k: float):
    """Scale follows both lengths; a reference k times as long in px and mm is never less certain, relatively."""
    one = scale_of_known_length((0, 0), (px, 0), mm, 0.1)
    assert scale_of_known_length((0, 0), (0, 2 * px), mm, 0.1).value == pytest.approx(one.value / 2)
    if k >= 1:
        longer = scale_of_known_length((0, 0), (k * px, 0), k * mm, 0.1)
        assert longer.value == pytest.approx(one.value)
        assert longer.u95 <= one.u95 * (1 + 1e-9)


def test_clicks_and_lengths_drawn_at_random_are_covered_in_95_of_100():
    """2000 references: clicks off by 1.5 px each way, the ruler by 0.25 mm, the view by 1 % (sigma each)."""
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(2000):
        px = rng.uniform(80, 1500)
        a, b = rng.normal(0, CLICK_PX, 2), np.array([px, 0]) + rng.normal(0, CLICK_PX, 2)
        said = 0.2 * px + rng.normal(0, 0.25)
        here = 0.2 * (1 + rng.normal(0, UNKNOWN_VIEW_U95_REL / 2))
        budget = scale_of_known_length((a[0], a[1]), (b[0], b[1]), said, 0.5)
        hits += abs(budget.value - here) <= budget.u95
    assert 0.94 <= hits / 2000 <= 0.965


@pytest.mark.parametrize(
    ("end", "length", "u95"),
    [
        ((5, 5), 100, 0.5), ((300, 0), 0, 0), ((300, 0), -3, 0.5), ((300, 0), math.nan, 0.5), ((300, 0), 10, 10),
        ((math.nan, 0), 100, 0.5), ((300, 0), math.inf, 0.5), ((300, 0), 10, -1),
    ],
)  # fmt: skip
def test_references_that_give_no_scale_are_refused(end: tuple, length: float, u95: float):
    """Points that lie together, no length, an uncertainty as large as the length."""
    with pytest.raises(KnownLengthError, match="expected"):
        scale_of_known_length((0, 0), end, length, u95)
