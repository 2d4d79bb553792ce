"""Three-valued comparison with a limit, against the standard's worked example and by property."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.repair.verdicts import (
    ROUTES,
    at_least,
    at_most,
    beyond,
    count_at_most,
    count_too_wide,
    either,
    gravest,
    route_rank,
    too_wide,
    why_broken,
)
from vision.findings import Measure

U95_OF_HALF = 1.96 * 0.5  # standard uncertainty 0.5 mm
values = st.floats(-100, 100)
widths = st.floats(0, 20)


def measure(value, u95=0.0, low_bound=False):
    return Measure(value=value, u95=u95, low_bound=low_bound)


@pytest.mark.parametrize(
    ("value", "expected"), [(39.0, "met"), (39.5, "cannot_tell"), (40.5, "cannot_tell"), (41.0, "violated")]
)
def test_upper_limit_of_40_mm_with_standard_uncertainty_half_a_millimetre(value, expected):
    """ISO 14253-1:2017, default 95 %: one-sided guard band 1.645 u (worked example, recomputed by hand)."""
    assert at_most(measure(value, U95_OF_HALF), 40.0) == expected


@pytest.mark.parametrize(
    ("value", "expected"), [(41.0, "met"), (40.5, "cannot_tell"), (39.5, "cannot_tell"), (39.0, "violated")]
)
def test_lower_limit_mirrors_the_upper_one(value, expected):
    """The same example turned round: distance of a joint from the next, at least 40 mm."""
    assert at_least(measure(value, U95_OF_HALF), 40.0) == expected


def test_the_edge_of_the_guard_band_is_1_645_standard_uncertainties():
    """0.8225 mm for u = 0.5 mm: just inside proves nothing, just outside proves conformity."""
    assert at_most(measure(40 - 0.8226, U95_OF_HALF), 40.0) == "met"
    assert at_most(measure(40 - 0.8224, U95_OF_HALF), 40.0) == "cannot_tell"


def test_no_measure_proves_nothing():
    """An absent measure is neither zero nor infinite."""
    assert at_most(None, 1.0) == at_least(None, 1.0) == beyond(None, 0.0, 1.0) == "cannot_tell"


def test_a_lower_bound_can_break_an_upper_limit_but_never_keep_it():
    """The true value may only be larger."""
    assert at_most(measure(50, 1, True), 40.0) == "violated"
    assert at_most(measure(10, 1, True), 40.0) == "cannot_tell"


def test_a_lower_bound_can_keep_a_lower_limit_but_never_break_it():
    """The true value may only be larger."""
    assert at_least(measure(200, 1, True), 152.4) == "met"
    assert at_least(measure(100, 1, True), 152.4) == "cannot_tell"


@given(values, values, widths)
def test_upper_and_lower_limit_are_mirror_images(value, limit, u95):
    """Negating value and limit swaps the two comparisons, but for equality at the edge."""
    up, down = at_most(measure(value, u95), limit), at_least(measure(-value, u95), -limit)
    assert up == down or abs(abs(value - limit) - 1.645 / 1.96 * u95) < 1e-6


@given(values, values, widths, st.floats(0, 50))
def test_a_larger_uncertainty_never_decides_what_a_smaller_left_open(value, limit, u95, more):
    """Widening the band can only undo a verdict, never turn it."""
    narrow, wide = at_most(measure(value, u95), limit), at_most(measure(value, u95 + more), limit)
    assert wide in (narrow, "cannot_tell")


def test_a_verdict_that_the_two_sided_band_hides_is_explained():
    """35 (0 to 70.6) mm over a limit of 0: 35 - 0.84 x 35.6 is 5.1, so more than none with 95 % certainty."""
    assert why_broken(measure(35.0, 35.6), 0.0, "mm") == ", more than 5.1 mm by the one-sided 95 % band of a limit"
    assert why_broken(measure(35.0, 20.0), 0.0, "mm") == ""  # the band as it is printed shows it already
    assert why_broken(measure(35.0, 60.0), 0.0, "mm") == ""  # nothing was decided


@given(values, values, widths)
def test_what_is_explained_was_broken(value, limit, u95):
    """Words only stand where the one-sided comparison itself decided, and say no more than it does."""
    says = why_broken(measure(value, u95), limit, "mm")
    assert not says or at_most(measure(value, u95), limit) == "violated"


@given(values, st.floats(0, 50), widths, st.floats(0, 10))
def test_more_of_a_forbidden_quantity_is_never_judged_milder(value, more, u95, zero_within):
    """`beyond` rises with the value."""
    order = {"met": 0, "cannot_tell": 1, "violated": 2}
    assert (
        order[beyond(measure(value + more, u95), 0, zero_within)] >= order[beyond(measure(value, u95), 0, zero_within)]
    )


def test_counts_are_judged_by_their_interval():
    """Only an interval wholly on one side decides; no upper end never keeps the limit."""
    assert count_at_most(3, 6, 6) == "met"
    assert count_at_most(5, 7, 6) == "cannot_tell"
    assert count_at_most(7, 9, 6) == "violated"
    assert count_at_most(0, None, 6) == "cannot_tell"


def test_verdicts_that_all_hold_and_verdicts_of_which_one_holds():
    """All: the gravest. One of several: only agreement decides."""
    assert gravest(["met", "violated", "cannot_tell"]) == "violated"
    assert gravest([]) == "not_applicable"
    assert either(["met", "met"]) == "met"
    assert either(["violated", "not_applicable"]) == "cannot_tell"


def test_routes_are_ranked_from_mild_to_grave_and_undecided_is_none_of_them():
    """The order the whole decision stands on."""
    assert [route_rank(route) for route in ROUTES] == [0, 1, 2, 3]
    assert ROUTES == ("return_to_service", "repair_in_vehicle", "remanufacture", "refer")
    with pytest.raises(ValueError, match="expected a decided route"):
        route_rank("undecided")


@pytest.mark.parametrize(
    ("value", "u95", "limits", "useless"),
    [
        (76.0, 65.0, [], True),  # 11 to 141 mm: thirteen times
        (162.0, 81.0, [], False),  # 81 to 243 mm: three times
        (101.0, 65.0, [152.4], True),  # 36 to 166 mm, on both sides of the limit
        (28.0, 107.0, [152.4], False),  # 0 to 135 mm: nearer than the limit for certain
        (101.0, 65.0, [152.4, 30.0], False),  # one of two limits is decided
        (35.0, 35.6, [0.0], False),  # broken by its one-sided band, though 0 lies within value ± U95
        (2.0, 3.0, [0.0], False),  # 0 to 5 mm: no difference that matters
        (20.0, 0.0, [], False),
    ],
)
def test_a_length_is_too_wide_where_its_ends_lie_far_apart_and_no_limit_is_decided(bench, value, u95, limits, useless):
    """Four times the lower end, which counts for 5 mm at least; a lower bound is what it is."""
    assert too_wide(bench.m(value, u95), limits) is useless
    assert not too_wide(bench.m(value, u95, low_bound=True), limits)
    assert not too_wide(None, limits)


@pytest.mark.parametrize(
    ("low", "high", "useless"),
    [
        (0, 42, True),
        (1, 14, True),
        (1, 7, True),
        (2, 7, False),
        (1, 5, False),
        (7, 40, False),
        (0, 4, False),
        (3, 3, False),
    ],
)
def test_a_count_is_too_wide_where_it_may_be_few_or_many_on_both_sides_of_its_limit(bench, low, high, useless):
    """Limit six: 1 to 5 keeps it, 7 to 40 breaks it, 2 to 7 is narrow enough to go by."""
    assert count_too_wide(bench.count(value=low, low=low, high=high), [6.0]) is useless
    assert not count_too_wide(None, [6.0])
