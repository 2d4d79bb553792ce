"""A photograph on which no assembly is seen: nothing is asked of what is not there, and no route gets milder."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.repair import Answers, decide, may_worsen, route_rank, shows_none
from vision.findings import NO_ASSEMBLY, Retake

EMPTY = Retake(fault=NO_ASSEMBLY, advice="lay it on the mat", measure="all")
DARK = Retake(fault="too dark", advice="bring more light", measure="all")
PALE = Retake(fault="overexposed", advice="lower the exposure", measure="colour")


def decided(bench, *photos):
    """Without any answer."""
    return decide(list(photos), Answers(), bench.rules)


def unusable(bench, *retake, name="a.jpg"):
    return bench.photo(name=name, label=None, usable=False, inspected_share=0.0, retake=list(retake))


def test_of_an_empty_mat_only_a_photograph_is_wanted(bench):
    """No fuse, no class, no look over what is not there; the route stays undecided and says what to do."""
    empty = unusable(bench, PALE, EMPTY)
    found = decided(bench, empty)
    assert shows_none(empty) and found.open_questions == []
    assert may_worsen([empty], Answers(), bench.rules) == []
    assert found.route == "undecided" and [action.action for action in found.actions] == ["retake"]


@pytest.mark.parametrize("retake", [(DARK,), (DARK, EMPTY), (PALE,)])
def test_where_an_assembly_may_lie_unseen_all_is_asked(bench, retake):
    """Too dark to see one is not seeing that there is none."""
    assert decided(bench, unusable(bench, *retake)).open_questions != []


def test_another_photograph_that_shows_it_brings_every_question(bench):
    """An empty mat among the photographs of an assembly takes none of its questions away."""
    bitten = bench.photo(bench.region("rodent"), name="b.jpg")
    asked = [q.changes for q in decided(bench, bitten, unusable(bench, EMPTY)).open_questions]
    assert {"circuit-class", "inspection"} <= {changes.split(":")[0] for changes in asked}


@given(retake=st.lists(st.sampled_from([PALE, DARK, EMPTY]), unique=True), other=st.booleans())
def test_seeing_none_makes_no_route_milder_than_not_seeing_enough(bench, retake, other):
    """Route and worst route are those of a photograph that was merely no good."""
    more = [bench.photo(bench.region("abrasion"), name="b.jpg")] if other else []
    found = decided(bench, unusable(bench, *retake, EMPTY), *more)
    plain = decided(bench, unusable(bench, DARK), *more)
    assert (found.route, found.route_worst) == (plain.route, plain.route_worst)
    assert route_rank(found.route_worst) >= route_rank("remanufacture")


def test_damage_drawn_by_hand_is_asked_about_where_the_desk_saw_no_assembly(bench):
    """A reviewer saw what was overlooked: what is there is there, and every question about it comes."""
    drawn = unusable(bench, EMPTY).model_copy(update={"regions": [bench.region("rodent")]})
    assert not shows_none(drawn)
    asked = {q.changes.split(":")[0] for q in decided(bench, drawn).open_questions}
    assert {"circuit-class", "inspection"} <= asked
