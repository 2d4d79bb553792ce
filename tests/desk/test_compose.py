"""Measures that a model cannot make are absent with a reason, never zero."""

from types import SimpleNamespace

import numpy as np
import pytest

from desk.compose import Composer
from desk.notes import NO_SCALE
from vision.measure import RawMeasure

NO_INPUTS = np.zeros(0)


def composer(scaled=True):
    """A composer with one gauge that reads half as much again, within 6 mm."""
    look = SimpleNamespace(canvas=SimpleNamespace(mm_known=scaled), view=None)
    gauge = SimpleNamespace(read=lambda inputs, raw: (1.5 * raw, 6.0))
    return Composer(look, None, SimpleNamespace(measures={"crack_length_mm": gauge}), [])


@pytest.mark.parametrize(
    ("made", "raw", "reason"),
    [
        (composer(scaled=False), RawMeasure(20.0), NO_SCALE),
        (composer(), RawMeasure(None, "hidden"), "hidden"),
    ],
)
def test_what_cannot_be_measured_is_absent_with_its_reason(made, raw, reason):
    """No scale, nothing seen: None, and the field is named once in `missing`."""
    assert made.measured("housings[t1].crack_length_mm", "crack_length_mm", NO_INPUTS, raw) is None
    assert [(m.field, reason in m.reason) for m in made.missing] == [("housings[t1].crack_length_mm", True)]


def test_what_can_be_measured_leaves_no_reason_and_bears_the_scales_uncertainty():
    """20 mm read as 30 mm within 6 mm, and the 2 % of a stated scale: U95 is the root of 6² + 0.6²."""
    made = composer()
    measure = made.measured("x", "crack_length_mm", NO_INPUTS, RawMeasure(20.0))
    assert measure.value == pytest.approx(30.0)
    assert measure.u95 == pytest.approx((6.0**2 + 0.6**2) ** 0.5, abs=0.01)
    assert made.missing == []
