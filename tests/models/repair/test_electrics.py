"""The fuse over its wire's heat, and the voltage drop after the repair, as rules."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.circuit.drop import drop
from models.circuit.wire_table import wire_size
from models.repair.electrics import feed
from models.repair.limits import RulesError, load_rules
from models.repair.verdicts import route_rank

GENEROUS = {"largest_fuse_a": ((0.22, 40.0),)}


def fused(bench, found, size, rated=None, **limits):
    rules = bench.limits(fuse_coordination={**GENEROUS, **limits})
    return bench.decision(bench.photo(), rules=rules, fuse_found_a=found, fuse_rated_a=rated, wire_size_mm2=size)


def test_a_fuse_the_table_allows_but_the_wire_does_not_bear_is_corrected(bench):
    """20 A on 0.5 mm² in a shop whose table allows it: the wire itself says no, and at which currents."""
    found = fused(bench, 20.0, 0.5, 20.0)
    assert bench.verdict(found, "fuse-coordination") == "violated"
    assert found.route == "repair_in_vehicle" and "correct_fuse" in bench.steps(found)
    assert "to 22.0 A a 20 A fuse lets the wire's insulation be damaged" in bench.says(found, "fuse-coordination")
    assert "class B in 40 °C" in bench.says(found, "fuse-coordination")


@pytest.mark.parametrize(("found_a", "rated", "verdict", "says"), [
    (15.0, 15.0, "cannot_tell", "the circuit calls for 15 A and the shop's table allows at most 10 A for 0.75 mm²"),
    (10.0, 15.0, "cannot_tell", "the circuit calls for 15 A and the shop's table allows at most 10 A for 0.75 mm²"),
    (30.0, 15.0, "violated", "fuse of 30 A found where the circuit calls for 15 A, and the shop's table at most 10 A:"),
    (10.0, 7.5, "violated", "fuse of 10 A found where the circuit calls for 7.5 A:"),
    (15.0, None, "violated", "fuse of 15 A found where the shop's table allows at most 10 A:"),
    (10.0, 10.0, "met", "10 A found, 10 A called for, at most 10 A for 0.75 mm²"),
])  # fmt: skip
def test_the_shops_table_does_not_overrule_what_the_circuit_calls_for(bench, found_a, rated, verdict, says):
    """Where they differ the wire and the diagram are looked at again; no fuse is called wrong by the table alone."""
    found = fused(bench, found_a, 0.75, rated, largest_fuse_a=((0.75, 10.0),))
    assert bench.verdict(found, "fuse-coordination") == verdict
    assert says in bench.says(found, "fuse-coordination")
    assert ("correct_fuse" in bench.steps(found)) == (verdict == "violated")
    assert found.route_worst == ("return_to_service" if verdict == "met" else "repair_in_vehicle")
    asked = [question.ask for question in found.open_questions if question.changes.startswith("fuse-coordination")]
    assert len(asked) == (verdict == "cannot_tell") and all("read the diagram" in ask for ask in asked)


def test_the_calculation_alone_proves_nothing_kept(bench):
    """The wire bears it, but what the circuit calls for is not known: it stays a question."""
    found = fused(bench, 7.5, 0.5)
    assert bench.verdict(found, "fuse-coordination") == "cannot_tell"
    says = bench.says(found, "fuse-coordination")
    assert "at every load current up to 45 A, beyond which" in says and "large-body" not in says


def test_a_rating_made_in_two_bodies_is_told_for_the_quicker_one_alone(bench):
    """30 A on 6 mm²: of the large body no latest time is known, and the words say so."""
    says = bench.says(fused(bench, 30.0, 6.0), "fuse-coordination")
    assert "30 A standard-body fuse opens before" in says and "a large-body one is slower" in says


def test_a_hot_place_makes_a_fuse_too_large(bench):
    """15 A on 1.5 mm²: kept in 40 °C, broken at 95 °C in insulation of 100 °C."""
    assert bench.verdict(fused(bench, 15.0, 1.5, 15.0), "fuse-coordination") == "met"
    assert bench.verdict(fused(bench, 15.0, 1.5, 15.0, ambient_c=95.0), "fuse-coordination") == "violated"


@pytest.mark.parametrize(
    ("found_a", "size", "reason"), [(10.0, 0.6, "0.6 mm²"), (12.0, 1.0, "12 A"), (10.0, 10.0, "outside")]
)
def test_what_is_in_no_table_is_not_calculated_and_says_why(bench, found_a, size, reason):
    """The comparison with rating and table still holds."""
    found = fused(bench, found_a, size, found_a)
    assert bench.verdict(found, "fuse-coordination") == "met"
    assert "not calculated" in bench.says(found, "fuse-coordination") and reason in bench.says(
        found, "fuse-coordination"
    )


@settings(max_examples=8, deadline=None)
@given(st.sampled_from([5.0, 10.0, 20.0]), st.sampled_from([0.5, 1.0, 2.5]), st.sampled_from([40.0, 95.0]))
def test_a_larger_fuse_or_a_size_unknown_never_makes_the_worst_route_milder(bench, found_a, size, ambient):
    """With the calculation in play."""
    here = route_rank(fused(bench, found_a, size, 40.0, ambient_c=ambient).route_worst)
    assert route_rank(fused(bench, found_a * 2, size, 40.0, ambient_c=ambient).route_worst) >= here
    assert route_rank(fused(bench, found_a, None, 40.0, ambient_c=ambient).route_worst) >= here


def joined(bench, rules=None, **answers):
    damaged = bench.region("external_heat", evidence=bench.signs(fused_length=0.0))
    return bench.decision(bench.photo(damaged), rules=rules or bench.rules, **answers)


@pytest.mark.parametrize(
    ("current", "length", "verdict"), [(5.0, 1000.0, "met"), (8.0, 1450.0, "cannot_tell"), (15.0, 3000.0, "violated")]
)
def test_the_drop_is_judged_where_current_size_and_length_are_known(bench, current, length, verdict):
    """0.5 mm², budget 0.5 V: well below, within the spread of the contacts, well above."""
    found = joined(bench, load_current_a=current, circuit_length_mm=length, wire_size_mm2=0.5)
    assert bench.verdict(found, "drop-budget") == verdict
    assert ("change_plan" in bench.steps(found)) == (verdict == "violated")
    assert "before the repair" in bench.says(found, "drop-budget")


def test_the_drop_is_the_sum_written_out_by_hand():
    """1 m of 0.5 mm² at 60 °C, (34.48 + 37.1)/2 mΩ, two terminals of 1 mΩ and two splices of 0.5 mΩ, 10 A."""
    limits = load_rules().drop_budget
    by_hand = 10 * (0.035791 * (1 + 0.00393 * 40) + 2 * 0.001 + 2 * 0.0005)
    assert drop(feed(wire_size(0.5), 1000.0, 2, limits), 10.0).value == pytest.approx(by_hand, rel=1e-4)


def test_worse_contacts_of_the_shops_own_file_count(bench):
    """Measured splices of 20 mΩ: the same circuit no longer keeps its budget."""
    answers = dict(load_current_a=8.0, circuit_length_mm=1000.0, wire_size_mm2=0.5)
    assert bench.verdict(joined(bench, **answers), "drop-budget") == "met"
    bad = bench.limits(drop_budget={"splice_mohm": 20.0})
    assert bench.verdict(joined(bench, bad, **answers), "drop-budget") == "violated"


def test_contact_resistances_below_zero_are_refused(tmp_path):
    """As is an insulation class that does not exist: both at once."""
    file = tmp_path / "shop.toml"
    file.write_text('[drop-budget]\nsplice_mohm = -1.0\n[fuse-coordination]\ninsulation_class = "Z"\n')
    with pytest.raises(RulesError) as caught:
        load_rules(file)
    assert {mistake.key for mistake in caught.value.mistakes} == {
        "drop-budget.splice_mohm",
        "fuse-coordination.insulation_class",
    }
