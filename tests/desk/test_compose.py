"""Measures that a model cannot make are absent with a reason, never zero."""

from types import SimpleNamespace

import pytest

from desk.compose import Composer
from desk.notes import NO_SCALE
from vision.measure import RawMeasure

TABLE = {"ratio": 1.0, "offset": 0.0, "reach": 1.0, "floor": 3.0, "share": 0.1}


def composer(ratio=1.0, scaled=True):
    """A composer with one measure whose correction has this ratio."""
    look = SimpleNamespace(canvas=SimpleNamespace(mm_known=scaled), view=None)
    model = SimpleNamespace(measures={"crack_length_mm": {"any": TABLE | {"ratio": ratio}}})
    return Composer(look, None, model, [])


@pytest.mark.parametrize(
    ("made", "raw", "reason"),
    [
        (composer(ratio=0.0), RawMeasure(20.0), "cannot measure it"),
        (composer(scaled=False), RawMeasure(20.0), NO_SCALE),
        (composer(), RawMeasure(None, "hidden"), "hidden"),
    ],
)
def test_what_cannot_be_measured_is_absent_with_its_reason(made, raw, reason):
    """No correction, no scale, nothing seen: None, and the field is named once in `missing`."""
    assert made.measured("housings[t1].crack_length_mm", "crack_length_mm", "connector", raw) is None
    assert [(m.field, reason in m.reason) for m in made.missing] == [("housings[t1].crack_length_mm", True)]


def test_what_can_be_measured_is_corrected_and_leaves_no_reason():
    """20 mm at ratio 1.5 is 30 mm, with U95 = reach (floor + share value) and the 2 % of a stated scale."""
    made = composer(ratio=1.5)
    measure = made.measured("x", "crack_length_mm", "connector", RawMeasure(20.0))
    assert measure.value == pytest.approx(30.0)
    assert measure.u95 == pytest.approx((6.0**2 + 0.6**2) ** 0.5, abs=0.01)
    assert made.missing == []
