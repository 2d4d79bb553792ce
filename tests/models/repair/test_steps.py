"""Steps, tests and cautions of an order: what nobody may read wrong at the bench."""

import pytest

from models.circuit.circuit_list import parse_circuit_list
from models.repair import Answers, decide
from models.repair.bench import BenchNotes, BenchWire
from models.repair.listed import with_both_lengths
from models.repair.prices import load_prices
from models.repair.worksheet import worksheet
from vision.findings import Question

HEAD = "circuit,colour,size_mm2,from,from_cavity,to,to_cavity,length_mm,fuse_A,duty,class\n"
LIST = parse_circuit_list(
    (
        HEAD
        + "C1,RD,0.5,X1,1,X2,1,900,20,,none\n"
        + "C2,BU,0.75,X1,2,X2,2,900,10,,none\n"
        + "C3,BN,1,X1,3,X2,3,900,,,data_pair\n"
    ).encode()
)


OPEN = Question(ask="Which fuse was found?", why="It may be too large.", changes="fuse-coordination: which goes in")


def noted(*circuits):
    """Wires of 900 mm, one for each circuit, 40 mm of damage at 300 mm, no branches."""
    wires = tuple(
        BenchWire(id=f"w{name}", circuit=name, before_mm=300.0, damage_mm=40.0, after_mm=560.0) for name in circuits
    )
    return BenchNotes(branch_points_mm=(), wire=wires)


def sheet_of(bench, notes, **answers):
    """The sheet of an assembly whose only photograph shows no damage."""
    photos = [bench.photo()]
    return worksheet(photos, decide(photos, Answers(**answers), bench.rules), bench.rules, load_prices(), LIST, notes)


def test_a_listed_fuse_too_large_for_its_wire_is_not_named_as_the_one_to_fit(bench):
    """20 A on 0.5 mm², where the rules' table ends at 7.5 A, is asked about; 10 A on 0.75 mm² is fitted."""
    sheet = sheet_of(bench, noted("C1", "C2"), circuit_class="none")
    fuse = sheet.tests[-1]
    assert "calls for (C2: 10 A)" in fuse and "NO FUSE INTO C1" in fuse
    asked = [q for q in sheet.questions if q.changes.startswith("fuse-coordination")]
    says = "Circuit C1: 20 A in the circuit list, at most 7.5 A by the shop's table for 0.5 mm²."
    assert [says in q.ask + q.why for q in asked] == [True]


FOUR = parse_circuit_list(
    (HEAD + "".join(f"C{n},{c},0.5,X1,{n},X2,{n},900,20,,none\n" for n, c in enumerate(("RD", "BU", "BN"), 1))
     + "C4,GN,0.75,X1,4,X2,4,900,30,,none\n").encode()
)  # fmt: skip


@pytest.mark.parametrize("answered", [False, True])
def test_fuses_too_large_by_the_list_are_asked_about_once(bench, answered):
    """Four circuits, one question: the decision's own while it asks for fuse and wire, else one of the plan's. What
    list and table say of each stands in it alone, those of one fuse and size together."""
    known = {"fuse_found_a": 7.5, "fuse_rated_a": 7.5, "wire_size_mm2": 0.5} if answered else {}
    photos = [bench.photo()]
    found = decide(photos, Answers(circuit_class="none", **known), bench.rules)
    sheet = worksheet(photos, found, bench.rules, load_prices(), FOUR, noted("C1", "C2", "C3", "C4"))
    mine = [q for q in found.open_questions if q.changes.startswith("fuse-coordination")]
    (asked,) = [q for q in sheet.questions if q.changes.startswith("fuse-coordination")]
    assert [asked.ask] == [q.ask for q in mine] if not answered else not mine
    said = (
        "Circuits C1, C2, C3: 20 A in the circuit list, at most 7.5 A by the shop's table for 0.5 mm²; "
        "circuit C4: 30 A in the circuit list, at most 10 A by the shop's table for 0.75 mm²."
    )
    assert (asked.ask if answered else asked.why).startswith(said)
    assert sheet.tests[-1].count("NO FUSE INTO") == 1
    assert "NO FUSE INTO C1, C2, C3 or C4 before" in sheet.tests[-1]
    assert not any("20 A" in test for test in sheet.tests if "NO FUSE" in test)


def test_wires_noted_at_the_bench_are_repaired_though_the_photograph_shows_nothing(bench):
    """Answered sound, returned to service; with a damaged wire in the notes it is a repair, steps and all."""
    answers = dict(circuit_class="none", looked_over="nothing_more", fuse_found_a=10.0, fuse_rated_a=10.0,
                   wire_size_mm2=1.0)  # fmt: skip
    assert sheet_of(bench, BenchNotes(), **answers).route == "return_to_service"
    sheet = sheet_of(bench, noted("C2"), **answers)
    assert sheet.route == sheet.route_worst == "repair_in_vehicle" and "noted at the bench" in sheet.route_why
    assert any("Wire wC2" in step for step in sheet.steps) and sheet.tests and sheet.offers


@pytest.mark.parametrize("word", ["battery", "eye protection", "Restraint"])
def test_whoever_handles_wires_is_cautioned_whatever_the_photograph_shows(bench, word):
    """Nothing is found in the photograph, but a wire is to be cut."""
    assert any(word in text for text in sheet_of(bench, noted("C2"), circuit_class="none").cautions)


def test_a_class_that_only_the_list_names_brings_its_caution(bench):
    """The data pair of the list stops the work, and its caution is printed."""
    sheet = sheet_of(bench, noted("C3"), circuit_class="none")
    assert sheet.route == "refer" and any("twist" in text for text in sheet.cautions)
    assert [step for step in sheet.steps if "Stop." in step] == [sheet.steps[1]]


@pytest.mark.parametrize(("at", "asked"), [(700.0, False), (800.0, True)])
def test_an_old_joint_too_near_a_terminal_is_not_kept_unasked(bench, at, asked):
    """900 mm long: a joint at 700 lies 200 mm from the end and stays; one at 800 lies 100 mm from it, below 152.4."""
    wire = BenchWire(id="w1", size_mm2=1.0, before_mm=300.0, damage_mm=40.0, after_mm=560.0, joints_mm=(at,))
    sheet = sheet_of(bench, BenchNotes(branch_points_mm=(), wire=(wire,)), circuit_class="none")
    assert any("100 mm from a terminal" in question.ask for question in sheet.questions) is asked
    assert sheet.plan.status == ("open" if asked else "planned")


def test_a_wire_known_from_the_bench_alone_has_its_resistance_expected(bench):
    """1 m of 1 mm² is at most 18.5 mΩ (ISO 6722-1, from memory); four contacts add 3 mΩ and a spread."""
    wire = BenchWire(id="w1", size_mm2=1.0, colour="rd", before_mm=400.0, damage_mm=40.0, after_mm=560.0)
    sheet = sheet_of(bench, BenchNotes(branch_points_mm=(), wire=(wire,)), circuit_class="none")
    told = float(sheet.tests[0].split("at most ")[1].split(" mΩ")[0])
    assert 18.5 + 1.5 < told < 18.5 + 6.0
    assert "mΩ at 20 °C, by a four-wire meter" in sheet.tests[0]
    assert sheet.cut[0].colour == "RD"


@pytest.mark.parametrize(("before", "after", "to", "stays"), [(20.0, 840.0, "X1", "X2"), (840.0, 20.0, "X2", "X1")])
def test_a_new_lead_says_which_end_it_runs_to_and_which_stays(bench, before, after, to, stays):
    """The same words at either end would leave it to the drawing which side is taken out."""
    wire = BenchWire(id="w1", size_mm2=1.0, before_mm=before, damage_mm=40.0, after_mm=after, start="X1:3", end="X2:1")
    sheet = sheet_of(bench, BenchNotes(branch_points_mm=(), wire=(wire,)), circuit_class="none")
    (step,) = [step for step in sheet.steps if step.startswith("Wire w1")]
    cavity = {"X1": "X1, cavity 3", "X2": "X2, cavity 1"}
    assert f"mm to {cavity[to]} with a new terminal; what runs to {cavity[stays]} stays" in step


def test_nothing_is_returned_while_a_question_is_open(bench):
    """The fuse may be too large: the order may not say to put everything back."""
    photo = bench.photo(label="sound")
    found = bench.decision(photo, circuit_class="none")
    assert found.route == "return_to_service"
    for asked, says in (([], "Nothing to repair."), ([OPEN], "Nothing is returned before")):
        decided = found.model_copy(update={"open_questions": asked})
        steps = worksheet([photo], decided, bench.rules, load_prices()).steps
        assert len(steps) == 1 and steps[0].startswith(says)


def test_new_wire_through_a_closed_part_is_to_be_made_sure_of_first(bench):
    """A whole wire passes every part of it; a piece beside the closed part does not."""
    plain = dict(id="w1", size_mm2=1.0, keep_out_mm=((700.0, 750.0),))
    for before, damage, passes in ((10.0, 880.0, True), (300.0, 40.0, False)):
        wire = BenchWire(**plain, before_mm=before, damage_mm=damage, after_mm=900.0 - before - damage)
        plan = sheet_of(bench, BenchNotes(branch_points_mm=(), wire=(wire,)), circuit_class="none").plan
        assert plan.wires[0].closed == ((700.0, 750.0),)
        assert any("from 700 to 750 mm" in check for check in plan.checks) == passes


def test_wires_noted_from_opposite_ends_are_asked_about(bench):
    """w2 begins where w1 ends, by the note or by the list; placed along the branch it was thought of."""
    one = BenchWire(id="w1", before_mm=300.0, damage_mm=40.0, after_mm=560.0, start="X2:1", end="X1:1")
    far = dict(id="w2", before_mm=300.0, damage_mm=40.0, after_mm=560.0)

    def asked(**more):
        notes = BenchNotes(branch_points_mm=(), wire=(one, BenchWire(**(far | more))))
        return [q.ask for q in sheet_of(bench, notes, circuit_class="none").questions if "run the other way" in q.ask]

    assert asked(start="X1:2", end="X2:2")[0].startswith("Wire w1 is noted from X2 to X1, w2 from X1:")
    assert asked(start="X2:2", end="X1:2") == [] == asked(start="X3:2", end="X1:2") == asked()
    assert asked(start="X1:2", end="X2:2", offset_mm=600.0) == []


def test_more_wires_noted_than_counted_are_asked_about(bench):
    """Counted are one, noted two."""
    notes = BenchNotes(branch_points_mm=(), wire=tuple(
        BenchWire(id=name, before_mm=300.0, damage_mm=40.0, after_mm=560.0) for name in ("w1", "w2")
    ))  # fmt: skip
    asked = [q.ask for q in sheet_of(bench, notes, circuit_class="none", wire_count=1).questions]
    assert any(ask.startswith("2 wires are noted at the bench, the decision counts 1 wire") for ask in asked)
    asked = [q.ask for q in sheet_of(bench, notes, circuit_class="none", wire_count=2).questions]
    assert not any("the decision counts" in ask for ask in asked)


def test_a_resistance_that_any_meter_reads_asks_for_no_better_one(bench):
    """40 m of 0.5 mm² are 1.5 Ω."""
    wire = BenchWire(id="w1", size_mm2=0.5, colour="rd", before_mm=20_000.0, damage_mm=40.0, after_mm=20_000.0)
    sheet = sheet_of(bench, BenchNotes(branch_points_mm=(), wire=(wire,)), circuit_class="none")
    assert "mΩ" in sheet.tests[0] and "meter" not in sheet.tests[0]


def test_neighbours_of_a_burnt_wire_are_parted_after_the_place_was_photographed_and_before_it_is_cut(bench):
    """What is taken apart can no longer be shown as it was found; the cause is looked for before the vehicle leaves."""
    photos = [bench.photo(bench.region("electrical_overload", continues_under_covering=True))]
    found = bench.decision(*photos, overload_ends={"r1": "X1"})
    steps = worksheet(photos, found, bench.rules, load_prices(), LIST, noted("C2")).steps
    words = ("Fuse first", "Photograph the place as found", "Open the covering", "Part the wires at r1", "Wire wC2",
             "Find")  # fmt: skip
    places = [next(k for k, step in enumerate(steps) if step.startswith(word)) for word in words]
    assert places == sorted(places)


def test_the_ends_of_a_burnt_wire_are_looked_into_before_it_is_cut(bench):
    """A housing that suffered there changes the order; parted first, cut last."""
    photos = [bench.photo(bench.region("electrical_overload"))]
    given = bench.settled(overload_ends={"r1": "X1:2"}, parts_by_hand="parts")
    decision = decide(photos, given, bench.rules)
    steps = worksheet(photos, decision, bench.rules, load_prices(), LIST, noted("C2"), given).steps
    places = [
        next(i for i, step in enumerate(steps) if step.startswith(words))
        for words in ("Part the wires at r1", "Look into both housings that the burnt wire at r1 ends in", "Wire wC2")
    ]
    assert places == sorted(places)


def short_wire(listed_mm):
    """A wire of 300 mm by the ruler, too short for joints, and a list with its circuit."""
    wire = BenchWire(id="w1", circuit="C2", before_mm=130.0, damage_mm=40.0, after_mm=130.0)
    row = f"C2,BU,0.75,X1,2,X2,2,{listed_mm},10,,none\n"
    return BenchNotes(branch_points_mm=(), wire=(wire,)), parse_circuit_list((HEAD + row).encode())


@pytest.mark.parametrize(("listed_mm", "says"), [(306, True), (300, False)])
def test_where_ruler_and_circuit_list_differ_both_lengths_stand_beside_the_wire(bench, listed_mm, says):
    """A little, so that nothing is asked: what is cut goes by the ruler, what is tested by the list."""
    notes, circuits = short_wire(listed_mm)
    photos = [bench.photo()]
    found = decide(photos, Answers(circuit_class="none"), bench.rules)
    sheet = worksheet(photos, found, bench.rules, load_prices(), circuits, notes)
    (wire,) = sheet.plan.wires
    assert not any("is it that circuit?" in q.ask for q in sheet.questions)
    both = "300 mm by the ruler, 306 mm in the circuit list: cut by the ruler, tested by the list"
    assert (both in wire.why) == says
    assert sheet.cut[0].kind == "whole wire" and f"{listed_mm} mm)" in sheet.tests[0]


def test_wires_that_only_photographs_measured_have_one_length(bench):
    """The list's is theirs."""
    notes, circuits = short_wire(306)
    plan = sheet_of(bench, notes, circuit_class="none").plan
    assert with_both_lengths(plan, {"w1": circuits[0]}, set()) == plan
    assert with_both_lengths(plan, {"w1": circuits[0]}, {"w1"}) != plan
