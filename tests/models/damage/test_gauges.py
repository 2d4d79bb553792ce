"""Gauges keep the coverage they promise, narrow where a case is clear; the ending finds where wires go."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.damage.gauges import (
    GaugeError,
    distance_inputs,
    distance_names,
    fit_ending,
    fit_gauge,
)


def drawn(n, seed, share=0.9):
    """Raw values at a share of the truth; the error is ten times larger where the first feature is above 0."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(n, 2))
    truth = rng.uniform(20, 200, n)
    raw = np.maximum(share * truth + rng.normal(0, np.where(x[:, 0] > 0, 20.0, 2.0)), 0)
    return x, raw, truth


@cache
def fitted(usual_share=1.0):
    """A gauge from 1500 examples on 500 scenes."""
    x, raw, truth = drawn(1500, 1)
    usual = np.arange(1500) < usual_share * 1500
    return fit_gauge(("doubt", "noise"), x, raw, truth, np.arange(1500) // 3, usual, 5.0, 0)


def readings(x, raw, gauge):
    """Values and U95, each (n,)."""
    return np.array([gauge.read(row, r) for row, r in zip(x, raw, strict=True)]).T


def test_u95_covers_95_percent_of_new_cases():
    """400 fresh draws of the same law: the share within U95 is 0.95 within its binomial band (three deviations)."""
    x, raw, truth = drawn(400, 2)
    value, u95 = readings(x, raw, fitted())
    assert np.mean(np.abs(value - truth) <= u95) == pytest.approx(0.95, abs=3 * (0.95 * 0.05 / 400) ** 0.5)


def test_a_clear_case_gets_a_narrow_band_and_a_doubtful_one_a_wide_one():
    """Errors of 2 against 20: the bands differ by more than three times, though one reach serves both."""
    x, raw, _ = drawn(300, 3)
    _, u95 = readings(x, raw, fitted())
    assert np.median(u95[x[:, 0] > 0.2]) > 3 * np.median(u95[x[:, 0] < -0.2])


def test_a_bias_of_scale_is_taken_out():
    """Raw values at 90 % of the truth come back to it where the error is small."""
    x, raw, truth = drawn(300, 4)
    value, _ = readings(x, raw, fitted())
    clear = x[:, 0] < -0.2
    assert np.median(value[clear] / truth[clear]) == pytest.approx(1.0, abs=0.02)


def test_the_reach_is_taken_on_usual_examples():
    """Examples not usual, with errors a hundred times larger, widen no band when 40 usual ones are there."""
    x, raw, truth = drawn(600, 5)
    usual = np.arange(600) % 2 == 0
    wild = np.where(usual, raw, np.abs(raw + np.random.default_rng(6).normal(0, 300, 600)))
    x[:, 1] = np.where(usual, -1.0, 1.0)
    groups = np.arange(600) // 2
    both = fit_gauge(("doubt", "usual"), x, wild, truth, groups, usual, 5.0, 0)
    every = fit_gauge(("doubt", "usual"), x, wild, truth, groups, np.ones(600, bool), 5.0, 0)
    mine = both.read(np.array([-1.0, -1.0]), 100.0)[1]
    assert mine < 60
    assert mine <= every.read(np.array([-1.0, -1.0]), 100.0)[1] * 1.5


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 5000), st.floats(-50, 50))
def test_no_reading_is_negative_and_every_one_has_a_band(raw, doubt):
    """Whatever the raw value and the features."""
    value, u95 = fitted().read(np.array([doubt, 0.0]), raw)
    assert value >= 0
    assert u95 > 0


def test_a_missing_feature_is_no_obstacle():
    """A raw measure that could not be had is nan among the inputs."""
    assert np.isfinite(fitted().read(np.array([np.nan, 0.0]), 50.0)).all()


@pytest.mark.parametrize(("count", "scenes"), [(3, 3), (20, 1), (0, 0)])
def test_too_few_examples_or_scenes_are_refused(count, scenes):
    """No gauge is made from nothing; the message says how many came."""
    x, raw, truth = drawn(count, 1)
    with pytest.raises(GaugeError, match=f"got {count}"):
        fit_gauge(("a", "b"), x, raw, truth, np.arange(count) % max(scenes, 1), np.ones(count, bool), 5.0, 0)


def test_the_ending_finds_the_way_whose_sign_speaks_for_it():
    """One of three ways has the sign in training; on a new damage it gets most of the probability, which sums to 1."""
    rng = np.random.default_rng(0)
    signs = rng.uniform(0, 0.4, (300, 2))
    right = np.arange(300) % 3 == 1
    signs[right, 0] += 0.6
    shares = fit_ending(("colour", "noise"), signs, right, 0).shares(np.array([[0.1, 0.2], [0.9, 0.2], [0.2, 0.1]]))
    assert shares.sum() == pytest.approx(1.0)
    assert shares[1] > 0.9


def test_an_ending_from_ways_that_are_all_right_is_refused():
    """Nothing could be told apart."""
    with pytest.raises(GaugeError):
        fit_ending(("colour",), np.zeros((4, 1)), np.ones(4, bool), 0)


def test_what_the_distance_looks_at_has_a_name_for_each_value():
    """Ways of 100 and 40 mm at 3 to 1: the root mean square distance to the likelier is 60 sqrt(1/4) = 30 mm."""
    signs = np.array([[1.0, 2.0], [3.0, 4.0]])
    x = distance_inputs(np.array([7.0]), signs, np.array([100.0, 40.0]), np.array([0.75, 0.25]))
    assert dict(zip(distance_names(("own",), ("s", "t")), x, strict=True)) == {
        "own": 7.0, "s": 1.0, "t": 2.0, "share_of_best": 0.75, "ways_apart_mm": pytest.approx(30.0),
    }  # fmt: skip
