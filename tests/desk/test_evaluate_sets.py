"""What doubt is worth: the curve of error against the share answered, and sets of labels that hold the truth."""

import itertools
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.evaluate_scoring import Score
from desk.evaluate_sets import area_under, doubt_as_dict, label_sets, selective_curve


def scored(p, right, sets=()):
    """A photograph answered with probability p, and the sets of its found regions."""
    known = {"measurable": True, "leading_p": p, "leading_right": right, "region_sets": list(sets)}
    return Score(**{f.name: known.get(f.name) for f in fields(Score)})


def test_the_surest_are_answered_first():
    """Worked by hand: four photographs, the least sure is wrong; so is the second surest."""
    points = selective_curve([scored(0.9, True), scored(0.8, False), scored(0.7, True), scored(0.4, False)])
    assert [p.answered for p in points] == [0.25, 0.5, 0.75, 1.0]
    assert [p.error.value for p in points] == pytest.approx([0, 1 / 2, 1 / 3, 2 / 4])
    assert area_under(points) == pytest.approx((0 + 1 / 2 + 1 / 3 + 2 / 4) / 4)


def test_photographs_as_sure_as_each_other_are_answered_together():
    """Two orders of the same answers give the same curve."""
    pair = [scored(0.6, True), scored(0.6, False)]
    assert selective_curve(pair) == selective_curve(pair[::-1])
    assert [p.answered for p in selective_curve(pair)] == [1.0]


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40))
def test_a_curve_ends_at_the_error_of_all(answers):
    """Whatever the probabilities, the last point answers everything, and the shares rise."""
    points = selective_curve([scored(p, right) for p, right in answers])
    assert points[-1].answered == 1.0
    assert points[-1].error.value == pytest.approx(sum(not right for _, right in answers) / len(answers))
    assert all(a.answered < b.answered for a, b in itertools.pairwise(points))


def test_sure_where_right_beats_sure_where_wrong():
    """The same two answers with the probabilities exchanged have the larger area."""
    good = selective_curve([scored(0.9, True), scored(0.5, False)])
    bad = selective_curve([scored(0.5, True), scored(0.9, False)])
    assert area_under(good) < area_under(bad)


def test_sets_are_counted_by_true_label():
    """Two of three rodent sets hold rodent; a novel region's empty set holds nothing."""
    rodent = [("rodent", ["rodent"]), ("rodent", ["rodent", "abrasion"]), ("rodent", [])]
    found = label_sets([scored(0.9, True, rodent[:2]), scored(0.9, True, [rodent[2], ("abrasion", ["abrasion"])])])
    by = {sets.label: sets for sets in found}
    assert by["rodent"].held.value == pytest.approx(2 / 3)
    assert by["rodent"].sizes == {0: 1, 1: 1, 2: 1} and by["rodent"].mean_size == 1.0
    assert by["abrasion"].held.value == 1.0
    assert by["rodent"].promised is None  # three cases tell nothing of 90 in 100


def test_coverage_far_below_the_promise_is_told():
    """Of 40 sets half hold the label: the interval ends far below 90 %."""
    sets = [("rodent", ["rodent"] if i % 2 else ["abrasion"]) for i in range(40)]
    assert label_sets([scored(0.9, True, sets)])[0].promised is False


def test_nothing_said_gives_no_curve():
    """No probabilities and no regions: empty, not a curve of zeros."""
    told = doubt_as_dict([])
    assert told == {"answered_against_error": [], "area_under_error_curve": None, "label_sets": []}
