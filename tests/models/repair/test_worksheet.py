"""The worksheet: what is known of the wires becomes a plan or a question, and the plan becomes lists and sentences."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.circuit.circuit_list import parse_circuit_list
from models.repair import decide, route_rank
from models.repair.bench import BenchNotes
from models.repair.plan_input import known_wires
from models.repair.worksheet import worksheet
from tests.models.repair.sheets import HEAD, LIST, PRICES, bitten, noted, sheet_of, traced
from vision.findings import Count


def test_traced_wires_are_planned_from_the_photograph_alone(bench):
    """Damage 300 mm from the terminal within 2 mm, margin 10: the left joints lie at or before 288 mm, staggered."""
    sheet = sheet_of(bench, [bench.photo(bitten(bench), wires=traced(bench, "w1", "w2"))])
    assert sheet.plan.status == "planned" and sheet.route == "repair_in_vehicle" and sheet.questions == ()
    left = sorted(wire.joints[0].at_mm for wire in sheet.plan.wires)
    assert left[1] <= 288 and left[1] - left[0] >= 50
    assert len(sheet.cut) == 2 and all("RD" in line.note for line in sheet.cut)


@pytest.mark.parametrize(("seen", "answered", "more"), [
    ("rodent", None, True), ("rodent", "abrasion", False), ("abrasion", "rodent", True), ("abrasion", None, False),
])  # fmt: skip
def test_cleaning_after_a_rodent_is_priced_by_what_the_bench_named(bench, seen, answered, more):
    """Whatever the photograph took it for: the surcharge follows the answer, and the photograph without one."""
    photo = bench.photo(bench.region(seen, exposed_copper_mm=bench.m(20.0), wires_affected=bench.wires_of("w1")))
    named = {"labels": {"r1": answered}} if answered else {}
    told = bench.settled(copper={"r1": "damaged"}, both_ends_identified=True, **named)
    notes = BenchNotes(wire=(noted(),))
    free = PRICES.model_copy(update={"price": PRICES.price.model_copy(update={"surcharge_rodent": 0})})
    decided = decide([photo], told, bench.rules)
    dear, cheap = (worksheet([photo], decided, bench.rules, at, (), notes, told).offers[0] for at in (PRICES, free))
    assert (dear.price > cheap.price) == more


@pytest.mark.parametrize("kind", ["rodent", "abrasion"])
def test_a_bite_whose_copper_nobody_looked_at_has_no_plan_and_no_price(bench, kind):
    """The route is decided, a sleeve or a joint is not: looked at first; bare and whole it is sleeved, at a price."""
    bite = bench.region(kind, exposed_copper_mm=None, evidence=bench.signs(open_ends=0.0))
    seen = [bench.photo(bite, wires=traced(bench, "w1", "w2"))]
    sheet = sheet_of(bench, seen)
    assert (sheet.route, sheet.plan.status) == ("repair_in_vehicle", "open")
    assert sheet.offers[0].price is None and "copper" in sheet.offers[0].says
    assert any(step.startswith("Look at the copper at r1.") for step in sheet.steps)
    assert sheet.steps[-1].startswith("Nothing is cut before")
    bare = sheet_of(bench, seen, copper={"r1": "bare"})
    assert bare.plan.status == "planned" and bare.offers[0].price > 0
    assert any(step.startswith("Make the insulation good at r1.") for step in bare.steps)
    cut = sheet_of(bench, seen, copper={"r1": "damaged"}, both_ends_identified=True)
    assert cut.plan.status == "planned" and len(cut.cut) == 2


def test_what_a_bench_note_cuts_waits_for_no_answer(bench):
    """Somebody who measures a wire for a new piece has looked."""
    bite = bench.region("rodent", exposed_copper_mm=None, evidence=bench.signs(open_ends=0.0))
    sheet = sheet_of(bench, [bench.photo(bite)], notes=BenchNotes(wire=(noted(),)))
    assert sheet.plan.status == "planned" and sheet.offers[0].price > 0


def test_two_faces_of_the_same_wires_are_not_cut_twice_unasked(bench):
    """Two or four wires: the photographs do not tell. A count of four settles it; a count of two leaves it asked."""
    faces = [bench.photo(bitten(bench), wires=traced(bench, "w1", "w2"), name=name) for name in ("a.jpg", "b.jpg")]
    sheet = sheet_of(bench, faces)
    assert sheet.plan.status == "open" and any("same wire" in question.ask for question in sheet.questions)
    assert sheet_of(bench, faces, wire_count=4).plan.status == "planned"
    assert sheet_of(bench, faces, wire_count=2).plan.status == "open"


def test_a_wire_that_may_be_a_restraint_circuit_may_have_to_be_referred(bench):
    """Two red circuits of the list, one of them a restraint: which it is, is asked, and at worst it is referred."""
    rows = "C1,RD,1.5,X1,1,X7,3,1400,15,,none\nC3,RD,1.5,X1,4,G2,,1400,,,restraint\n"
    photo = bench.photo(bitten(bench, wires_affected=bench.count(value=1, low=1, high=1, wire_ids=["w1"])),
                        wires=traced(bench, "w1"))  # fmt: skip
    sheet = sheet_of(bench, [photo], parse_circuit_list((HEAD + rows).encode()))
    assert sheet.route_worst == "refer" and sheet.plan.status == "open"
    assert any("C1 or C3" in question.ask for question in sheet.questions)


def test_a_wire_seen_in_part_is_planned_where_the_nearest_terminal_proves_enough_room(bench):
    """The far terminal lies at least as far beyond the damage as the near one."""
    sheet = sheet_of(bench, [bench.photo(bitten(bench), wires=[bench.wire("w1"), bench.wire("w2")])],
                     both_ends_identified=True)  # fmt: skip
    assert sheet.plan.status == "planned"
    assert {wire.method for wire in sheet.plan.wires} == {"splice_in_section"}
    assert all("not seen" in wire.end for wire in sheet.plan.wires)


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        (dict(wires_affected=None), "which wires are damaged"),
        (dict(wires_affected=Count(value=0, low=0, high=0, wire_ids=[])), "which wires are damaged"),
        (dict(to_termination_mm=None), "how far is it along the wire"),
        (dict(length_mm=None), "how long is the damage"),
        (dict(continues_under_covering=True), "open the covering"),
    ],
)
def test_what_is_not_known_is_asked_and_not_guessed(bench, change, asked):
    """No plan, no price, a question in plain words."""
    sheet = sheet_of(bench, [bench.photo(bitten(bench, **change), wires=traced(bench, "w1", "w2"))])
    assert sheet.plan.status == "open" and sheet.cut == ()
    assert any(asked in question.ask for question in sheet.questions)
    assert sheet.offers[0].price is None and sheet.offers[1].price is not None


def test_a_distance_too_coarse_to_place_a_joint_is_measured_again(bench):
    """Within 60 mm is more than the spacing of joints."""
    coarse = bitten(bench, to_termination_mm=bench.m(400.0, 60.0))
    sheet = sheet_of(bench, [bench.photo(coarse, wires=traced(bench, "w1", "w2"))])
    assert any("ruler" in question.ask for question in sheet.questions)


def test_bench_notes_replace_what_the_photograph_left_open(bench):
    """The ruler's wire is planned although the photograph counted no wires."""
    region = bitten(bench, wires_affected=None)
    notes = BenchNotes(wire=(noted(),), branch_points_mm=())
    sheet = sheet_of(bench, [bench.photo(region)], notes=notes, wire_count=1, both_ends_identified=True)
    assert sheet.plan.status == "planned" and [w.wire for w in sheet.plan.wires] == ["w1"]
    assert sheet.plan.checks == ()


def test_a_wire_of_the_list_brings_size_colour_ends_and_expected_resistance(bench):
    """1.5 mm² over 1400 mm and two joints: at most 12.7 mOhm/m (ISO 6722, from memory), so 17.8 mOhm and contacts."""
    notes = BenchNotes(wire=(noted(circuit="C1", after_mm=1060.0),))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], LIST, notes, both_ends_identified=True)
    wire = sheet.plan.wires[0]
    assert (wire.colour, wire.size_mm2, wire.start, wire.end) == ("RD", 1.5, "X1, cavity 1", "X7, cavity 3")
    assert sheet.cut[0].size == "1.5 mm² or larger" and sheet.cut[0].circuit == "C1"
    expected = next(test for test in sheet.tests if test.startswith("Continuity"))
    assert 17.8 <= float(expected.split("at most ")[1].split(" m")[0]) <= 17.8 + 2 * 2 + 2 * 1
    assert "(1.5 mm², 1400 mm)" in expected
    before, after = (float(part.rsplit(" ", 1)[-1]) for part in expected.split(" V ")[:2])
    assert after - before == pytest.approx(15 * 2 * 0.5e-3, abs=0.011)
    assert "C1: 15 A" in sheet.tests[-1]


def test_a_noted_length_that_is_not_the_list_s_is_asked_about(bench):
    """900 mm by the ruler, 1400 mm in the list: perhaps another circuit."""
    notes = BenchNotes(wire=(noted(circuit="C1"),))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], LIST, notes, both_ends_identified=True)
    assert any("900 mm long" in question.ask and "1400 mm" in question.ask for question in sheet.questions)
    assert sheet.plan.status == "open" and sheet.offers[0].price is None


def test_a_circuit_of_a_referred_class_refers_the_assembly(bench):
    """The list says restraint: no cut list, no work in the vehicle."""
    notes = BenchNotes(wire=(noted(circuit="C3"),))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], LIST, notes, both_ends_identified=True)
    assert sheet.route == "refer" and "restraint" in sheet.route_why
    assert sheet.cut == () and sheet.tests == ()


def test_the_rule_of_the_class_is_violated_where_only_the_list_knows_it(bench):
    """At intake: no such circuit. The list says restraint for one wire of two, and the row names it, not the other."""
    notes = BenchNotes(wire=(noted(circuit="C3"), noted(id="w2", circuit="C1", after_mm=1060.0)))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], LIST, notes, both_ends_identified=True)
    row = sheet.circuit_class
    assert (row.id, row.verdict, row.source) == ("circuit-class", "violated", bench.rules.circuit_class.source)
    assert "w1 is circuit C3, class restraint" in row.says and "C1" not in row.says and "at intake: no" in row.says
    off = bench.limits(circuit_class={"applies": False})
    photo = bench.photo(bitten(bench))
    found = bench.decision(photo, rules=off, both_ends_identified=True)
    assert worksheet([photo], found, off, PRICES, LIST, notes).circuit_class is None


def test_the_rule_of_the_class_cannot_be_told_where_the_list_leaves_it_open(bench):
    """Two red wires of one size in the list, one of them restraint; a list without such a class changes no row."""
    rows = "A1,RD,1.5,X1,1,X7,3,900,15,continuous,{}\nA2,RD,1.5,X1,2,X7,4,900,15,continuous,none\n"
    photo = bench.photo(bitten(bench), wires=traced(bench, "w1", "w2"))
    unclear = sheet_of(bench, [photo], parse_circuit_list((HEAD + rows.format("restraint")).encode()))
    assert unclear.circuit_class.verdict == "cannot_tell" and "A1, class restraint" in unclear.circuit_class.says
    assert unclear.route_worst == "refer" and "A2" not in unclear.circuit_class.says
    assert sheet_of(bench, [photo], parse_circuit_list((HEAD + rows.format("none")).encode())).circuit_class is None


def test_more_noted_wires_than_the_limit_are_remanufactured(bench):
    """Seven by the ruler, six allowed."""
    notes = BenchNotes(wire=tuple(noted(id=f"w{i}") for i in range(7)))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], notes=notes, both_ends_identified=True)
    assert sheet.route == "remanufacture" and "7 wires" in sheet.route_why


def test_wires_that_may_yet_pass_the_flex_test_do_not_decide_an_undecided_route(bench):
    """Eight browned wires: too many if they crack, none if they bend; the worst says remanufacture, the route waits."""
    names = [f"w{i}" for i in range(8)]
    browned = bench.region(
        "external_heat", wires_affected=bench.wires_of(*names), evidence=bench.signs(fused_length=0.0)
    )
    sheet = sheet_of(bench, [bench.photo(browned, wires=traced(bench, *names))])
    assert sheet.route == "undecided" and sheet.route_worst == "remanufacture"


def test_no_lawful_place_and_no_renewable_end_changes_the_route_and_says_why(bench):
    """A short wire moulded in at both ends."""
    stuck = noted(before_mm=140.0, damage_mm=10.0, after_mm=150.0, start_renewable=False, end_renewable=False)
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], notes=BenchNotes(wire=(stuck,)), both_ends_identified=True)
    assert sheet.route == "remanufacture" and "152.4" in sheet.route_why
    assert any("rebuilt" in step for step in sheet.steps)
    assert not any("cut at" in step for step in sheet.steps)


def test_an_earlier_repair_too_near_is_cut_out_and_its_new_joint_is_lawful(bench):
    """Sleeve at 100 mm: a new lead past it, or a new piece, with joints 152.4 mm from the terminal."""
    joint = bench.splice(to_termination_mm=bench.m(100.0))
    wire = bench.wire("w1", ends=("h1", "h2"), length_mm=bench.m(900.0, 2.0))
    sheet = sheet_of(bench, [bench.photo(label="sound", splices=[joint], wires=[wire])])
    one = sheet.plan.wires[0]
    assert one.method == "replace_terminal_lead"
    assert one.joints[0].at_mm == 153
    assert sheet.parts[0].count == 1


def test_two_damages_on_one_wire_without_a_common_end_are_asked_about(bench):
    """The nearest terminal of each may be a different one."""
    regions = [bitten(bench, wires_affected=bench.wires_of("w1")), bitten(bench, id="r2", rings_px=bench.square(50.0))]
    photo = bench.photo(*regions, wires=traced(bench, "w1", "w2"))
    sheet = sheet_of(bench, [photo])
    assert any("more than one place" in question.ask for question in sheet.questions)
    assert sheet.plan.status == "open"


@pytest.mark.parametrize("route", ["remanufacture", "refer"])
def test_no_work_in_the_vehicle_where_the_route_is_another(bench, route):
    """Neither plan nor cut list nor tests; the whole assemblies are offered."""
    answers = dict(circuit_class="restraint") if route == "refer" else dict(wire_count=9)
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], **answers)
    assert sheet.route == route and sheet.plan is None and sheet.cut == () and sheet.tests == ()
    assert [offer.price is None for offer in sheet.offers] == [True, False, False]


@pytest.mark.parametrize(("circuits", "asked"), [((), False), (LIST, True)])
def test_a_noted_circuit_is_held_against_the_list_where_there_is_one(bench, circuits, asked):
    """Without a list the name is a note: it stands on the cut list, and nothing is asked."""
    notes = BenchNotes(wire=(noted(circuit="C9"),))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], circuits, notes, both_ends_identified=True)
    assert any("which the circuit list does not hold" in question.ask for question in sheet.questions) == asked
    assert sheet.measured == notes.wire and all(line.circuit == "C9" for line in sheet.cut)
    assert (sheet.plan.status == "planned") != asked


def test_the_price_of_the_repair_is_its_parts_and_minutes(bench):
    """Two joints, a new piece of 190 mm of unlisted size, 10 minutes a metre, cleaning after a rodent, all by hand from
    the example table."""
    notes = BenchNotes(wire=(noted(),))
    sheet = sheet_of(bench, [bench.photo(bitten(bench))], notes=notes, both_ends_identified=True)
    assert sheet.cut[0].length_mm == 190
    minutes = 20 + 2 * 6 + 0.19 * 10 + 4
    material = 2 * 0.85 + 0.19 * 1.10 * 1.5 + 25
    assert sheet.offers[0].minutes == pytest.approx(minutes, abs=0.06)
    assert sheet.offers[0].price == pytest.approx(minutes / 60 * 78 + material, abs=0.01)
    assert sheet.invented_prices


lengths = st.sampled_from([0.0, 30.0, 150.0, 400.0])


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(lengths, lengths, lengths, st.booleans()), min_size=1, max_size=3), st.booleans())
def test_the_plan_never_makes_a_route_milder(bench, facts, crack):
    """Whatever is noted, the worksheet's route is at least as grave as the decision's."""
    wires = tuple(
        noted(id=f"w{i}", before_mm=a, damage_mm=b + 1, after_mm=c, start_renewable=r, end_renewable=r)
        for i, (a, b, c, r) in enumerate(facts)
    )
    photo = bench.photo(bitten(bench), housings=[bench.housing(cracked=crack)])
    found = bench.decision(photo, both_ends_identified=True)
    sheet = worksheet([photo], found, bench.rules, PRICES, (), BenchNotes(wire=wires))
    assert route_rank(sheet.route) >= route_rank(found.route)
    if sheet.plan.status == "impossible":
        assert sheet.route == "remanufacture" and sheet.plan.conflicts


def test_an_old_joint_of_the_wire_counts_and_is_kept_clear_of(bench):
    """Damage 300 mm and an old joint 200 mm from the same terminal, ends that stay: three joints are one too many, so
    the old one goes out with the old piece, or a new lead takes the place of a section."""
    wire = bench.wire("w1", ends=("h1", None)).model_copy(update={"centreline_px": [(0.0, 0.0), (100.0, 0.0)]})
    joint = bench.splice(to_termination_mm=bench.m(200.0), position_px=(20.0, 0.0), rings_px=bench.square(60.0))
    region = bitten(bench, wires_affected=bench.wires_of("w1"), rings_px=bench.square(30.0))
    sheet = sheet_of(bench, [bench.photo(region, wires=[wire], splices=[joint])], both_ends_identified=True)
    one = sheet.plan.wires[0]
    assert one.old_joints_kept + one.old_joints_removed == ("s1",)
    assert len(one.joints) + len(one.old_joints_kept) <= 2


def close_pair(bench, rules, *joints):
    """What is asked of one noted wire of 2000 mm with these old joints beside damage at 300 mm."""
    photo, notes = bench.photo(bitten(bench)), BenchNotes(wire=(noted(joints_mm=joints, after_mm=1660.0),))
    found = bench.decision(photo, rules=rules, both_ends_identified=True)
    sheet = worksheet([photo], found, rules, PRICES, (), notes)
    return sheet.plan, [question.ask for question in sheet.questions if "old joint" in question.ask]


@pytest.mark.parametrize(("joints", "asked"), [((1000.0, 1030.0), True), ((1030.0, 1000.0), True),
                                               ((1000.0, 1040.0), False), ((1000.0, 1300.0), False)])  # fmt: skip
def test_two_noted_old_joints_keep_the_spacing_between_them_or_are_asked_about(bench, joints, asked):
    """30 mm where 40 mm are asked, far from any terminal and any damage; at 40 mm nothing is asked."""
    plan, found = close_pair(bench, bench.limits(splices_per_wire={"max_splices": 4}), *joints)
    assert plan.wires[0].old_joints_kept and (plan.status == "open") == asked
    assert bool(found) == asked
    if asked:
        assert "old joints at 1000 and 1030 mm are 30 mm apart, limit 40 mm" in found[0]


def test_of_three_noted_old_joints_each_pair_of_neighbours_is_asked_about_and_none_where_the_rule_is_off(bench):
    """1000, 1020 and 1039 mm: two gaps below 40 mm."""
    many = dict(splices_per_wire={"max_splices": 9})
    assert len(close_pair(bench, bench.limits(**many), 1000.0, 1020.0, 1039.0)[1]) == 2
    off = bench.limits(splice_spacing={"applies": False}, **many)
    assert close_pair(bench, off, 1000.0, 1020.0, 1039.0)[1] == []


@pytest.mark.parametrize(("x", "at"), [(20.0, 200.0), (85.0, 700.0)])
def test_which_terminal_an_old_joint_was_measured_from_is_seen_along_the_wire(bench, x, at):
    """200 mm from the nearest terminal: on the damage's side, or 900 - 200 mm on the other."""
    wire = bench.wire("w1", ends=("h1", "h2"), length_mm=bench.m(900.0, 2.0))
    wire = wire.model_copy(update={"centreline_px": [(float(i), 0.0) for i in range(0, 101, 5)]})
    joint = bench.splice(to_termination_mm=bench.m(200.0), position_px=(x, 0.0), rings_px=bench.square(x))
    region = bitten(bench, wires_affected=bench.wires_of("w1"), rings_px=bench.square(30.0))
    photo = bench.photo(region, wires=[wire], splices=[joint])
    known = known_wires([photo], bench.decision(photo), bench.rules)
    assert [mark.at_mm for mark in known.branches[0].wires[0].splices] == [at]


def test_an_old_joint_whose_place_is_not_known_is_asked_for(bench):
    """No distance: it may lie where a new joint would go."""
    joint = bench.splice(to_termination_mm=None, rings_px=bench.square(60.0))
    photo = bench.photo(bitten(bench), wires=traced(bench, "w1", "w2"), splices=[joint])
    assert any("on which wire is this joint" in question.ask for question in sheet_of(bench, [photo]).questions)


def test_a_joint_on_another_wire_is_minded_at_the_bench(bench):
    """It is not on the plan's scale; the sheet says to keep clear of it."""
    joint = bench.splice("s9", wire_id="w7", rings_px=bench.square(60.0))
    photo = bench.photo(bitten(bench), wires=traced(bench, "w1", "w2"), splices=[joint])
    assert any("s9" in check and "40 mm" in check for check in sheet_of(bench, [photo]).plan.checks)


def test_damages_measured_from_different_terminals_are_not_put_on_one_scale(bench):
    """Two regions on different wires: each is planned by itself, and the stagger between them is checked by hand."""
    one = bitten(bench, wires_affected=bench.wires_of("w1"))
    two = bitten(bench, id="r2", wires_affected=bench.wires_of("w2"), rings_px=bench.square(50.0))
    sheet = sheet_of(bench, [bench.photo(one, two, wires=traced(bench, "w1", "w2"))])
    assert sheet.plan.status == "planned" and len(sheet.plan.wires) == 2
    assert any("different terminals" in check and "50 mm" in check for check in sheet.plan.checks)


def test_an_overloaded_circuit_is_replaced_whole_and_says_why(bench):
    """Its damage takes the whole wire."""
    photo = bench.photo(bench.region("electrical_overload"), wires=traced(bench, "w1", "w2"))
    sheet = sheet_of(bench, [photo], overload_ends={"r1": "the terminal in h1"}, parts_by_hand="parts")
    assert {wire.method for wire in sheet.plan.wires} == {"replace_circuit"}
    assert {wire.why for wire in sheet.plan.wires} == {"the damage takes the whole wire"}


@pytest.mark.parametrize(("count", "asked"), [((2, 1, 3), True), ((1, 1, 3), False), ((2, 2, 2), False)])
def test_fewer_wires_noted_than_the_photographs_show_hold_the_plan_open(bench, count, asked):
    """Until somebody says how many there are: a number counted for certain, or typed, is no doubt."""
    value, low, high = count
    seen = Count(value=value, low=low, high=high, wire_ids=[])
    photo = bench.photo(bitten(bench, wires_affected=seen))
    sheet = sheet_of(bench, [photo], notes=BenchNotes(wire=(noted(),)), both_ends_identified=True)
    assert (sheet.plan.status == "open") == asked
    assert any(q.changes.startswith("wire-count:") for q in sheet.questions) == asked
    counted = sheet_of(bench, [photo], notes=BenchNotes(wire=(noted(),)), both_ends_identified=True, wire_count=1)
    assert counted.plan.status == "planned"


def test_sleeves_said_to_lie_elsewhere_hold_the_plan_open_until_they_are_noted(bench):
    """A joint cannot be placed while it is not known where the others are."""
    near = bench.splice(to_termination_mm=bench.m(100.0))
    photo = bench.photo(bitten(bench, rings_px=bench.square(60.0)), splices=[near], wires=traced(bench, "w1", "w2"))
    answers = dict(both_ends_identified=True, further_splices="some")
    notes = BenchNotes(wire=(noted(), noted(id="w2")))
    assert "further joints" in sheet_of(bench, [photo], notes=notes, **answers).says
    placed = BenchNotes(wire=(noted(joints_mm=(100.0,)), noted(id="w2")))
    assert "further joints" not in sheet_of(bench, [photo], notes=placed, **answers).says


def test_a_wire_beside_one_with_a_new_lead_says_why_it_gets_none(bench):
    """w1 is bitten 60 mm from the terminal, w2 in the middle, w3 is worn, w4 shows nothing; a reason for each."""
    near = bitten(bench, wires_affected=bench.wires_of("w1"), to_termination_mm=bench.m(60.0))
    far = bitten(bench, id="r2", wires_affected=bench.wires_of("w2"), rings_px=bench.square(50.0))
    worn = bench.region(id="r3", wires_affected=bench.wires_of("w3"), rings_px=bench.square(80.0))
    sheet = sheet_of(bench, [bench.photo(near, far, worn, wires=traced(bench, "w1", "w2", "w3", "w4"))])
    one, two = sheet.plan.wires
    assert (one.wire, one.method, two.wire, two.method) == ("w1", "replace_terminal_lead", "w2", "splice_in_section")
    ends = (min(j.at_mm for j in two.joints), min(j.to_end_mm for j in two.joints))
    assert two.why.startswith(f"no new lead, both ends stay: the joints lie {ends[0]:g} and {ends[1]:g} mm from them")
    assert min(ends) >= 152.4 and "152.4 mm is the least" in two.why
    assert sheet.plan.left_alone == (
        "w3: no new piece and no new lead, for a sleeve makes the insulation good at r3, and nothing is cut there.",
        "w4: no new piece and no new lead, for no damage was found there.",
    )


def test_a_wire_whose_place_waits_for_an_answer_is_not_said_to_need_nothing(bench):
    """Nobody knows yet whether copper is bare at r2; w9 and the others are named by their first six."""
    near = bitten(bench, wires_affected=bench.wires_of("w1"))
    open_ = bench.region(
        "rodent", id="r2", exposed_copper_mm=None, wires_affected=bench.wires_of("w2"), rings_px=bench.square(50.0)
    )
    photo = bench.photo(near, open_, wires=traced(bench, "w1", "w2", *(f"x{k}" for k in range(8))))
    waits, sound = sheet_of(bench, [photo]).plan.left_alone
    assert waits.startswith("w2: ") and "waits for an open question" in waits
    assert sound.startswith("x0, x1, x2, x3, x4, x5 and 2 more: ")


def test_without_a_plan_or_with_bench_notes_no_traced_wire_is_judged(bench):
    """Notes name wires of their own."""
    photo = bench.photo(bitten(bench, wires_affected=bench.wires_of("w1")), wires=traced(bench, "w1", "w2"))
    assert sheet_of(bench, [bench.photo()]).plan.left_alone == ()
    (line,) = sheet_of(bench, [photo], notes=BenchNotes(wire=(noted(),))).plan.left_alone
    assert "w2" not in line and "nobody noted" in line


def test_a_wire_cut_in_two_places_is_not_said_to_keep_its_ends_where_it_gets_a_lead(bench):
    """A lead at the one end and a piece in the middle: the reason does not speak of two ends that stay."""
    regions = [
        bitten(bench, wires_affected=bench.wires_of("w1"), to_termination_mm=bench.m(at), id=name, rings_px=ring)
        for name, at, ring in (("r1", 30.0, bench.square(0.0)), ("r2", 900.0, bench.square(50.0)))
    ]
    wire = bench.wire("w1", ends=("h1", None), length_mm=bench.m(3000.0, 2.0))
    for one in sheet_of(bench, [bench.photo(*regions, wires=[wire])]).plan.wires:
        stays = all(not piece.terminals for piece in one.pieces)
        assert one.method == "several_pieces" and not stays and "both ends stay" not in one.why


def test_a_place_of_no_length_at_the_terminal_is_measured_by_ruler(bench):
    """0 mm long, 0 mm away: no wire of 0 mm is planned."""
    bite = bitten(bench, length_mm=bench.m(0.0, 0.2), to_termination_mm=bench.m(0.0, 0.2))
    asked = [
        question.ask for question in sheet_of(bench, [bench.photo(bite, wires=traced(bench, "w1", "w2"))]).questions
    ]
    assert any(ask.startswith("r1: measure with a ruler") for ask in asked)
