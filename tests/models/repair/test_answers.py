"""Answers: what was not asked stays unknown, and wrong answers are named line by line."""

import pytest

from models.repair import CIRCUIT_CLASSES, Answers, AnswersError, decide


def test_nothing_asked_is_nothing_known():
    """No default stands in for an answer."""
    empty = Answers()
    assert all(getattr(empty, field) in (None, {}) for field in Answers.model_fields)


def test_every_wrong_answer_has_its_line():
    """Three mistakes, three lines, each with what was expected and what came."""
    with pytest.raises(AnswersError) as caught:
        Answers(circuit_class="airbag", fuse_found_a=-3, colour="red")
    lines = caught.value.lines
    assert len(lines) == 3
    assert any(line.startswith("answer circuit_class: expected 'none'") and "'airbag'" in line for line in lines)
    assert any(line.startswith("answer fuse_found_a: expected greater than 0") for line in lines)
    assert any(line.startswith("answer colour: expected one of circuit_class") for line in lines)


@pytest.mark.parametrize("circuit_class", CIRCUIT_CLASSES)
def test_every_class_of_the_list_is_an_answer(circuit_class):
    """The list is what the command line offers."""
    assert Answers(circuit_class=circuit_class).circuit_class == circuit_class


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 0.0, -1.0])
def test_a_fuse_rating_is_a_positive_finite_number(value):
    """Nothing else is a rating."""
    with pytest.raises(AnswersError, match="fuse_rated_a"):
        Answers(fuse_rated_a=value)


def test_an_answer_for_a_region_that_is_not_there_lists_those_that_are(bench):
    """A typing slip must not vanish."""
    with pytest.raises(AnswersError, match=r"answer flex_test\.r9: expected one of r1, got 'r9'"):
        decide([bench.photo(bench.region())], Answers(flex_test={"r9": "cracks"}), bench.rules)


def test_an_id_that_two_photographs_share_needs_the_photograph_s_name(bench):
    """`r1` alone could be either; `b.jpg:r1` is one."""
    photos = [bench.photo(bench.region("external_heat"), name=name) for name in ("a.jpg", "b.jpg")]
    with pytest.raises(AnswersError, match=r"expected one of a\.jpg:r1, b\.jpg:r1"):
        decide(photos, Answers(flex_test={"r1": "cracks"}), bench.rules)
    found = decide(photos, Answers(flex_test={"b.jpg:r1": "cracks"}), bench.rules)
    assert "b.jpg:r1" in bench.says(found, "heat-aged")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"housing_state": "sound"}, ["answer housing_state: expected one for each place (`housing_state.t1 = ...`)"]),
        ({"copper": 5}, ["answer copper: expected 'covered', 'bare' or 'damaged', got 5"]),
    ],
)
def test_an_answer_that_is_none_is_told_in_one_line(given, says):
    """Where one for all is no answer the place is asked for; where it is, what it may be."""
    with pytest.raises(AnswersError) as caught:
        Answers(**given)
    assert [line.split(", got 'sound'")[0] for line in caught.value.lines] == says
