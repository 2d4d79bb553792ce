"""Voltage drop against published examples, its spread, and equal loads."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.circuit.drop import Contact, Segment, charge_time_s, drop, equal_loads, resistance, segment_of
from models.circuit.errors import CircuitError
from models.circuit.wire_table import awg_size, wire_size

FOOT_MM = 304.8


def per_metre(ohm_per_foot):
    return ohm_per_foot / 0.3048


@pytest.mark.parametrize(
    ("ohm_per_foot", "feet", "expected_v"),
    [  # AC 43.13-1B, 20 A
        (0.00044, 107, 0.942),
        (0.00126, 39, 0.98),
        (0.00126, 19.5, 0.491),
    ],
)
def test_the_drops_of_the_advisory_circular(ohm_per_foot, feet, expected_v):
    """#6 and #10 cable at 20 A."""
    found = drop([Segment(feet * FOOT_MM, per_metre(ohm_per_foot))], 20.0)
    assert found.value == pytest.approx(expected_v, abs=0.003)


def test_the_misprint_of_the_advisory_circular_is_not_reproduced():
    """AC 43.13-1B Table 11-8 prints 0.366 V where its own figures give 0.491 V."""
    found = drop([Segment(19.5 * FOOT_MM, per_metre(0.00126))], 20.0)
    assert found.value > 0.366 * 1.3


@pytest.mark.parametrize(("gauge", "ohm_per_foot"), [(10, 0.00126), (6, 0.00044)])
def test_what_a_gauge_may_have_contains_the_circulars_resistance(gauge, ohm_per_foot):
    """AC 43.13-1B, stranded wire by gauge: within our band, which begins at solid copper."""
    found = segment_of(awg_size(gauge), FOOT_MM).ohm()
    assert found.value - found.u95 < ohm_per_foot < found.value + found.u95


def test_a_warm_wire_drops_more_by_the_published_length_rule():
    """AC 43.13-1B: at 60 °C only 0.8642 of the length is allowed for the same drop."""
    cold = drop([segment_of(wire_size(1.0), 1000.0)], 10.0).value
    assert drop([segment_of(wire_size(1.0), 864.2, temp_c=60.0)], 10.0).value == pytest.approx(cold, rel=1e-3)


def test_wire_lies_between_pure_copper_and_the_most_allowed():
    """0.5 mm²: 34.5 mΩ/m of pure copper, 37.1 of the standard."""
    found = segment_of(wire_size(0.5), 1000.0).ohm()
    assert found.value - found.u95 == pytest.approx(0.034482, abs=1e-5)
    assert found.value + found.u95 == pytest.approx(0.0371, abs=1e-5)


def test_splices_add_their_resistance_and_their_spread():
    """Two splices of 1 ± 0.6 mΩ at 10 A: 20 mV ± 8.5 mV."""
    found = drop([Contact("splice", 2, 1.0, 0.6)], 10.0)
    assert (found.value, found.u95) == (pytest.approx(0.020), pytest.approx(0.010 * 0.6 * math.sqrt(2)))


def test_like_wires_stray_together_contacts_apart():
    """1 ± 0.1 Ω twice is 2 ± 0.2 Ω; contacts add as squares."""
    wires = [Segment(1000.0, 1.0, 0.1)] * 2
    assert resistance(wires).u95 == pytest.approx(0.2)
    assert resistance([*wires, Contact("terminal", 1, 0.0, 150.0)]).u95 == pytest.approx(0.25)


@given(st.floats(1, 10_000), st.integers(0, 10), st.floats(0.1, 50))
def test_a_splice_more_never_drops_less(length, splices, current):
    """Nor does a longer wire or more current."""

    def volts(n, mm, amp):
        return drop([segment_of(wire_size(0.5), mm), Contact("splice", n, 0.5, 0.5)], amp).value

    here = volts(splices, length, current)
    assert volts(splices + 1, length, current) > here
    assert volts(splices, length * 1.1, current) > here
    assert volts(splices, length, current * 1.1) > here


def test_equal_loads_on_unequal_feeds_differ_by_the_extra_drop():
    """5 A each; the other feed has 60 mΩ more: 0.3 V less, and 1 mF charges 0.138 ms later (RC ln 10)."""
    one, other = [Segment(1000.0, 0.02)], [Segment(1000.0, 0.08)]
    found = equal_loads(one, other, 5.0, 12.0, capacitance_f=1e-3)
    assert found.difference_v.value == pytest.approx(0.3)
    assert (found.one_v, found.other_v) == (pytest.approx(11.9), pytest.approx(11.6))
    assert found.slower_s == pytest.approx(0.060 * 1e-3 * math.log(10))


def test_equal_feeds_make_no_difference():
    """Nothing invented, and without a capacitance no time."""
    feed = [segment_of(wire_size(0.5), 2000.0)]
    found = equal_loads(feed, feed, 5.0)
    assert found.difference_v.value == 0 and found.slower_s is None


def test_wire_of_both_feeds_strays_together_and_contacts_do_not():
    """1 and 3 Ω of wire ± 10 % of one make at 1 A: the difference of 2 V is known within 0.2 V, not 0.4 V."""
    one, other = [Segment(1000.0, 1.0, 0.1)], [Segment(3000.0, 1.0, 0.1)]
    assert equal_loads(one, other, 1.0).difference_v.u95 == pytest.approx(0.2)
    joint = Contact("splice", 1, 0.0, 150.0)
    assert equal_loads([*one, joint], [*other, joint], 1.0).difference_v.u95 == pytest.approx(math.sqrt(0.085))


def test_charging_to_63_percent_takes_one_time_constant():
    """1 − 1/e after R C."""
    assert charge_time_s(10.0, 0.01, 1 - math.exp(-1)) == pytest.approx(0.1)


def test_impossible_feeds_are_refused():
    """Negative lengths, no current, and a feed that takes more than the supply has."""
    with pytest.raises(CircuitError, match="length: expected"):
        Segment(-1.0, 0.02)
    with pytest.raises(CircuitError, match="current: expected"):
        drop([Segment(1.0, 0.02)], 0.0)
    with pytest.raises(CircuitError, match="takes all of it"):
        equal_loads([Segment(1e6, 0.02)], [Segment(1.0, 0.02)], 5.0, 12.0)
