"""Laws of the decision, by property: more damage, tighter limits and unknown answers are never milder."""

from itertools import permutations

from hypothesis import given, settings
from hypothesis import strategies as st

from models.repair import Answers, decide, route_rank
from models.repair.actions import WORKING_ORDER
from models.repair.plan_input import CUTTING_STEPS
from models.repair.prices import load_prices
from models.repair.spots import DAMAGE_LABELS
from models.repair.worksheet import worksheet

PRICES = load_prices()

maybe_mm = st.none() | st.tuples(
    st.sampled_from([0.0, 1.0, 3.0, 20.0, 150.0, 160.0, 400.0]), st.sampled_from([0.2, 3.0])
)
names = st.sets(st.sampled_from("abcdefgh"), max_size=8)
region_facts = st.fixed_dictionaries(
    {
        "label": st.sampled_from(DAMAGE_LABELS),
        "doubt": st.sampled_from(["none"] * 5 + ["unsure", "novel"]),
        "also": st.sampled_from([*DAMAGE_LABELS, "sound"]),
        "wires": st.none() | names,
        "extra": st.integers(0, 3),
        "copper": maybe_mm,
        "distance": maybe_mm,
        "length": maybe_mm,
        "fused": st.none() | st.sampled_from([0.0, 2.0, 40.0]),
        "severed": st.sampled_from([0, 0, 1]),
        "hidden": st.sampled_from([False] * 5 + [True]),
    }
)
joint_facts = st.fixed_dictionaries(
    {
        "wire": st.none() | st.sampled_from("abc"),
        "origin": st.sampled_from(["repair", "factory", "unknown"]),
        "distance": maybe_mm,
        "gap": maybe_mm,
        "on": st.booleans(),
    }
)
photo_facts = st.fixed_dictionaries(
    {
        "regions": st.lists(region_facts, max_size=3),
        "joints": st.lists(joint_facts, max_size=3),
        "cracked": st.sampled_from([False] * 6 + [None, True]),
        "terminals": st.sampled_from([0] * 6 + [None, 1]),
        "share": st.sampled_from([0.9, 0.9, 0.9, 0.4]),
        "usable": st.sampled_from([True] * 7 + [False]),
        "traced": st.booleans(),
    }
)
assembly_facts = st.lists(photo_facts, min_size=1, max_size=2)
answer_facts = st.fixed_dictionaries(
    {
        "circuit_class": st.just("none"),  # otherwise `refer` hides every other difference
    },
    optional={
        "flex_test": st.sampled_from(["cracks", "no_cracks"]),
        "parts_by_hand": st.sampled_from(["parts", "tears"]),
        "copper": st.sampled_from(["covered", "bare", "damaged"]),
        "both_ends_identified": st.booleans(),
        "fuse_found_a": st.sampled_from([10.0, 30.0]),
        "fuse_rated_a": st.just(10.0),
        "wire_size_mm2": st.sampled_from([0.5, 1.0]),
        "same_damage_days": st.sampled_from([10, 100]),
        "looked_over": st.just("nothing_more"),
        "further_splices": st.sampled_from(["none", "some"]),
    },
)


def built_region(bench, number, facts):
    mm = {key: bench.m(*facts[key]) if facts[key] else None for key in ("copper", "distance", "length")}
    evidence = {"severed_wires": float(facts["severed"])}
    if facts["fused"] is not None:
        evidence["fused_length"] = facts["fused"]
    count = None
    if facts["wires"] is not None:
        low = len(facts["wires"])
        count = bench.count(value=low, low=low, high=low + facts["extra"], wire_ids=sorted(facts["wires"]))
    return bench.region(
        facts["label"] if facts["doubt"] != "novel" else None,
        id=f"r{number}",
        unsure=facts["doubt"] == "unsure",
        novel=facts["doubt"] == "novel",
        candidates=[facts["label"], facts["also"]] if facts["doubt"] == "unsure" else [],
        rings_px=[[(200.0 * number, 0.0), (200.0 * number + 9, 0.0), (200.0 * number, 9.0)]],
        wires_affected=count,
        exposed_copper_mm=mm["copper"],
        to_termination_mm=mm["distance"],
        length_mm=mm["length"],
        continues_under_covering=facts["hidden"],
        evidence=bench.signs(**evidence),
    )


def built(bench, assembly):
    return [built_photo(bench, f"p{number}.jpg", facts) for number, facts in enumerate(assembly)]


def built_photo(bench, name, facts):
    joints = [
        bench.splice(
            f"s{number}",
            wire_id=joint["wire"],
            origin=joint["origin"],
            to_termination_mm=bench.m(*joint["distance"]) if joint["distance"] else None,
            to_next_splice_mm=bench.m(*joint["gap"]) if joint["gap"] else None,
            # on the region of the same number, or beside all of them
            rings_px=[[(200.0 * number, 2.0 + 50 * (not joint["on"])), (200.0 * number + 9, 59.0)]],
        )
        for number, joint in enumerate(facts["joints"])
    ]
    ends = ("h1", "h2") if facts["traced"] else (None, None)
    return bench.photo(
        *[built_region(bench, number, region) for number, region in enumerate(facts["regions"])],
        name=name,
        splices=joints,
        housings=[bench.housing(cracked=facts["cracked"], displaced_terminals=facts["terminals"])],
        wires=[bench.wire(wire, ends=ends) for wire in "abcdefgh"],
        inspected_share=facts["share"],
        usable=facts["usable"],
    )


def worst(bench, assembly, answers, rules=None):
    return route_rank(decide(built(bench, assembly), Answers(**answers), rules or bench.rules).route_worst)


HARMS = {
    "more bare copper": ("copper", lambda v: (400.0, 0.2)),
    "melted": ("fused", lambda v: 40.0),
    "a severed wire": ("severed", lambda v: 1),
    "more wires": ("wires", lambda v: set("abcdefgh") if v is not None else None),
    "runs on under tape": ("hidden", lambda v: True),
    "nearer to the termination": ("distance", lambda v: (0.0, 0.2)),
}


@settings(max_examples=50, deadline=None)
@given(assembly_facts, answer_facts, st.sampled_from(sorted(HARMS)), region_facts, joint_facts)
def test_more_damage_never_makes_the_worst_route_milder(bench, assembly, answers, harm, region, joint):
    """Worse regions, one region more, one joint more, a cracked housing, less seen, an unusable photograph."""
    before = worst(bench, assembly, answers)
    first = assembly[0]
    key, change = HARMS[harm]
    worse = [
        {**first, "regions": [{**r, key: change(r[key])} for r in first["regions"]]},
        # beside the places: on one whose wires nobody counted it would tell of one wire, which is less than was feared
        {**first, "joints": [*first["joints"], {**joint, "origin": "repair", "wire": "h", "on": False}]},
        {**first, "cracked": True},
        {**first, "terminals": 1},
        {**first, "share": 0.1},
        {**first, "usable": False},
        {**first, "traced": False},
    ]
    if first["regions"]:
        worse.append({**first, "regions": [*first["regions"], region]})
    for changed in worse:
        assert worst(bench, [changed, *assembly[1:]], answers) >= before


@settings(max_examples=80, deadline=None)
@given(assembly_facts, answer_facts)
def test_every_route_names_the_rules_that_it_comes_from(bench, assembly, answers):
    """None where nothing is demanded; never one that is met; an undecided one what it waits for."""
    found = decide(built(bench, assembly), Answers(**answers), bench.rules)
    verdicts = {rule.id: rule.verdict for rule in found.rules} | {"label": "cannot_tell"}
    assert bool(found.route_by) == (found.route != "return_to_service")
    assert bool(found.route_worst_by) == (found.route_worst != found.route)
    for rule in {*found.route_by, *found.route_worst_by}:
        assert verdicts[rule] in ("violated", "cannot_tell"), rule


TIGHTER = [
    {"termination_distance": {"min_mm": 500.0}},
    {"wire_count": {"max_wires": 2}},
    {"fused_insulation": {"zero_within_mm": 0.0}},
    {"conductor_damage": {"zero_within_mm": 0.0}},
    {"splice_spacing": {"min_mm": 300.0}},
    {"splices_per_wire": {"max_splices": 0}},
    {"fuse_coordination": {"largest_fuse_a": ((0.5, 1.0),)}},
    {"inspection": {"min_inspected_share": 1.0}},
    {"recurrence": {"within_days": 1000}},
    {"housing": {"zero_within_mm2": 0.0}},
]


@settings(max_examples=30, deadline=None)
@given(assembly_facts, answer_facts)
def test_a_tighter_limit_never_makes_the_worst_route_milder(bench, assembly, answers):
    """Every limit in turn, and the scope of the count from location to branch to assembly."""
    before = worst(bench, assembly, answers)
    for change in TIGHTER:
        assert worst(bench, assembly, answers, bench.limits(**change)) >= before
    scopes = [bench.limits(wire_count={"scope": scope}) for scope in ("location", "branch", "assembly")]
    ranks = [worst(bench, assembly, answers, rules) for rules in scopes]
    assert ranks == sorted(ranks)
    strands = {"nicked_strands_allowed": 4, "broken_strands_allowed": 2}
    assert worst(bench, assembly, answers, bench.limits(conductor_damage=strands)) <= before


def _possible_count(bench, assembly, answers):
    """Numbers of wires that what was seen and answered allows."""
    seen = decide(built(bench, assembly), Answers(**answers), bench.rules).wires_to_repair
    return st.integers(0, 9) if seen is None else st.integers(seen.low, seen.high)


OPEN = {"copper": None, "fused": None, "severed": 0, "wires": None, "distance": None}


@settings(max_examples=50, deadline=None)
@given(assembly_facts, answer_facts, st.data())
def test_an_answer_turned_unknown_never_makes_the_worst_route_milder(bench, assembly, answers, data):
    """For what the photographs leave open: an answer against what they prove is other evidence, not an unknown."""
    opened = [
        {
            **facts,
            "regions": [{**region, **OPEN} for region in facts["regions"]],
            "joints": [{**joint, "origin": "unknown", "distance": None, "gap": None} for joint in facts["joints"]],
            "cracked": None,
            "traced": False,
        }
        for facts in assembly
    ]
    names = [f"p{i}.jpg:" if len(assembly) > 1 else "" for i in range(len(assembly))]
    joints = [f"{name}s{i}" for name, facts in zip(names, opened, strict=True) for i in range(len(facts["joints"]))]
    full = dict(answers)
    if joints:
        full["splice_origin"] = {ref: data.draw(st.sampled_from(["repair", "factory"])) for ref in joints}
        full["distances_mm"] = {ref: data.draw(st.sampled_from([10.0, 300.0])) for ref in joints}
        # factory joints do not count: more than the others would contradict that there are no further ones
        repairs = sum(origin == "repair" for origin in full["splice_origin"].values())
        full["splices_on_one_wire"] = data.draw(st.integers(0, repairs))
    places = [f"{name}r{i}" for name, facts in zip(names, opened, strict=True) for i in range(len(facts["regions"]))]
    if places and data.draw(st.booleans()):
        full["copper"] = {ref: data.draw(st.sampled_from(["covered", "bare", "damaged"])) for ref in places}
    full["housing_state"] = {
        f"{name}h1": data.draw(st.sampled_from(["sound", "damaged", "not_a_housing"])) for name in names
    }
    full["wire_count"] = data.draw(_possible_count(bench, opened, full))
    before = worst(bench, opened, full)
    for key in full:
        assert worst(bench, opened, {k: v for k, v in full.items() if k != key}) >= before, key


@settings(max_examples=50, deadline=None)
@given(assembly_facts, answer_facts)
def test_a_decided_route_is_never_graver_than_the_worst(bench, assembly, answers):
    """And undecided always leaves room above; a decided service route is never silent about what was not seen."""
    found = decide(built(bench, assembly), Answers(**answers), bench.rules)
    if found.route != "undecided":
        assert route_rank(found.route) <= route_rank(found.route_worst)
    else:
        assert found.route_worst != "return_to_service"
        assert found.open_questions
    if found.route == "return_to_service":
        assert all(facts["usable"] for facts in assembly)
    assert all(action.action in WORKING_ORDER and action.why for action in found.actions)


@settings(max_examples=20, deadline=None)
@given(st.lists(photo_facts, min_size=3, max_size=3), answer_facts)
def test_the_order_of_the_photographs_does_not_matter(bench, assembly, answers):
    """Same photographs, same decision, to the letter."""
    photos = built(bench, assembly)
    decisions = {
        decide(list(order), Answers(**answers), bench.rules).model_dump_json() for order in permutations(photos)
    }
    assert len(decisions) == 1


@settings(max_examples=40, deadline=None)
@given(region_facts, answer_facts)
def test_doubt_about_the_label_is_at_least_as_grave_as_either_label(bench, facts, answers):
    """The worst of a set of labels covers each of them."""
    assembly = dict(regions=[], joints=[], cracked=False, terminals=0, share=0.9, usable=True, traced=False)
    unsure = worst(bench, [{**assembly, "regions": [{**facts, "doubt": "unsure"}]}], answers)
    novel = worst(bench, [{**assembly, "regions": [{**facts, "doubt": "novel"}]}], answers)
    sure = worst(bench, [{**assembly, "regions": [{**facts, "doubt": "none"}]}], answers)
    assert sure <= unsure
    assert sure <= novel


@settings(max_examples=40, deadline=None)
@given(assembly_facts, answer_facts)
def test_any_assembly_has_a_worksheet_no_milder_than_its_decision(bench, assembly, answers):
    """A plan, questions, or the reason why there is none; never a cut list without a plan."""
    photos = built(bench, assembly)
    found = decide(photos, Answers(**answers), bench.rules)
    sheet = worksheet(photos, found, bench.rules, PRICES)
    assert route_rank(sheet.route_worst) >= route_rank(found.route_worst)
    if found.route == "undecided":
        assert sheet.route == "undecided"
    else:
        assert route_rank(sheet.route) >= route_rank(found.route)
    cuts = any(step.action in CUTTING_STEPS for step in found.actions)
    if cuts and sheet.route in ("repair_in_vehicle", "undecided"):
        assert sheet.questions or sheet.plan.wires
    assert bool(sheet.cut) == bool(sheet.plan and sheet.plan.wires)
    assert sheet.steps


@settings(max_examples=60, deadline=None)
@given(assembly_facts, answer_facts)
def test_every_rule_says_why_and_an_open_one_what_would_settle_it(bench, assembly, answers):
    """Words for all seventeen; a broken limit shows the number it broke; what cannot be told is asked for, or cannot
    make the route graver any more."""
    found = decide(built(bench, assembly), Answers(**answers), bench.rules)
    assert len(found.rules) == 17
    asked = {question.changes.split(":")[0] for question in found.open_questions}
    for rule in found.rules:
        assert rule.says and rule.source
        if rule.verdict == "violated" and rule.limit:
            assert f"{rule.limit:g}" in rule.says
        if rule.verdict == "cannot_tell" and found.route not in ("remanufacture", "refer"):
            assert SETTLED_BY.get(rule.id, {rule.id}) & asked or "measure" in rule.says, (rule.id, rule.says, asked)


SETTLED_BY = {
    "earlier-repair": {"earlier-repair", "label", "termination-distance", "splice-spacing", "conductor-damage"},
    "insulation-only": {"conductor-damage", "label"},
    "housing": {"housing", "label"},
    "heat-aged": {"heat-aged", "label"},
    "fused-insulation": {"fused-insulation", "label"},
    "overload-extent": {"overload-extent", "label"},
    "conductor-damage": {"conductor-damage", "label"},
    "termination-distance": {"termination-distance", "label", "earlier-repair", "hidden-damage"},
    "splice-spacing": {"splice-spacing", "label", "earlier-repair"},
    "splices-per-wire": {"splices-per-wire", "label", "splice-spacing", "earlier-repair"},
    "hidden-damage": {"hidden-damage", "label"},
}
"""Rules whose doubt a question of another rule settles: the label decides which rules apply at all."""
