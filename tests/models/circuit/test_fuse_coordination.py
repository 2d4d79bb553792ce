"""Fuse over damage curve: three-valued, with the currents at which it does not protect."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.circuit.errors import UnknownFuseError
from models.circuit.fuse_coordination import DamageTime, coordinate, damage_times, opens_first
from models.circuit.fuse_table import STANDARD_RATINGS_A, fuse, opening_band_s
from models.circuit.heat import heated_wire, steady_current_a, time_to_reach_s
from models.circuit.insulation_table import CLASSES
from models.circuit.wire_table import wire_size

SIZES = (0.35, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0)


def over(rating, mm2, insulation="B", **place):
    return coordinate(rating, heated_wire(wire_size(mm2), CLASSES[insulation], **place), CLASSES[insulation])


def test_a_fuse_that_suits_its_wire_opens_first_at_every_current():
    """7.5 A on 0.5 mm², common practice: the wire bears 1.35 × 7.5 A for good."""
    found = over(7.5, 0.5)
    assert found.protects == "yes"
    assert found.unprotected == () and found.doubtful == ()
    assert found.steady_earliest_a > 1.35 * 7.5


def test_20_a_on_a_half_square_millimetre_does_not_protect():
    """From the current the wire cannot bear up to the 22 A that the fuse holds for a hundred hours."""
    found = over(20, 0.5)
    assert found.protects == "no"
    (zone,) = found.unprotected
    assert zone.from_a == pytest.approx(found.steady_latest_a, rel=1e-3)
    assert zone.to_a == pytest.approx(22.0, rel=1e-3)
    wire = heated_wire(wire_size(0.5), CLASSES["B"])
    for bound in wire.bounds():
        assert time_to_reach_s(bound, 22.0, 150.0) < 60 < opening_band_s(20, 22.0)[0]


def test_between_the_bands_it_cannot_be_told():
    """10 A on 0.5 mm²: from what the wire may just not bear to 1.35 × 10 A the fuse may or may not open."""
    found = over(10, 0.5)
    assert found.protects == "cannot_tell"
    (zone,) = found.doubtful
    assert zone.from_a == pytest.approx(found.steady_earliest_a, rel=1e-3)
    assert zone.to_a == pytest.approx(13.5, rel=1e-3)


@pytest.mark.parametrize(
    ("current", "damage", "expected"),
    [  # 10 A fuse: at 20 A it opens within 0.15 to 5 s
        (20, (6.0, 9.0), "yes"),
        (20, (5.0, 9.0), "yes"),
        (20, (1.0, 9.0), "cannot_tell"),
        (20, (0.05, 0.1), "no"),
        (12, (100.0, 200.0), "cannot_tell"),
        (10, (100.0, 200.0), "no"),
        (10, (math.inf, math.inf), "yes"),
        (10, (100.0, math.inf), "cannot_tell"),
    ],
)
def test_each_case_of_two_bands(current, damage, expected):
    """Gates of ISO 8820-3, from memory."""
    assert opens_first(10, current, DamageTime(*damage)) == expected


RANK = {"yes": 0, "cannot_tell": 1, "no": 2}


@settings(max_examples=6, deadline=None)
@given(st.integers(0, len(STANDARD_RATINGS_A) - 2), st.sampled_from(SIZES), st.sampled_from([23.0, 60.0]))
def test_a_larger_fuse_never_protects_better(index, mm2, ambient):
    """Nor does a smaller wire, a warmer place or a lower class."""
    smaller, larger = STANDARD_RATINGS_A[index : index + 2]
    here = RANK[over(smaller, mm2, ambient_c=ambient).protects]
    assert RANK[over(larger, mm2, ambient_c=ambient).protects] >= here
    assert RANK[over(smaller, mm2, ambient_c=ambient + 20).protects] >= here
    assert RANK[over(smaller, mm2, "A", ambient_c=ambient).protects] >= here
    if mm2 > SIZES[0]:
        assert RANK[over(smaller, SIZES[SIZES.index(mm2) - 1], ambient_c=ambient).protects] >= here


@settings(max_examples=8, deadline=None)
@given(st.sampled_from(STANDARD_RATINGS_A), st.sampled_from(SIZES))
def test_the_zones_cover_every_current_without_gaps(rating, mm2):
    """From 0 up, each differing from the one before; currents the wire bears are always protected."""
    zones = over(rating, mm2).zones
    assert zones[0].from_a == 0.0 and zones[0].opens_first == "yes"
    for before, after in itertools.pairwise(zones):
        assert before.to_a == after.from_a and before.opens_first != after.opens_first
    assert zones[-1].to_a >= 6 * rating * (1 - 1e-9)


def test_the_wire_band_contains_the_best_estimate():
    """At every current the earliest damage comes no later than the latest."""
    found = over(15, 1.0)
    assert all(a <= b for a, b in zip(found.wire_earliest_s, found.wire_latest_s, strict=True))
    assert all(a <= b for a, b in zip(found.fuse_least_s, found.fuse_most_s, strict=True))
    best = steady_current_a(heated_wire(wire_size(1.0), CLASSES["B"]), 100.0)
    assert found.steady_earliest_a < best < found.steady_latest_a


def test_a_wire_a_little_too_hot_is_damaged_after_six_hours():
    """Between class limit and 50 K above it: six hours from reaching the limit on; past that, at once."""
    wire = heated_wire(wire_size(0.5), CLASSES["B"])
    fast, slow = wire.bounds()
    mild, strong = 1.05 * steady_current_a(slow, 100.0), 40.0
    found = damage_times(wire, CLASSES["B"], np.array([mild, strong]))
    assert found[0].latest_s == pytest.approx(time_to_reach_s(slow, mild, 100.0) + 6 * 3600, rel=1e-3)
    assert found[1].earliest_s == pytest.approx(time_to_reach_s(fast, strong, 150.0), rel=1e-3)


def test_a_fuse_that_does_not_exist_is_refused():
    """Before anything is computed."""
    with pytest.raises(UnknownFuseError, match="12 A"):
        over(12, 0.5)


def test_a_large_body_fuse_is_never_said_to_protect_a_wire_it_can_hurt():
    """60 A on 6 mm²: its latest times are not known."""
    assert over(60, 6.0).protects != "yes"
    assert over(30, 6.0).protects == "yes"
    assert fuse(30).made_large_too and not fuse(60).made_large_too and not fuse(10).made_large_too
