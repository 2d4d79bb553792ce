"""Blade fuses: ratings that exist, colours by body, tracing leads, and the band of opening times."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.circuit.errors import CircuitError, UnknownFuseError
from models.circuit.fuse_table import (
    GATES,
    STANDARD_RATINGS_A,
    fuse,
    largest_standard_at_most,
    opening_band_s,
    tracing_lead_rating,
)


@pytest.mark.parametrize(
    ("rating", "body", "colour"),
    [  # DIN 72581, as quoted
        (2, "standard", "grey"),
        (7.5, "standard", "brown"),
        (10, "standard", "red"),
        (50, "large", "red"),
        (80, "large", "clear"),
        (25, "standard", "clear"),
        (5, "standard", "tan"),
        (70, "large", "tan"),
    ],
)
def test_colours_go_by_body(rating, body, colour):
    """Red, tan and clear each stand for two ratings."""
    assert dict(fuse(rating).colours)[body] == colour


def test_a_colour_nobody_checked_is_marked_from_memory():
    """1 A black stands in no page that was seen."""
    assert "from memory" in fuse(1).source and fuse(10).source == "DIN 72581, as quoted"


def test_within_one_body_no_colour_stands_for_two_ratings():
    """Otherwise a fuse could not be told by colour and body."""
    for body in ("standard", "large"):
        named = [dict(fuse(r).colours)[body] for r in STANDARD_RATINGS_A if body in dict(fuse(r).colours)]
        assert len(named) == len(set(named))


def test_a_rating_that_does_not_exist_names_its_neighbours():
    """12 A is no blade fuse."""
    with pytest.raises(UnknownFuseError, match="expected 10 or 15 A, got 12 A"):
        fuse(12)
    with pytest.raises(UnknownFuseError, match="expected 80 A, got 100 A"):
        fuse(100)
    with pytest.raises(UnknownFuseError):
        fuse(float("nan"))


def test_a_tracing_lead_for_a_10_a_circuit_carries_7_5_a():
    """Common practice of the trade, no published source: 75 %, then the next standard rating at or below."""
    assert tracing_lead_rating(10) == 7.5
    assert tracing_lead_rating(20) == 15
    assert tracing_lead_rating(15) == 10  # 11.25 A is none
    with pytest.raises(CircuitError, match="at least 1 A"):
        tracing_lead_rating(1)


@given(st.floats(1.0, 200.0))
def test_the_largest_rating_that_fits_leaves_none_between(current):
    """Not above the current, and no other rating lies between."""
    found = largest_standard_at_most(current)
    assert found <= current * (1 + 1e-9)
    assert not any(found < other <= current for other in STANDARD_RATINGS_A)


@pytest.mark.parametrize(
    ("share", "least", "most"), [(1.35, 0.75, 600), (2.0, 0.15, 5), (3.5, 0.04, 0.5), (6, 0.02, 0.1)]
)
def test_at_a_gate_the_band_is_the_gate(share, least, most):
    """ISO 8820-3, from memory."""
    assert opening_band_s(10, 10 * share) == (pytest.approx(least), pytest.approx(most))


def test_a_fuse_holds_110_percent_for_a_hundred_hours_and_need_not_open():
    """ISO 8820-3, from memory."""
    assert opening_band_s(10, 11.0) == (360_000, None)
    assert opening_band_s(10, 5.0) == (360_000, None)
    assert opening_band_s(10, 12.0) == (0.75, None)
    assert opening_band_s(10, 1000.0) == (0.0, pytest.approx(0.1))


@given(st.sampled_from(STANDARD_RATINGS_A), st.floats(0.1, 20.0), st.floats(1.0, 3.0))
def test_more_current_never_opens_a_fuse_later(rating, share, more):
    """Neither end of the band rises with current, and the ends never cross."""
    least, most = opening_band_s(rating, rating * share)
    least_more, most_more = opening_band_s(rating, rating * share * more)
    assert least_more <= least
    assert most is None or (least < most and most_more is not None and most_more <= most * (1 + 1e-9))


def test_the_gates_are_in_order():
    """Rising share, falling times."""
    shares, least = [g.share for g in GATES], [g.least_s for g in GATES]
    most = [g.most_s for g in GATES if g.most_s is not None]
    assert shares == sorted(shares) and least == sorted(least, reverse=True) and most == sorted(most, reverse=True)


def test_of_a_fuse_made_in_the_large_body_alone_no_latest_time_is_taken():
    """Its limits were not found; taking the small body's would call a slow fuse quick."""
    assert opening_band_s(60, 600.0)[1] is None
    assert opening_band_s(60, 120.0)[0] == pytest.approx(0.15)
    assert opening_band_s(40, 80.0)[1] == pytest.approx(5.0)
