"""The decision as a whole: labels in doubt, order of steps and questions, the leading label."""

import tomllib
from importlib import resources

import pytest

from models.repair import RULE_IDS, Answers, decide, leading_label, photo_label, region_route
from models.repair.actions import QUESTION_COST, cheapest_first
from models.repair.spots import DAMAGE_LABELS
from models.repair.texts import CAUSES
from models.repair.verdicts import REMANUFACTURE, REPAIR, SERVICE
from vision.findings import Question

# ---- the worst route --------------------------------------------------------------------------------------------


def test_an_open_circuit_class_does_not_hide_what_the_damage_may_come_to(bench):
    """Bitten, ends unknown: remanufacture at worst by the damage, and referred whatever the damage if the class is."""
    photo = bench.photo(bench.region("rodent", exposed_copper_mm=bench.m(20.0)))
    found = bench.decision(photo, circuit_class=None)
    assert (found.route_worst, found.route_worst_by) == ("refer", ["circuit-class"])
    assert (found.route_worst_unreferred, found.route_worst_unreferred_by) == ("remanufacture", ["conductor-damage"])
    told = bench.decision(photo)
    assert (told.route_worst, told.route_worst_unreferred) == ("remanufacture", None)
    assert told.route_worst_by == found.route_worst_unreferred_by and told.route_worst_unreferred_by == []


def test_where_only_the_circuit_class_is_open_the_damage_makes_it_no_worse(bench):
    """Worn insulation, copper covered: the other answers are all in. A referred class needs no second worst."""
    found = bench.decision(bench.photo(bench.region()), circuit_class=None)
    assert (found.route, found.route_worst, found.route_worst_unreferred) == (
        "repair_in_vehicle", "refer", "repair_in_vehicle"
    )  # fmt: skip
    assert found.route_worst_unreferred_by == []
    referred = bench.decision(bench.photo(bench.region()), circuit_class="restraint")
    assert (referred.route, referred.route_worst_unreferred) == ("refer", None)


# ---- labels in doubt --------------------------------------------------------------------------------------------


def doubtful(bench, *candidates, **fields):
    return bench.region(label=candidates[0], unsure=True, candidates=list(candidates), **fields)


def test_a_region_of_two_possible_labels_that_are_repaired_alike_is_decided(bench):
    """Gnawed or chafed, copper covered: a sleeve either way."""
    found = bench.decision(bench.photo(doubtful(bench, "rodent", "abrasion")))
    assert (found.route, bench.steps(found)) == ("repair_in_vehicle", ["sleeve"])
    assert bench.verdict(found, "insulation-only") == "violated"


def test_a_region_whose_possible_labels_part_ways_is_undecided(bench):
    """Melted or chafed: the fused rule cannot tell, and the label is asked for."""
    region = doubtful(bench, "external_heat", "abrasion", evidence=bench.signs(fused_length=40.0))
    found = bench.decision(bench.photo(region))
    assert bench.verdict(found, "fused-insulation") == "cannot_tell"
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert found.open_questions[0].changes.startswith("label")
    assert bench.decision(bench.photo(region), labels={"r1": "abrasion"}).route == "repair_in_vehicle"
    assert bench.decision(bench.photo(region), labels={"r1": "external_heat"}).route == "remanufacture"


def test_while_the_label_is_open_only_what_every_label_asks_is_asked_besides(bench):
    """Six possible damages, one question; the answer brings those of one damage."""
    region = doubtful(bench, *DAMAGE_LABELS, exposed_copper_mm=None, to_termination_mm=None)
    asked = bench.decision(bench.photo(region)).open_questions
    assert [q.changes.split(":")[0] for q in asked if "r1" in q.ask] == ["label"]
    answered = bench.decision(bench.photo(region), labels={"r1": "rodent"}).open_questions
    assert {"conductor-damage"} <= {q.changes.split(":")[0] for q in answered if "r1" in q.ask}


def test_labels_that_differ_but_demand_the_same_route_decide_the_route(bench):
    """A worn wire or a broken housing: in the vehicle either way; no step is common, so none is printed."""
    found = bench.decision(bench.photo(doubtful(bench, "abrasion", "connector")))
    assert (found.route, found.actions) == ("repair_in_vehicle", [])


def test_damage_or_nothing_is_undecided(bench):
    """Chafed or a printed mark."""
    found = bench.decision(bench.photo(doubtful(bench, "abrasion", "sound")))
    assert (found.route, found.route_worst) == ("undecided", "repair_in_vehicle")


def test_damage_of_a_kind_never_seen_may_be_any(bench):
    """Novel: the worst of all labels, no cause claimed."""
    found = bench.decision(bench.photo(bench.region(label=None, novel=True), label=None))
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert found.causes == []


def test_a_region_rejected_as_sound_is_no_damage(bench):
    """The reviewer said so."""
    rejected = bench.region(label="sound")
    assert bench.decision(bench.photo(rejected)).route == "return_to_service"
    assert bench.decision(bench.photo(rejected, label=None)).route == "undecided"


# ---- what every decision holds ------------------------------------------------------------------------------------


def test_every_rule_of_the_file_is_answered_once(bench):
    """In the file's order, each with words and source."""
    text = resources.files("models.repair").joinpath("rules.toml").read_text("utf-8")
    found = bench.decision(bench.photo(bench.region()))
    assert [result.id for result in found.rules] == list(tomllib.loads(text)) == list(RULE_IDS)
    assert all(result.says and result.source for result in found.rules)


@pytest.mark.parametrize("rule", RULE_IDS)
def test_a_rule_switched_off_says_so(bench, rule):
    """It never counts, and the answer tells."""
    rules = bench.limits(**{rule.replace("-", "_"): {"applies": False}})
    found = bench.decision(bench.photo(bench.region("rodent", exposed_copper_mm=bench.m(5.0))), rules=rules)
    assert bench.verdict(found, rule) == "not_applicable"
    assert "switched off" in bench.says(found, rule)


def test_steps_come_in_working_order(bench):
    """Fuse, covering, neighbours, circuit, housing, sleeve, cause."""
    regions = [
        bench.region("abrasion", id="r1"),
        bench.region("electrical_overload", id="r2", continues_under_covering=True),
        bench.region("connector", id="r3"),
    ]
    found = bench.decision(bench.photo(*regions))
    looked = ["check_fuse", "open_covering", "part_neighbours", "inspect_ends"]
    assert bench.steps(found) == [*looked, "replace_circuit", "replace_housing", "sleeve", "find_cause"]


def test_a_question_that_cannot_change_the_route_comes_after_those_that_can_at_equal_cost(bench):
    """A bite to be repaired whatever the fuse: its circuit is known once the wire is traced, which the ends ask for.

    On a sound assembly the fuse alone may change the route and is asked all the same.
    """
    bite = bench.region("rodent", exposed_copper_mm=bench.m(20.0))
    class_only = Answers(circuit_class="none")
    found = decide([bench.photo(bite, housings=[bench.housing(cracked=None)])], class_only, bench.rules)
    kinds = [question.changes.split(":")[0] for question in found.open_questions]
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
    assert kinds == ["housing", "conductor-damage", "fuse-coordination"]
    sound = decide([bench.photo()], class_only, bench.rules)
    assert (sound.route, sound.route_worst) == ("return_to_service", "repair_in_vehicle")
    assert [question.changes.split(":")[0] for question in sound.open_questions] == ["fuse-coordination"]
    idle, telling = (Question(ask=ask, why="", changes="conductor-damage: x") for ask in ("A?", "B?"))
    again = [(idle, REPAIR), (telling, REPAIR), (telling, REMANUFACTURE)]
    assert cheapest_first(again, REPAIR) == [telling, idle]
    assert cheapest_first(again, SERVICE) == [idle, telling]


def test_questions_come_cheapest_first_and_once(bench):
    """Papers before tools before taking apart."""
    regions = [
        bench.region("external_heat", id="r1", continues_under_covering=True),
        bench.region("rodent", id="r2", exposed_copper_mm=None),
    ]
    found = decide([bench.photo(*regions)], Answers(), bench.rules)
    kinds = [question.changes.split(":")[0] for question in found.open_questions]
    assert kinds == sorted(kinds, key=QUESTION_COST.__getitem__)
    assert kinds[0] == "circuit-class"
    assert kinds[-1] == "hidden-damage"
    assert len({question.ask for question in found.open_questions}) == len(found.open_questions)
    assert all(question.why and question.changes for question in found.open_questions)


def test_an_assembly_to_be_remanufactured_asks_only_what_could_make_it_worse(bench):
    """Whether an overlooked bite needs a sleeve no longer matters."""
    regions = [
        bench.region("external_heat", id="r1", evidence=bench.signs(fused_length=40.0)),
        bench.region("rodent", id="r2", exposed_copper_mm=None),
    ]
    found = decide([bench.photo(*regions)], Answers(), bench.rules)
    assert [question.changes.split(":")[0] for question in found.open_questions] == ["circuit-class"]


@pytest.mark.parametrize("label", DAMAGE_LABELS)
def test_every_damage_has_a_cause_to_look_for_and_a_way_to_prevent_it(bench, label):
    """And cautions that defer to the maker's procedure."""
    found = bench.decision(bench.photo(bench.region(label)))
    assert found.causes == list(CAUSES[label])
    assert all(cause.look_for and cause.prevent for cause in found.causes)
    assert "maker's procedure" in found.cautions[0]


def test_rodent_remains_bring_gloves_and_mask(bench):
    """CDC clean-up advice: gloves, wet first, never sweep dry."""
    cautions = " ".join(bench.decision(bench.photo(bench.region("rodent"))).cautions)
    assert all(word in cautions for word in ("gloves", "mask", "disinfectant", "never sweep"))


def test_no_photograph_is_an_error(bench):
    """A decision about nothing is none."""
    with pytest.raises(ValueError, match="expected at least one photograph"):
        decide([], Answers(), bench.rules)


# ---- the leading label ----------------------------------------------------------------------------------------------


def test_the_gravest_route_leads_then_the_longest(bench):
    """10 mm melted before 90 mm chafed; of two chafed-like ones the longer."""
    melted = bench.region("external_heat", id="r1", length_mm=bench.m(10.0), evidence=bench.signs(fused_length=10.0))
    chafed = bench.region("abrasion", id="r2", length_mm=bench.m(90.0))
    broken = bench.region("connector", id="r3", length_mm=bench.m(20.0))
    assert leading_label(bench.photo(melted, chafed, broken), bench.rules) == "external_heat"
    assert leading_label(bench.photo(broken, chafed), bench.rules) == "abrasion"
    assert region_route(bench.photo(melted, chafed), "r1", bench.rules) == "remanufacture"
    assert region_route(bench.photo(melted, chafed), "r2", bench.rules) == "repair_in_vehicle"


def test_the_photograph_s_label_needs_a_named_region_or_enough_seen(bench):
    """Sound only when seen; null when unusable or all novel."""
    assert photo_label(bench.photo(), bench.rules) == "sound"
    assert photo_label(bench.photo(inspected_share=0.3), bench.rules) is None
    assert photo_label(bench.photo(usable=False), bench.rules) is None
    assert photo_label(bench.photo(bench.region(label=None, novel=True), label=None), bench.rules) is None
    assert photo_label(bench.photo(bench.region("rodent")), bench.rules) == "rodent"


# ---- what the route comes from ----------------------------------------------------------------------------------


def test_a_route_names_the_rule_that_set_it_and_those_that_could_worsen_it(bench):
    """A worn wire gets its sleeve; a wire too many would mean remanufacture; melted wires do."""
    worn = bench.decision(bench.photo(bench.region("abrasion", wires_affected=bench.count(value=2, low=1, high=9))))
    assert (worn.route, worn.route_by) == ("undecided", ["wire-count"])
    assert (worn.route_worst, worn.route_worst_by) == ("remanufacture", ["wire-count"])
    few = bench.decision(bench.photo(bench.region("abrasion")))
    assert (few.route, few.route_by, few.route_worst_by) == ("repair_in_vehicle", ["insulation-only"], [])
    melted = bench.region("external_heat", evidence=bench.signs(fused_length=40.0))
    found = bench.decision(bench.photo(melted))
    assert (found.route, found.route_by, found.route_worst_by) == ("remanufacture", ["fused-insulation"], [])


def test_an_open_label_is_what_the_route_waits_for(bench):
    """Melted or chafed."""
    region = doubtful(bench, "external_heat", "abrasion", evidence=bench.signs(fused_length=40.0))
    found = bench.decision(bench.photo(region))
    assert (found.route, found.route_by) == ("undecided", ["label", "fused-insulation"])
    assert found.route_worst_by == ["fused-insulation"]


def test_the_measured_count_of_wires_spans_what_it_may_be(bench):
    """2, at least 1, at most 5: the band is 1 to 5, not 2 ± 3."""
    region = bench.region("abrasion", wires_affected=bench.count(value=2, low=1, high=5))
    found = bench.decision(bench.photo(region))
    measured = next(rule.measured for rule in found.rules if rule.id == "wire-count")
    assert (measured.value - measured.u95, measured.value + measured.u95) == (1.0, 5.0)
    unknown = bench.decision(bench.photo(bench.region("abrasion", wires_affected=None)))
    measured = next(rule.measured for rule in unknown.rules if rule.id == "wire-count")
    assert (measured.value, measured.u95, measured.low_bound) == (1.0, 0.0, True)
