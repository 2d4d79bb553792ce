"""Corrections of measures keep the coverage they promise."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.measure import Correction, fit_correction


def test_u95_covers_95_percent_of_new_cases():
    """Errors drawn afresh from the same law stay within U95 in 95 % of cases (binomial tolerance)."""
    rng = np.random.default_rng(3)

    def draw(n):
        truth = rng.uniform(10, 200, n)
        return truth * 0.9 + rng.normal(0, 1 + 0.03 * truth), truth

    raw, truth = draw(4000)
    correction = fit_correction(raw, truth, 3.0, 0.1, True)
    raw, truth = draw(4000)
    measures = [correction.apply(r, 0.0) for r in raw]
    covered = np.mean([abs(m.value - t) <= m.u95 for m, t in zip(measures, truth, strict=True)])
    assert covered == pytest.approx(0.95, abs=0.015)


def test_a_bias_of_scale_is_taken_out():
    """Raw values at 80 % of the truth come back to it."""
    truth = np.linspace(20, 150, 50)
    correction = fit_correction(0.8 * truth, truth, 3.0, 0.1, True)
    assert correction.apply(80.0, 0.0).value == pytest.approx(100.0, abs=0.01)


def test_an_offset_is_taken_out():
    """Distances 4 mm short come back."""
    truth = np.linspace(20, 150, 50)
    assert fit_correction(truth - 4, truth, 3.0, 0.03, False).apply(96.0, 0.0).value == pytest.approx(100.0)


@given(st.floats(0, 500), st.floats(0, 0.1), st.floats(0, 0.1))
def test_a_worse_scale_never_narrows_the_uncertainty(raw, one, more):
    """U95 grows with the scale's uncertainty, and no measure is negative."""
    correction = Correction(1.1, -5.0, 1.5, 3.0, 0.1)
    narrow, wide = correction.apply(raw, one), correction.apply(raw, one + more)
    assert wide.u95 >= narrow.u95
    assert narrow.value >= 0
