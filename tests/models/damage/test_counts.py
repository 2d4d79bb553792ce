"""How many wires a damage touches: intervals hold as often as they say, and are no wider than what is known."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.damage.counts import MOST, fit_counts
from models.damage.gauges import GaugeError
from vision.findings import Count

SIGNS = ("inside", "doubt")


def drawn(n, seed, most=5):
    """Signs, numbers reckoned and true: twice what was counted, off by one now and then, by three where doubt is 1."""
    rng = np.random.default_rng(seed)
    counted = rng.integers(1, most + 1, n).astype(float)
    doubt = (rng.random(n) < 0.3).astype(float)
    off = np.where(doubt > 0, rng.integers(-3, 4, n), rng.choice([-1, 0, 0, 0, 1], n))
    return np.column_stack([counted, doubt]), counted, np.maximum(2 * counted + off, 1)


@cache
def fitted():
    """A gauge from 900 examples on 300 scenes; every second one hides wires."""
    signs, counted, true = drawn(900, 1)
    return fit_counts(SIGNS, signs, counted, true, np.arange(900) // 3, np.ones(900, bool), np.arange(900) % 2 == 0, 0)


def read(counted, doubt, hides=False, reckoned_high=88):
    """The gauge's answer."""
    reckoned = Count(value=counted, low=1, high=reckoned_high, wire_ids=["w1"])
    return fitted().read(reckoned, SIGNS, np.array([counted, doubt], float), hides)


@pytest.mark.parametrize("counted", [1, 2, 4, 5])
def test_a_count_of_wires_is_corrected(counted):
    """Twice as many as were seen, no hundred because so many are in the photograph; which traces they are stays."""
    count = read(counted, 0.0)
    assert abs(count.value - 2 * counted) <= 1
    assert count.low <= count.value <= count.high <= 2 * counted + 2
    assert count.wire_ids == ["w1"]


@pytest.mark.parametrize("hides", [False, True])
def test_the_interval_holds_in_95_percent_of_new_cases(hides):
    """400 fresh draws of the same law: not fewer than 95 % within three deviations; whole numbers hold more."""
    signs, counted, true = drawn(400, 8)
    held = []
    for row, number, truth in zip(signs, counted, true, strict=True):
        count = read(int(number), row[1], hides)
        held.append(count.low <= truth <= count.high)
    assert np.mean(held) >= 0.95 - 3 * (0.95 * 0.05 / 400) ** 0.5


def test_a_doubtful_case_gets_a_wide_interval_and_a_clear_one_a_narrow_one():
    """Off by up to three against one: at least two more whole numbers."""
    widths = [[read(n, doubt).high - read(n, doubt).low for n in (3, 4, 5)] for doubt in (0.0, 1.0)]
    assert np.mean(widths[1]) >= np.mean(widths[0]) + 2


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 60), st.floats(-5, 5), st.booleans())
def test_every_reading_is_a_count_of_at_least_one_wire(counted, doubt, hides):
    """Whatever the signs, in order: low, value, high."""
    count = read(counted, doubt, hides)
    assert 1 <= count.low <= count.value <= count.high


def test_more_wires_than_were_taught_leave_the_reckoned_upper_end():
    """Damages of 30 to 50 wires: above the most that can be told apart the gauge ends no interval."""
    rng = np.random.default_rng(5)
    counted = np.concatenate([rng.integers(1, 4, 60), rng.integers(30, 50, 60)]).astype(float)
    gauge = fit_counts(
        ("inside",), counted[:, None], counted, counted, np.arange(120) // 2, np.ones(120, bool), np.zeros(120, bool), 0
    )
    count = gauge.read(Count(value=40, low=30, high=55, wire_ids=[]), ("inside",), np.array([40.0]))
    assert (count.value > MOST, count.high) == (True, 55)
    assert gauge.read(Count(value=2, low=1, high=9, wire_ids=[]), ("inside",), np.array([2.0])).high <= 4


def test_the_tail_of_damage_that_hides_wires_is_its_own():
    """Where what hides wires is off by four and the rest by none, only the former's intervals get wide."""
    rng = np.random.default_rng(6)
    hides = np.arange(400) % 2 == 0
    true = np.where(hides, rng.integers(1, 10, 400), 4)
    signs = rng.normal(size=(400, 1))
    gauge = fit_counts(("noise",), signs, np.full(400, 4.0), true, np.arange(400) // 2, np.ones(400, bool), hides, 0)
    four = Count(value=4, low=4, high=4, wire_ids=[])
    plain, hidden = (gauge.read(four, ("noise",), np.zeros(1), flag) for flag in (False, True))
    assert hidden.high - hidden.low > plain.high - plain.low
    few = fit_counts(
        ("noise",), signs, np.full(400, 4.0), true, np.arange(400) // 2, np.ones(400, bool), np.arange(400) < 5, 0
    )
    assert few.tail == pytest.approx(few.tail_hidden, abs=0.01)  # five say nothing: the tail of all usual ones


def test_signs_of_another_order_are_refused():
    """What was counted has names."""
    with pytest.raises(ValueError, match="retrain"):
        fitted().read(Count(value=1, low=1, high=1, wire_ids=[]), SIGNS[::-1], np.zeros(2))


@pytest.mark.parametrize(("count", "scenes"), [(3, 3), (20, 1), (0, 0)])
def test_too_few_examples_or_scenes_are_refused(count, scenes):
    """No gauge is made from nothing; the message says how many came."""
    signs, counted, true = drawn(count, 1)
    groups, flags = np.arange(count) % max(scenes, 1), np.ones(count, bool)
    with pytest.raises(GaugeError, match=f"got {count}"):
        fit_counts(SIGNS, signs, counted, true, groups, flags, flags, 0)


def test_examples_that_all_touch_one_wire_are_refused():
    """Nothing could be told apart."""
    signs, counted, _ = drawn(40, 1)
    with pytest.raises(GaugeError, match="alike"):
        fit_counts(SIGNS, signs, counted, np.ones(40), np.arange(40) // 2, np.ones(40, bool), np.zeros(40, bool), 0)


def test_a_wider_tail_never_widens_an_interval():
    """The interval shrinks from both ends as more may be left out."""
    four = Count(value=4, low=1, high=9, wire_ids=[])
    signs = np.array([4.0, 1.0])
    found = [replace(fitted(), tail=tail).read(four, SIGNS, signs) for tail in (0.01, 0.05, 0.2, 0.4)]
    assert [c.low for c in found] == sorted(c.low for c in found)
    assert [c.high for c in found] == sorted((c.high for c in found), reverse=True)


def test_signs_that_tell_nearly_everything_leave_no_interval_upside_down():
    """3 % ambiguous: the tail would pass a half, where both ends meet."""
    rng = np.random.default_rng(11)
    counted = rng.integers(1, 8, 600).astype(float)
    true = np.where(rng.random(600) < 0.03, rng.integers(1, 8, 600), counted)
    gauge = fit_counts(
        ("inside",), counted[:, None], counted, true, np.arange(600) // 2, np.ones(600, bool), np.zeros(600, bool), 0
    )
    assert gauge.tail == 0.5
    for number in range(1, 8):
        count = gauge.read(Count(value=number, low=1, high=9, wire_ids=[]), ("inside",), np.array([float(number)]))
        assert count.low <= count.value <= count.high
