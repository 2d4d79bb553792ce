"""Heat: melted together, aged, overloaded."""

import pytest

from vision.findings import Count


def heat(bench, fused=None, **fields):
    evidence = bench.signs(**({"fused_length": fused} if fused is not None else {}))
    return bench.photo(bench.region("external_heat", **({"evidence": evidence} | fields)))


def test_a_bundle_melted_over_62_mm_is_remanufactured(bench):
    """Fused beyond uncertainty: no repair in the vehicle, and no joint is planned."""
    found = bench.decision(heat(bench, 62.0))
    assert (found.route, found.route_worst) == ("remanufacture", "remanufacture")
    assert bench.verdict(found, "fused-insulation") == "violated"
    assert bench.verdict(found, "termination-distance") == "not_applicable"
    assert bench.verdict(found, "heat-aged") == "not_applicable"
    assert bench.steps(found) == ["remanufacture"]
    assert "62 ± 3 mm" in bench.says(found, "fused-insulation")


def test_a_fused_length_within_its_uncertainty_decides_nothing(bench):
    """2 ± 3 mm may be none: somebody parts the wires by hand."""
    found = bench.decision(heat(bench, 2.0))
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert any("part by hand" in question.ask for question in found.open_questions)
    assert "2 (0 to " in bench.says(found, "fused-insulation")


def test_a_stated_uncertainty_of_the_fused_length_is_taken(bench):
    """2.0 ± 0.5 mm is there; the companion feature says how sure."""
    photo = heat(bench, evidence=bench.signs(fused_length=2.0, fused_length_u95=0.5))
    assert bench.decision(photo).route == "remanufacture"


def test_an_unmeasured_fused_length_is_not_zero(bench):
    """No evidence of fusing measured: the question stays."""
    found = bench.decision(heat(bench))
    assert bench.verdict(found, "fused-insulation") == "cannot_tell"
    assert found.route == "undecided"


@pytest.mark.parametrize(("hand", "route"), [("parts", "repair_in_vehicle"), ("tears", "remanufacture")])
def test_the_hand_test_settles_what_the_photograph_left_open(bench, hand, route):
    """Parts: heat-aged at most. Tears: melted."""
    assert bench.decision(heat(bench, 2.0), parts_by_hand=hand).route == route


def test_wires_seen_melted_together_stay_so_whatever_a_hand_test_elsewhere_said(bench):
    """62 mm melted beyond doubt is not argued away."""
    found = bench.decision(heat(bench, 62.0), parts_by_hand={"r1": "parts"})
    assert found.route == "remanufacture"
    says = {rule.id: rule.says for rule in found.rules}["fused-insulation"]
    assert "answered: they part by hand" in says
    plain = bench.decision(heat(bench, 62.0))
    assert "by hand" not in {rule.id: rule.says for rule in plain.rules}["fused-insulation"]


def test_no_assembly_is_given_up_for_melting_seen_on_a_place_of_doubtful_kind(bench):
    """Whatever the labels left, sound wires lying close look the same: a hand parts them, or tears them."""
    photo = heat(bench, 62.0, unsure=True, candidates=["external_heat", "electrical_overload"])
    found = bench.decision(photo)
    assert (found.route, bench.verdict(found, "fused-insulation")) == ("undecided", "cannot_tell")
    assert any("part by hand" in question.ask for question in found.open_questions)
    assert bench.verdict(bench.decision(photo, parts_by_hand={"r1": "parts"}), "fused-insulation") != "violated"
    assert bench.decision(photo, parts_by_hand={"r1": "tears"}).route == "remanufacture"


def test_a_melted_mass_that_looks_like_one_wire_is_asked_about(bench):
    """A mass is one surface: that one wire is counted there does not argue the melting away, whatever the label."""
    single = dict(wires_affected=bench.count(value=1, low=1, high=1, wire_ids=[]))
    doubtful = dict(unsure=True, candidates=["external_heat", "electrical_overload"])
    assert bench.decision(heat(bench, 62.0, **single)).route == "remanufacture"
    found = bench.decision(heat(bench, 62.0, **single, **doubtful))
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")


def test_a_hand_test_of_a_doubtful_place_holds_when_its_kind_is_known_later(bench):
    """Parted by hand first, named afterwards; an answer for all places at once says nothing of this one."""
    photo = heat(bench, 62.0, unsure=True, candidates=["external_heat", "electrical_overload"])
    named = dict(labels={"r1": "external_heat"})
    parted = bench.decision(photo, parts_by_hand={"r1": "parts"}, **named)
    assert bench.verdict(parted, "fused-insulation") == "met"
    assert bench.decision(photo, parts_by_hand="parts", **named).route == "remanufacture"
    assert bench.verdict(bench.decision(photo, parts_by_hand="parts"), "fused-insulation") == "cannot_tell"


def test_one_wire_alone_has_no_neighbour_to_melt_to(bench):
    """A single browned wire needs only the flex test."""
    found = bench.decision(heat(bench, wires_affected=bench.wires_of("w1")))
    assert bench.verdict(found, "fused-insulation") == "not_applicable"
    assert found.route == "repair_in_vehicle"


@pytest.mark.parametrize(
    ("flex", "verdict", "route"),
    [
        (None, "cannot_tell", "repair_in_vehicle"),
        ("cracks", "violated", "repair_in_vehicle"),
        ("no_cracks", "met", "return_to_service"),
    ],
)
def test_browned_insulation_counts_as_lost_until_it_bends_without_cracking(bench, flex, verdict, route):
    """AC 43.13-1B: replace wire whose insulation cracks on slight flexing; untested, the safe side is taken."""
    found = bench.decision(heat(bench, 0.0), flex_test=flex)
    assert bench.verdict(found, "heat-aged") == verdict
    assert found.route == route


def test_eight_browned_wires_are_too_many_only_if_they_crack(bench):
    """More than six: the flex test decides between staying and remanufacture."""
    photo = heat(bench, 0.0, wires_affected=bench.wires_of(*"abcdefgh"))
    assert (bench.decision(photo).route, bench.decision(photo).route_worst) == ("undecided", "remanufacture")
    assert bench.decision(photo, flex_test="cracks").route == "remanufacture"
    assert bench.decision(photo, flex_test="no_cracks").route == "return_to_service"


def test_an_overloaded_circuit_is_replaced_after_its_fuse_was_checked(bench):
    """Fuse first, then what lies beside it, then the circuit, at last the cause; no joint in the damaged stretch."""
    found = bench.decision(bench.photo(bench.region("electrical_overload", to_termination_mm=bench.m(50.0))))
    assert found.route == "repair_in_vehicle"
    assert bench.steps(found) == ["check_fuse", "part_neighbours", "inspect_ends", "replace_circuit", "find_cause"]
    assert bench.verdict(found, "termination-distance") == "not_applicable"
    assert any("discolouration stop" in question.ask for question in found.open_questions)


def test_where_the_overload_ends_is_asked_until_it_is_known(bench):
    """The answer appears in the plan."""
    photo = bench.photo(bench.region("electrical_overload"))
    found = bench.decision(photo, overload_ends={"r1": "splice near the fuse box"})
    (renewed,) = [step.why for step in found.actions if step.action == "replace_circuit"]
    assert "from splice near the fuse box to its other end" in renewed
    assert not any(question.changes.startswith("overload-extent") for question in found.open_questions)


def test_seven_wires_marked_by_an_overload_are_too_many(bench):
    """Neighbours that took heat or colour join the count."""
    photo = bench.photo(bench.region("electrical_overload", wires_affected=bench.wires_of(*"abcdefg")))
    assert bench.decision(photo).route == "remanufacture"


@pytest.mark.parametrize(("answer", "route", "worst", "verdict"), [
    (None, "repair_in_vehicle", "remanufacture", "cannot_tell"),
    ("parts", "repair_in_vehicle", "repair_in_vehicle", "met"),
    ("tears", "remanufacture", "remanufacture", "violated"),
])  # fmt: skip
def test_what_sticks_to_a_burnt_wire_is_found_by_hand(bench, answer, route, worst, verdict):
    """No photograph tells: the repair goes on, and what parting the wires shows may end it. Common practice of the
    trade, no published source."""
    photo = bench.photo(bench.region("electrical_overload", wires_affected=Count(value=2, low=1, high=3)))
    found = bench.decision(photo, **({"parts_by_hand": {"r1": answer}} if answer else {}))
    assert (found.route, found.route_worst) == (route, worst)
    assert bench.verdict(found, "fused-insulation") == verdict
    asked = [question for question in found.open_questions if question.changes.startswith("fused-insulation")]
    assert len(asked) == (answer is None)


def test_when_to_stop_parting_wires_is_said_by_the_shops_own_limits(bench):
    """Its number of wires; nothing of what it switched off."""
    photo = bench.photo(bench.region("electrical_overload"))

    def why(**limits):
        steps = bench.decision(photo, rules=bench.limits(**limits)).actions
        return next(step.why for step in steps if step.action == "part_neighbours")

    assert "STOP at insulation that tears or more than 6 wires in the assembly" in why()
    assert "more than 4 wires in one branch" in why(wire_count={"max_wires": 4, "scope": "branch"})
    assert why(fused_insulation={"applies": False}).count("tears") == 0
    assert "STOP" not in why(fused_insulation={"applies": False}, wire_count={"applies": False})


def test_an_overload_that_melted_its_neighbours_is_remanufactured(bench):
    """Melted together counts whatever the cause."""
    photo = bench.photo(bench.region("electrical_overload", evidence=bench.signs(fused_length=30.0)))
    assert bench.decision(photo).route == "remanufacture"


def test_the_words_say_why_a_band_that_holds_none_is_melted_all_the_same(bench):
    """35 ± 35.6 mm is more than none by the one-sided band; where a hand test decides, nothing is said of bands."""
    region = bench.region("external_heat", evidence=bench.signs(fused_length=35.0, fused_length_u95=35.6))
    found = bench.decision(bench.photo(region))
    assert bench.verdict(found, "fused-insulation") == "violated"
    assert "35 (0 to 70.6) mm, more than 5.1 mm by the one-sided 95 % band of a limit" in bench.says(
        found, "fused-insulation"
    )
    torn = bench.region("external_heat", evidence=bench.signs(fused_length=10.0, fused_length_u95=35.6))
    found = bench.decision(bench.photo(torn), parts_by_hand="tears")
    assert bench.verdict(found, "fused-insulation") == "violated"
    assert "one-sided" not in bench.says(found, "fused-insulation")
