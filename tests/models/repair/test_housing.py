"""Housings: whole, cracked, not judged."""

import pytest


def with_housing(bench, *regions, **fields):
    return bench.photo(*regions, housings=[bench.housing(**fields)])


@pytest.mark.parametrize(
    "sign", [{"cracked": True}, {"displaced_terminals": 1}, {"missing_area": 30.0}], ids=lambda s: next(iter(s))
)
def test_a_crack_a_missing_piece_or_a_pushed_out_terminal_replaces_the_housing(bench, sign):
    """Any of them; the wires stay, so nothing joins the count and no joint is planned."""
    if "missing_area" in sign:
        sign = {"missing_area_mm2": bench.m(sign["missing_area"], 4.0)}
    found = bench.decision(with_housing(bench, **sign))
    assert (found.route, found.route_worst) == ("repair_in_vehicle", "repair_in_vehicle")
    assert bench.steps(found)[0] == "replace_housing"
    assert found.wires_to_repair.high == 0
    assert bench.verdict(found, "termination-distance") == "not_applicable"


def test_how_a_housing_is_replaced_is_said_in_full(bench):
    """One wire at a time, latch, pull, secondary lock, seals and plugs."""
    why = bench.decision(with_housing(bench, cracked=True)).actions[0].why
    assert all(word in why for word in ("one wire at a time", "latch", "pull", "secondary lock", "seals", "plugs"))


def test_a_connector_region_and_its_housing_are_one_repair(bench):
    """The region lies on the housing: one step, on the housing."""
    region = bench.region("connector", rings_px=bench.housing().rings_px, wires_affected=None)
    found = bench.decision(with_housing(bench, region, cracked=None))
    assert [(action.action, action.on) for action in found.actions] == [("replace_housing", "h1")]
    assert found.route == "repair_in_vehicle"


def test_the_measure_beside_a_connector_region_is_the_one_in_its_words(bench):
    """The shell's own crack, measured too, is another length: two numbers in one row would contradict each other."""
    region = bench.region("connector", rings_px=bench.housing().rings_px, wires_affected=None, length_mm=bench.m(18, 5))
    found = bench.decision(with_housing(bench, region, cracked=None, crack_length_mm=bench.m(12, 100)))
    (rule,) = (one for one in found.rules if one.id == "housing")
    assert rule.measured.value == 18 and "extent 18" in rule.says and rule.unit == "mm"


def test_a_connector_region_without_a_housing_found_is_still_replaced(bench):
    """The label carries the rule."""
    found = bench.decision(bench.photo(bench.region("connector", wires_affected=None)))
    assert [(action.action, action.on) for action in found.actions] == [("replace_housing", "r1")]


def test_a_housing_that_could_not_be_judged_keeps_the_assembly_from_service(bench):
    """Unknown is not whole."""
    found = bench.decision(with_housing(bench, cracked=None))
    assert (found.route, found.route_worst) == ("undecided", "repair_in_vehicle")
    assert bench.decision(with_housing(bench, cracked=None), housing_state={"h1": "sound"}).route == "return_to_service"
    assert (
        bench.decision(with_housing(bench, cracked=None), housing_state={"h1": "damaged"}).route == "repair_in_vehicle"
    )


def test_terminals_that_were_not_seen_are_pulled_to_check(bench):
    """A whole shell returns, with the question open."""
    found = bench.decision(with_housing(bench, displaced_terminals=None))
    assert (found.route, found.route_worst) == ("return_to_service", "repair_in_vehicle")
    assert "pull to check" in bench.says(found, "housing")


def test_a_missing_area_within_its_uncertainty_is_no_missing_piece(bench):
    """1 ± 2 mm² of a housing's outline is noise, 30 ± 4 mm² is a corner."""
    assert bench.verdict(bench.decision(with_housing(bench, missing_area_mm2=bench.m(1.0, 2.0))), "housing") == "met"
