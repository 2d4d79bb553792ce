"""Closing an order with photographs of the finished repair: closed, not met, or still open."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.repair import Answers
from models.repair.after import close_order
from models.repair.bench import BenchNotes, BenchWire
from models.repair.prices import load_prices
from models.repair.worksheet import worksheet
from vision.findings import Covering


@pytest.fixture
def work(bench):
    """One wire to be given a new piece between two joints."""
    return _work(bench)


def _work(bench):
    """The same, for property tests."""
    photo = bench.photo(bench.region("rodent", exposed_copper_mm=bench.m(20.0)))
    notes = BenchNotes(wire=(BenchWire(id="w1", before_mm=300.0, damage_mm=40.0, after_mm=560.0),))
    found = bench.decision(photo, both_ends_identified=True)
    return worksheet([photo], found, bench.rules, load_prices(), (), notes)


def repaired(bench, first=280.0, second=300.0, **fields):
    """A photograph with two sleeves on one wire, so far from their nearest terminal, 150 mm apart."""
    joints = [
        bench.splice("s1", to_termination_mm=bench.m(first), to_next_splice_mm=bench.m(150.0)),
        bench.splice("s2", to_termination_mm=bench.m(second), to_next_splice_mm=bench.m(150.0),
                     rings_px=bench.square(30.0)),
    ]  # fmt: skip
    return bench.photo(name="after.jpg", **(dict(splices=joints, housings=[bench.housing()]) | fields))


def closed(bench, work, *photos, joints=None, ruler=False, **answers):
    """Close with settled answers."""
    return close_order(work, photos, bench.settled(**answers), bench.rules, joints, ruler)


def verdicts(outcome):
    """Verdict by check."""
    return {check.what: check.verdict for check in outcome.checks}


def test_two_lawful_sleeves_a_whole_housing_and_no_damage_close_the_order(bench, work):
    """Every check is met."""
    outcome = closed(bench, work, repaired(bench))
    assert outcome.state == "closed" and outcome.unmet == ()


def test_a_sleeve_too_near_the_terminal_is_not_met_and_named(bench, work):
    """100 mm where 152.4 mm are asked."""
    outcome = closed(bench, work, repaired(bench, first=100.0))
    assert outcome.state == "not_met"
    assert verdicts(outcome)["termination-distance"] == "violated"
    assert any("152.4" in check.says for check in outcome.unmet)


def test_a_sleeve_within_the_uncertainty_of_the_limit_leaves_it_open(bench, work):
    """And a ruler settles it."""
    photo = repaired(bench, first=152.9)
    assert closed(bench, work, photo).state == "open"
    assert closed(bench, work, photo, distances_mm={"s1": 156.0}).state == "closed"


def test_sleeves_too_close_together_are_not_met(bench, work):
    """30 mm where 40 mm are asked."""
    near = [j.model_copy(update={"to_next_splice_mm": bench.m(30.0)}) for j in repaired(bench).splices]
    assert verdicts(closed(bench, work, repaired(bench, splices=near)))["splice-spacing"] == "violated"


def test_fewer_sleeves_than_planned_are_counted_by_hand(bench, work):
    """One is seen: the other may lie on the other face; a count by hand decides."""
    one = repaired(bench, splices=repaired(bench).splices[:1])
    assert verdicts(closed(bench, work, one))["joints"] == "cannot_tell"
    assert verdicts(closed(bench, work, one, joints=2))["joints"] == "met"
    assert verdicts(closed(bench, work, one, joints=1))["joints"] == "violated"


def test_a_count_by_hand_below_what_one_photograph_shows_is_counted_again(bench, work):
    """Three sleeves in one picture and a count of two: somebody is wrong, and nothing is closed on it."""
    third = bench.splice("s3", wire_id="w2", rings_px=bench.square(60.0))
    three = repaired(bench, splices=[*repaired(bench).splices, third])
    outcome = closed(bench, work, three, joints=2, ruler=True)
    assert verdicts(outcome)["joints"] == "cannot_tell" and outcome.state != "closed"


def test_a_count_by_hand_does_not_prove_where_the_unseen_joints_lie(bench, work):
    """A photograph of nothing and a count of two close nothing; a ruler does, unless a seen joint is too near."""
    bare = bench.photo(name="after.jpg", housings=[bench.housing()])
    assert verdicts(closed(bench, work, bare, joints=2))["termination-distance"] == "cannot_tell"
    assert closed(bench, work, bare, joints=2).state == "open"
    measured = closed(bench, work, bare, joints=2, ruler=True)
    assert measured.state == "closed" and verdicts(measured)["termination-distance"] == "met"
    assert all("2 joints that no photograph shows: measured with a ruler" in check.says
               for check in measured.checks if check.what in ("termination-distance", "splice-spacing"))  # fmt: skip
    assert closed(bench, work, repaired(bench, first=100.0), joints=2, ruler=True).state == "not_met"


def test_more_sleeves_than_planned_are_not_met(bench, work):
    """Three joints where two were ordered."""
    third = bench.splice("s3", wire_id="w2", rings_px=bench.square(60.0))
    three = repaired(bench, splices=[*repaired(bench).splices, third])
    assert verdicts(closed(bench, work, three))["joints"] == "violated"


def test_damage_still_seen_is_not_met(bench, work):
    """Another chafed place beside the repair; one the camera is unsure of leaves it open."""
    worn = bench.region("abrasion", rings_px=bench.square(150.0))
    assert verdicts(closed(bench, work, repaired(bench, regions=[worn])))["damage gone"] == "violated"
    unsure = worn.model_copy(update={"unsure": True, "candidates": ["abrasion", "earlier_repair"]})
    assert verdicts(closed(bench, work, repaired(bench, regions=[unsure])))["damage gone"] == "cannot_tell"


@pytest.mark.parametrize(
    "doubt",
    [dict(unsure=True, candidates=["sound", "abrasion"]), dict(novel=True), dict(label=None), dict(usable=False)],
)
def test_a_photograph_unsure_as_a_whole_does_not_prove_the_damage_gone(bench, work, doubt):
    """No region is found in it, and yet it is not surely sound; the sure one beside it does not outweigh it."""
    outcome = closed(bench, work, repaired(bench, **doubt))
    assert verdicts(outcome)["damage gone"] == "cannot_tell" and outcome.state != "closed"
    said = next(check for check in outcome.checks if check.what == "damage gone")
    assert "after.jpg" in said.says and "looked_over" in said.settle
    sure = bench.photo(name="other.jpg")
    assert verdicts(closed(bench, work, repaired(bench, **doubt), sure))["damage gone"] == "cannot_tell"


def test_a_look_at_the_bench_settles_an_unsure_photograph_but_not_an_unusable_one(bench, work):
    """Nobody sees anything in a photograph that cannot be judged; a sleeve told apart by hand settles its own."""
    unsure = repaired(bench, unsure=True, candidates=["sound", "abrasion"])
    assert closed(bench, work, unsure, looked_over="nothing_more").state == "closed"
    blind = repaired(bench, usable=False)
    assert verdicts(closed(bench, work, blind, looked_over="nothing_more"))["damage gone"] == "cannot_tell"
    region = bench.region("earlier_repair", unsure=True, candidates=["abrasion", "earlier_repair"])
    doubtful = repaired(bench, regions=[region], unsure=True, label=None)
    assert verdicts(closed(bench, work, doubtful))["damage gone"] == "cannot_tell"
    assert verdicts(closed(bench, work, doubtful, labels={"r1": "earlier_repair"}))["damage gone"] == "met"


def test_a_cracked_housing_is_not_met_and_one_not_seen_leaves_a_swap_open(bench, work):
    """The swap was ordered; the photograph shows no housing."""
    cracked = repaired(bench, housings=[bench.housing(cracked=True)])
    assert verdicts(closed(bench, work, cracked))["housing"] == "violated"
    before = bench.photo(label="sound", housings=[bench.housing(cracked=True)])
    swap = worksheet([before], bench.decision(before), bench.rules, load_prices())
    bare = bench.photo(name="after.jpg")
    assert verdicts(closed(bench, swap, bare))["housing"] == "cannot_tell"
    assert closed(bench, swap, bench.photo(name="after.jpg", housings=[bench.housing()])).state == "closed"


def test_an_order_whose_plan_was_open_is_not_closed(bench, work):
    """It did not say what had to be done."""
    still_open = work.model_copy(update={"plan": work.plan.model_copy(update={"status": "open"})})
    assert closed(bench, still_open, repaired(bench)).state == "open"


def test_an_order_to_remanufacture_is_not_closed_by_a_repair(bench, work):
    """Its route left no repair to close."""
    outcome = closed(bench, work.model_copy(update={"route": "remanufacture"}), repaired(bench))
    assert outcome.state == "not_met"


def test_a_photograph_that_shows_too_little_closes_nothing(bench, work):
    """40 % seen, 60 % wanted; and the circuit class plays no part."""
    assert closed(bench, work, repaired(bench, inspected_share=0.4)).state == "open"
    assert close_order(work, [repaired(bench)], Answers(), bench.rules).state == "closed"


places = st.sampled_from([20.0, 150.0, 153.0, 160.0, 400.0])


@settings(max_examples=40, deadline=None)
@given(places, places, places, st.sampled_from([0.2, 3.0]), st.sampled_from([None, True, False]), st.booleans())
def test_a_worse_repair_never_comes_nearer_to_closed(bench, first, second, nearer, u95, cracked, damaged):
    """One sleeve moved nearer, the housing cracked, damage left: closed, then open, then not met."""
    order = ["closed", "open", "not_met"]
    work = _work(bench)

    def state(near, shell, regions):
        photo = repaired(bench, near, second, housings=[bench.housing(cracked=shell)], regions=regions)
        joints = [
            j.model_copy(update={"to_termination_mm": bench.m(j.to_termination_mm.value, u95)}) for j in photo.splices
        ]
        return order.index(closed(bench, work, photo.model_copy(update={"splices": joints})).state)

    before = state(first, cracked, [])
    left = [bench.region("abrasion", rings_px=bench.square(150.0))]
    assert state(min(first, nearer), cracked, []) >= before
    assert state(first, True, []) >= before
    assert state(first, cracked, left) == 2
    assert before == 0 or cracked is not False or min(first, second) < 160.0


def test_sleeves_seen_beside_a_covering_prove_no_wire_free_of_further_ones(bench, work):
    """Until somebody counted them, or looked under the tape."""
    tape = Covering(id="c1", kind="tape", rings_px=bench.square(0.0), length_mm=None)
    taped = repaired(bench, coverings=[tape])
    assert closed(bench, work, taped, further_splices=None).state == "open"
    assert closed(bench, work, taped, joints=2, further_splices=None).state == "closed"
    assert closed(bench, work, taped, further_splices="none").state == "closed"
