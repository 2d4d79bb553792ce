"""How many wires a bundle can hold, against known packings of circles and against bundles built by hand."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.findings import Measure
from vision.packing import WRAPS, most_circles, usual_circles, wires_within

# smallest circle that holds n equal circles of diameter 1: best known packings (R. L. Graham et al., Discrete
# Mathematics 181, 1998, and earlier work for n up to 11, proved there); all from memory, the first seven also by hand
HOLDS = {
    1: 1.0, 2: 2.0, 3: 2.1547, 4: 2.4142, 5: 2.7013, 6: 3.0, 7: 3.0, 8: 3.3048, 9: 3.6131, 10: 3.8130, 11: 3.9238,
    12: 4.0296, 13: 4.2361, 15: 4.5214, 16: 4.6154, 17: 4.7920, 18: 4.8637, 19: 4.8637, 20: 5.1223,
}  # fmt: skip


def m(value: float, u95: float = 0.4) -> Measure:
    """A measured length."""
    return Measure(value=value, u95=u95)


@pytest.mark.parametrize(("count", "ratio"), HOLDS.items())
def test_the_bound_lies_above_every_known_packing_and_by_two_at_most(count: int, ratio: float):
    """A bound below a packing that exists would be wrong; the theorem is known to be sharp within two here."""
    assert count <= most_circles(ratio + 1e-4) <= count + 2


def test_the_circles_of_three_four_and_seven_are_known_in_closed_form():
    """Middles on a triangle, a square, and a hexagon around one: 1 + 2 / sqrt 3, 1 + sqrt 2, 3."""
    assert HOLDS[3] == pytest.approx(1 + 2 / math.sqrt(3), abs=1e-4)
    assert HOLDS[4] == pytest.approx(1 + math.sqrt(2), abs=1e-4)
    assert HOLDS[7] == 3.0


@given(st.floats(1.0, 16.0), st.floats(0, 1), st.floats(0, 1))
def test_no_lattice_of_touching_circles_holds_more_than_the_bound(ratio: float, x: float, y: float):
    """The densest lattice of the plane, moved anyhow, counted where its circles lie wholly inside."""
    i, j = np.mgrid[-20:21, -20:21]
    middles = np.hypot(i + 0.5 * j + x, math.sqrt(3) / 2 * j + y)
    assert (middles <= (ratio - 1) / 2).sum() <= most_circles(ratio)


@given(st.floats(1.0, 30.0), st.floats(0.0, 5.0))
def test_a_wider_bundle_never_holds_fewer(ratio: float, more: float):
    """Bound and rule both grow with the width."""
    assert most_circles(ratio) <= most_circles(ratio + more)
    assert usual_circles(ratio) <= usual_circles(ratio + more)


def test_nothing_fits_into_less_than_its_own_width():
    """Just narrower than one wire holds none."""
    assert (most_circles(0.99), most_circles(1.0), most_circles(1.99)) == (0, 1, 3)


@given(st.integers(1, 5), st.floats(1.2, 3.5), st.floats(-0.5, 0.5))
def test_a_bundle_laid_in_a_hexagon_lies_within_the_interval(rings: int, diameter: float, off: float):
    """k rings of wires about one: 3k(k + 1) + 1 of them, 2k + 1 diameters wide, whatever the width is misread by."""
    count = 3 * rings * (rings + 1) + 1
    width = (2 * rings + 1) * diameter + 2 * WRAPS["tape"].usual_mm + off
    found = wires_within(m(width, 0.7), "tape", [m(diameter)] * 4, seen=1)
    assert found is not None and found.low <= count <= found.high
    assert found.low <= found.value <= found.high


@given(st.lists(st.floats(1.2, 3.3), min_size=2, max_size=60))
def test_wires_taped_flat_side_by_side_lie_within_the_interval(diameters: list[float]):
    """One layer: the width is the sum of the diameters, which no round bundle of so few wires reaches."""
    width = sum(diameters) + 2 * WRAPS["tape"].usual_mm
    found = wires_within(m(width, 0.7), "tape", [m(d) for d in diameters], seen=0)
    assert found is not None and found.low <= len(diameters) <= found.high


def test_a_round_bundle_of_fifty_is_told_within_a_factor():
    """50 wires of 2 mm, 1.2 x 2 x sqrt 50 = 17.0 mm: the usual number is theirs, the bound no more than half above."""
    found = wires_within(m(17.0 + 0.6, 0.7), "tape", [m(2.0, 0.2)] * 12, seen=8)
    assert found is not None and abs(found.value - 50) <= 1
    assert 8 <= found.low < 50 < found.high <= 95


def test_wires_seen_to_go_in_count_at_least():
    """Twelve were followed up to the tape: there are no fewer beneath, and of a loose conduit nothing more is sure."""
    tape, conduit = (wires_within(m(14.0), kind, [m(2.0)] * 12, seen=12) for kind in ("tape", "conduit"))
    assert tape is not None and tape.low == 12
    assert conduit is not None and (conduit.low, conduit.value) == (12, 12) and conduit.high > 12


def test_without_a_known_diameter_there_is_no_number():
    """Absent, not zero; the same where the wrap alone is as thick as what is seen."""
    assert wires_within(m(14.0), "tape", [], seen=3) is None
    assert wires_within(m(0.5, 0.1), "conduit", [m(2.0)], seen=0) is None
    assert wires_within(m(14.0), "tape", [m(0.3, 0.4)], seen=3) is None


def test_a_wide_conduit_holds_no_more_than_the_bundle_that_leaves_it():
    """Six wires of 2 mm in a conduit of 24 mm: the conduit has room for many, the bare bundle of 7 mm has not."""
    loose = wires_within(m(24.0), "conduit", [m(2.0, 0.2)] * 6, seen=6)
    known = wires_within(m(24.0), "conduit", [m(2.0, 0.2)] * 6, 6, [m(6.0, 0.5), m(7.0, 0.5)])
    assert known.high < loose.high / 4
    assert known.low == loose.low == 6 <= known.high


def test_ends_too_narrow_for_the_wires_surely_beneath_are_not_believed():
    """A bundle misread as 3 mm wide, where a tight tape of 16 mm cannot hold fewer than seven wires of 2 mm."""
    plain = wires_within(m(16.0, 0.7), "tape", [m(2.0, 0.2)] * 4, seen=2)
    misread = wires_within(m(16.0, 0.7), "tape", [m(2.0, 0.2)] * 4, 2, [m(3.0, 0.5)] * 2)
    assert misread == plain and plain.low >= 5 and plain.high > 3 * plain.low
