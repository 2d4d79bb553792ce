"""Answers that lie outside what the photograph shows: obeyed and said."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.repair import AnswersError
from models.repair.contradicted import _apart
from vision.findings import Measure


def test_a_ruler_outside_the_photographs_band_is_said(bench):
    """15.7 mm where the photograph shows 163 ± 72 mm: the ruler decides, and somebody measures again."""
    bite = bench.region("rodent", to_termination_mm=bench.m(163.0, 72.0))
    found = bench.decision(bench.photo(bite), distances_mm={"r1": 15.7})
    assert found.contradicted == [
        "r1: 15.7 mm from the termination was answered, the photograph shows 163 ± 72 mm: measure again"
    ]
    assert bench.decision(bench.photo(bite), distances_mm={"r1": 120.0}).contradicted == []
    assert bench.decision(bench.photo(bite)).contradicted == []


def test_a_lower_bound_contradicts_only_what_is_shorter(bench):
    """At least 100 mm were seen; 400 mm may be."""
    bite = bench.region("rodent", to_termination_mm=bench.m(100.0, 10.0, low_bound=True))
    assert bench.decision(bench.photo(bite), distances_mm={"r1": 400.0}).contradicted == []
    assert len(bench.decision(bench.photo(bite), distances_mm={"r1": 40.0}).contradicted) == 1


def test_bare_copper_that_was_answered_as_covered_is_said_and_stays_bare(bench):
    """Nobody argues away what the picture shows."""
    bite = bench.region("rodent", exposed_copper_mm=bench.m(12.0, 2.0))
    found = bench.decision(bench.photo(bite), copper={"r1": "covered"})
    assert bench.verdict(found, "conductor-damage") == "violated"
    assert found.contradicted == ["r1: copper was answered as covered, the photograph shows 12 ± 2 mm bare: look again"]


def test_a_joints_ruler_is_held_against_its_own_distance(bench):
    """A splice at 120 ± 8 mm, read as 60; spacing 30 read as 90."""
    joint = bench.splice(to_termination_mm=bench.m(120.0, 8.0), to_next_splice_mm=bench.m(30.0, 4.0))
    far = bench.decision(bench.photo(splices=[joint]), distances_mm={"s1": 60.0})
    assert [line.split(" was")[0] for line in far.contradicted] == ["s1: 60 mm from the termination"]
    near = bench.decision(bench.photo(splices=[joint]), spacings_mm={"s1": 90.0})
    assert [line.split(" was")[0] for line in near.contradicted] == ["s1: 90 mm from the next joint"]


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        ({"housing_state": {"r1": "damaged"}}, "answer housing_state.r1: expected one of h1, got 'r1'"),
        ({"copper": {"h1": "bare"}}, "answer copper.h1: expected one of r1, got 'h1'"),
        ({"splice_origin": {"h1": "repair"}}, "answer splice_origin.h1: expected one of r1, s1, got 'h1'"),
    ],
)
def test_an_answer_about_the_wrong_kind_of_place_is_refused(bench, answers, says):
    """A housing has no copper, a bite is no housing: the ids that would do are named."""
    seen = bench.photo(bench.region("rodent"), splices=[bench.splice()], housings=[bench.housing()])
    with pytest.raises(AnswersError) as caught:
        bench.decision(seen, **answers)
    assert caught.value.lines == [says]


def test_a_kind_of_place_that_is_not_there_is_said(bench):
    """No housing was found at all."""
    with pytest.raises(AnswersError, match="no place at all \\(there is no housing\\)"):
        bench.decision(bench.photo(bench.region("rodent")), housing_state={"h1": "sound"})


def test_a_wire_of_900_mm2_is_no_wire(bench):
    """Above any size of the tables."""
    with pytest.raises(AnswersError, match="wire_size_mm2: expected less than or equal to 185"):
        bench.decision(bench.photo(bench.region("rodent")), wire_size_mm2=900.0)


@given(st.floats(0, 500), st.floats(0, 500), st.floats(0, 100), st.booleans())
def test_what_lies_within_both_bands_contradicts_nothing(ruler, seen, u95, low_bound):
    """And what is said is always further off than the two uncertainties together."""
    says = _apart("r1", "away", Measure(value=ruler, u95=2.0), Measure(value=seen, u95=u95, low_bound=low_bound))
    assert bool(says) == (ruler < seen - u95 - 2.0 or (ruler > seen + u95 + 2.0 and not low_bound))
