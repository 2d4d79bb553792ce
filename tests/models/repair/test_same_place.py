"""Two places of different photographs that somebody said are one: counted, asked and planned once, never milder."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.repair import Answers, AnswersError, decide, route_rank
from models.repair.after import close_order
from models.repair.bench import BenchNotes
from models.repair.case import open_case
from models.repair.prices import load_prices
from models.repair.worksheet import worksheet
from tests.models.repair.test_laws import answer_facts, built, names, photo_facts, region_facts
from vision.findings import Count, Measure

SAME = {"b.jpg:r1": "a.jpg:r1"}
BITTEN = {"label": "rodent", "exposed_copper_mm": Measure(value=4.0, u95=0.5)}


def two(bench, one=None, other=None, **fields):
    """A near photograph and one from farther away, with a place each."""
    return [
        bench.photo(bench.region(**(one or {})), name="a.jpg", wires=[bench.wire("w1"), bench.wire("w2")]),
        bench.photo(bench.region(**(other or {})), name="b.jpg", wires=[bench.wire("w1"), bench.wire("w2")], **fields),
    ]


def decided(bench, photos, **answers):
    """The decision with what closes everything that no photograph can."""
    return decide(photos, bench.settled(**answers), bench.rules)


def paper(bench, photos, **answers):
    """The worksheet of it."""
    given = bench.settled(**answers)
    found = decide(photos, given, bench.rules)
    return worksheet(photos, found, bench.rules, load_prices(), (), BenchNotes(), given)


def test_wires_steps_and_questions_of_one_place_are_there_once(bench):
    """Two photographs of one bite: four wires at most and two repairs before it was said, two and one after."""
    photos = two(bench, BITTEN, {"label": "rodent"})
    before, after = decided(bench, photos), decided(bench, photos, same_place=SAME)
    assert (before.wires_to_repair.low, before.wires_to_repair.high) == (2, 4)
    assert (after.wires_to_repair.low, after.wires_to_repair.high) == (2, 2)
    assert {step.on for step in before.actions if step.on.endswith("r1")} == {"a.jpg:r1", "b.jpg:r1"}
    assert {step.on for step in after.actions if step.on.endswith("r1")} == {"a.jpg:r1"}
    assert not any("b.jpg:r1" in question.ask for question in after.open_questions)


def test_the_plan_cuts_a_wire_of_one_place_once(bench):
    """What is cut is that of the place; nothing asks which wires are the same."""
    photos = two(bench, BITTEN, BITTEN)
    before, after = paper(bench, photos), paper(bench, photos, same_place=SAME)
    assert any("are the same wire?" in question.ask for question in before.questions)
    assert not any("are the same wire?" in question.ask for question in after.questions)
    assert {wire.wire for wire in before.plan.wires} == {"a.jpg:w1", "a.jpg:w2", "b.jpg:w1", "b.jpg:w2"}
    assert {wire.wire for wire in after.plan.wires} == {"a.jpg:w1", "a.jpg:w2"}
    assert not any(line.startswith("b.jpg:w") and "no damage" in line for line in after.plan.left_alone)


def test_the_other_side_may_show_other_wires(bench):
    """Two on one side and three on the other: three to five, and the plan asks which."""
    photos = two(bench, BITTEN, BITTEN | {"wires_affected": bench.wires_of("w1", "w2", "w3")})
    found = decided(bench, photos, other_side=SAME)
    assert (found.wires_to_repair.low, found.wires_to_repair.high) == (3, 5)
    asked = [question.ask for question in paper(bench, photos, other_side=SAME).questions]
    assert any(ask.startswith("a.jpg:r1: which wires are damaged?") for ask in asked)


def test_a_near_view_takes_its_distance_from_the_far_one(bench):
    """The place itself is named for its detail; how far it lies from the termination only the other shows."""
    photos = two(bench, BITTEN | {"to_termination_mm": None}, BITTEN)
    asks = [q.ask for q in decided(bench, photos).open_questions if q.changes.startswith("termination-distance")]
    assert any("a.jpg:r1" in ask for ask in asks)
    found = decided(bench, photos, same_place=SAME)
    assert not any(q.changes.startswith("termination-distance") for q in found.open_questions)


def test_bare_copper_that_only_one_view_shows_counts(bench):
    """Said to be one place, it is judged by what either shows."""
    photos = two(bench, {}, {"exposed_copper_mm": bench.m(6.0)})
    found = decided(bench, photos, same_place=SAME)
    alone = decided(bench, [photos[0], bench.photo(name="b.jpg")])
    row = next(rule for rule in found.rules if rule.id == "conductor-damage")
    assert row.verdict == "violated" and "(as b.jpg:r1 shows it)" in row.says
    assert next(rule for rule in alone.rules if rule.id == "conductor-damage").verdict != "violated"


def test_an_answer_about_a_view_is_one_about_the_place(bench):
    """Whichever of the two it was given for; two that differ are refused with both."""
    photos = two(bench)
    case = open_case(photos, Answers(same_place=SAME, copper={"b.jpg:r1": "bare"}), bench.rules)
    assert case.answers.copper == {"a.jpg:r1": "bare"}
    with pytest.raises(AnswersError, match=r"copper\.b\.jpg:r1: expected one answer .* got covered and bare"):
        open_case(photos, Answers(same_place=SAME, copper={"a.jpg:r1": "covered", "b.jpg:r1": "bare"}), bench.rules)


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        (
            {"same_place": {"b.jpg:r1": "c.jpg:r1"}},
            r"same_place\.b\.jpg:r1: expected one of .*got 'c\.jpg:r1'",
        ),
        ({"same_place": {"b.jpg:r9": "a.jpg:r1"}}, r"same_place\.b\.jpg:r9: expected one of"),
        ({"same_place": {"b.jpg:r1": "b.jpg:r2"}}, "expected a place of another photograph, got b.jpg:r2"),
        ({"same_place": SAME, "other_side": SAME}, "expected b.jpg:r1 to show one side of a place"),
        ({"same_place": {"b.jpg:r1": "a.jpg:r1", "a.jpg:r1": "b.jpg:r2"}}, "a.jpg:r1, another view of b.jpg:r2"),
        ({"same_place": {"b.jpg:r1": "a.jpg:h1"}}, "expected a damage, got a.jpg:h1, which is none"),
    ],
)
def test_what_cannot_be_one_is_refused_by_name(bench, answers, says):
    """One line each, with what was expected and what came."""
    photos = [
        bench.photo(bench.region(), name="a.jpg", housings=[bench.housing()]),
        bench.photo(bench.region(), bench.region(id="r2", rings_px=bench.square(50.0)), name="b.jpg"),
    ]
    with pytest.raises(AnswersError, match=says):
        open_case(photos, Answers(**answers), bench.rules)


def test_a_broken_housing_seen_twice_is_renewed_once(bench):
    """Its places are one, so that the housings under them are."""
    where = bench.square(100.0)
    photos = [
        bench.photo(bench.region("connector", rings_px=where), name=name, housings=[bench.housing(cracked=True)])
        for name in ("a.jpg", "b.jpg")
    ]
    new = [step.on for step in decided(bench, photos).actions if step.action == "replace_housing"]
    once = [step.on for step in decided(bench, photos, same_place=SAME).actions if step.action == "replace_housing"]
    assert (new, once) == (["a.jpg:h1", "b.jpg:h1"], ["a.jpg:h1"])


def test_a_sleeve_seen_twice_is_one_joint(bench):
    """Of the views the one that shows most joints is taken."""
    sleeve = {"label": "earlier_repair"}
    one, other = two(bench, sleeve, sleeve)
    one = one.model_copy(update={"splices": [bench.splice()]})
    other = other.model_copy(update={"splices": [bench.splice(), bench.splice("s2", rings_px=bench.square(5.0))]})
    refs = [j.ref for j in open_case([one, one_more(other)], Answers(same_place=SAME), bench.rules).joints]
    assert refs == ["a.jpg:s1"]
    refs = [j.ref for j in open_case([one, other], Answers(same_place=SAME), bench.rules).joints]
    assert refs == ["b.jpg:s1", "b.jpg:s2"]


def one_more(photo):
    """The same with its first joint only."""
    return photo.model_copy(update={"splices": photo.splices[:1]})


def test_what_looks_otherwise_is_said(bench):
    """A person may be wrong about two places being one."""
    photos = two(bench, {"label": "rodent"}, {"label": "external_heat", "to_termination_mm": bench.m(20.0)})
    found = decided(bench, photos, same_place=SAME)
    assert any(
        "b.jpg:r1: answered to be a.jpg:r1, which is rodent bites; it shows external heat" in c
        for c in found.contradicted
    )
    photos = two(bench, {}, {"to_termination_mm": bench.m(20.0)})
    found = decided(bench, photos, same_place=SAME)
    assert any("300 ± 1 mm from the nearest termination" in line for line in found.contradicted)


def test_a_place_that_is_gone_is_seen_as_damaged_in_no_photograph(bench):
    """Answered to be sound, it is so in all its views, and the order can be closed over both."""
    photos = two(bench)
    found = decided(bench, photos, same_place=SAME, labels={"b.jpg:r1": "sound"})
    assert found.wires_to_repair is not None and found.wires_to_repair.high == 0
    case = open_case(photos, bench.settled(same_place=SAME, labels={"b.jpg:r1": "sound"}), bench.rules)
    assert not case.spots and not case.views


mm = st.tuples(st.sampled_from([0.0, 3.0, 20.0, 150.0, 160.0, 400.0]), st.sampled_from([0.2, 3.0]))
known_region = st.builds(
    lambda facts, distance, length, wires: {**facts, "distance": distance, "length": length, "wires": wires},
    region_facts, mm, mm, names,
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(photo_facts, photo_facts, known_region, region_facts, answer_facts, st.booleans())
def test_one_place_is_never_milder_than_it_is_without_its_other_view(bench, one, other, place, view, answers, behind):
    """The other view can only add; the order of the photographs says nothing."""
    one = {**one, "joints": [], "regions": [place, *one["regions"]]}
    other = {**other, "joints": [], "regions": [view, *other["regions"]]}
    photos = built(bench, [one, other])
    said = {"other_side" if behind else "same_place": {"p1.jpg:r0": "p0.jpg:r0"}}
    found = decide(photos, Answers(**answers, **said), bench.rules)
    assert found == decide(photos[::-1], Answers(**answers, **said), bench.rules)
    alone = decide(photos[:1], Answers(**answers), bench.rules)
    assert route_rank(found.route_worst) >= route_rank(alone.route_worst)


@settings(max_examples=100, deadline=None)
@given(known_region, known_region, answer_facts, st.booleans())
def test_one_place_never_counts_more_wires_than_two(bench, place, view, answers, behind):
    """Whatever both show."""
    plain = dict(joints=[], cracked=False, terminals=0, share=0.9, usable=True, traced=True)
    view = {**place, "wires": view["wires"], "extra": view["extra"], "doubt": "none"}  # other wires, the same damage
    photos = built(bench, [{**plain, "regions": [{**place, "doubt": "none"}]}, {**plain, "regions": [view]}])
    said = {"other_side" if behind else "same_place": {"p1.jpg:r0": "p0.jpg:r0"}}
    apart = decide(photos, Answers(**answers), bench.rules).wires_to_repair
    found = decide(photos, Answers(**answers, **said), bench.rules).wires_to_repair
    assert found.high <= apart.high


def test_closing_reads_both_views(bench):
    """A damage that the after-repair pictures still show in two views is named once."""
    before = two(bench, BITTEN)
    work = paper(bench, before)
    photos = two(bench)
    checked = close_order(work, photos, bench.settled(same_place=SAME), bench.rules)
    gone = next(check for check in checked.checks if check.what == "damage gone")
    assert gone.verdict == "violated" and gone.says.count("r1") == 1


def test_a_count_answered_for_the_place_stands(bench):
    """Three counted by hand at the place, one to six seen in its other view: three."""
    photos = two(
        bench, {"wires_affected": Count(value=3, low=3, high=3)}, {"wires_affected": Count(value=2, low=1, high=6)}
    )
    found = decided(bench, photos, same_place=SAME, copper="bare")
    assert (found.wires_to_repair.low, found.wires_to_repair.high) == (3, 3)


@settings(max_examples=150, deadline=None)
@given(photo_facts, photo_facts, known_region, region_facts, answer_facts, st.booleans())
def test_one_place_is_never_decided_milder_than_either_view_alone(bench, one, other, place, view, answers, behind):
    """Labels, joints on the place and wires of any kind: what one view demands for certain is demanded, or asked."""
    on = [{**joint, "on": True} for photo in (one, other) for joint in photo["joints"][:1]]
    one = {**one, "joints": on[:1], "regions": [place]}
    other = {**other, "joints": on[1:], "regions": [view]}
    photos = built(bench, [one, other])
    said = {"other_side" if behind else "same_place": {"p1.jpg:r0": "p0.jpg:r0"}}
    found = decide(photos, Answers(**answers, **said), bench.rules)
    for photo in photos:
        alone = decide([photo], Answers(**answers), bench.rules)
        if "undecided" not in (found.route, alone.route):
            assert route_rank(found.route) >= route_rank(alone.route)


def test_a_view_that_shows_something_else_for_certain_is_asked_about(bench):
    """Melted wires in a view of a bite, and a bite in a view of what is called sound: named, it is that in both."""
    melted = {"label": "external_heat", "evidence": bench.signs(fused_length=40.0)}
    for place, view, worst in (
        ({"label": "rodent"}, melted, "remanufacture"),
        ({"label": "sound"}, BITTEN, "repair_in_vehicle"),
    ):
        photos = two(bench, place, view)
        found = decided(bench, photos, same_place=SAME, both_ends_identified=True)
        assert (found.route, found.route_worst) == ("undecided", worst)
        assert sum(question.changes.startswith("label:") for question in found.open_questions) == 1
        named = decided(bench, photos, same_place=SAME, both_ends_identified=True, labels={"a.jpg:r1": view["label"]})
        assert named.route == worst


def test_a_joint_is_as_near_to_a_termination_as_either_view_shows(bench):
    """400 mm in one, 20 mm in the other, where its termination is in the picture; a ruler's reading stands."""
    photos = [
        bench.photo(bench.region("earlier_repair"), name=name, splices=[bench.splice(to_termination_mm=bench.m(far))])
        for name, far in (("a.jpg", 400.0), ("b.jpg", 20.0))
    ]
    found = decided(bench, photos, same_place=SAME)
    assert found.route == "repair_in_vehicle"
    assert [step.on for step in found.actions if step.action == "redo_earlier_repair"] == ["a.jpg:s1"]
    for ref in ("a.jpg:s1", "b.jpg:s1"):
        ruled = decided(bench, photos, same_place=SAME, distances_mm={ref: 390.0})
        assert ruled.route == "return_to_service"


def housings(bench, label):
    """Two photographs with a place of this label upon a housing whose shell was not judged."""
    return [
        bench.photo(
            bench.region(label, rings_px=bench.square(100.0)), name=name, housings=[bench.housing(cracked=None)]
        )
        for name in ("a.jpg", "b.jpg")
    ]


def test_housings_that_were_said_to_be_one_the_other_way_round_are_still_asked_about(bench):
    """Their places are one by the first photograph, they themselves by the second."""
    said = SAME | {"a.jpg:h1": "b.jpg:h1"}
    shells = open_case(housings(bench, "connector"), Answers(same_place=said), bench.rules).shells
    assert [(shell.ref, shell.seen_as) for shell in shells] == [("b.jpg:h1", "a.jpg:h1"), ("b.jpg:h1", "")]


def test_worn_wires_before_a_housing_join_no_housings(bench):
    """Outlines meet by their boxes: two ends of one wire may lie there."""
    shells = open_case(housings(bench, "abrasion"), Answers(same_place=SAME), bench.rules).shells
    assert [shell.seen_as for shell in shells] == ["", ""]


def test_what_was_answered_of_a_housings_other_view_counts(bench):
    """Sound as the one shows it, damaged as the other does."""
    said = SAME | {"b.jpg:h1": "a.jpg:h1"}
    photos = housings(bench, "abrasion")
    found = decided(bench, photos, same_place=said, copper="covered", housing_state={"b.jpg:h1": "damaged"})
    assert "replace_housing" in bench.steps(found)
    states = {"a.jpg:h1": "sound", "b.jpg:h1": "damaged"}
    found = decided(bench, housings(bench, "connector"), same_place=SAME, housing_state=states)
    row = next(rule for rule in found.rules if rule.id == "housing")
    assert "b.jpg:h1 shows it" in row.says


def test_one_place_under_two_names_gets_one_answer(bench):
    """A bare id beside the full name, with the same answer and with another."""
    photos = [bench.photo(bench.region(), name="a.jpg"), bench.photo(bench.region(id="r5"), name="b.jpg")]
    twice = {"r5": "a.jpg:r1", "b.jpg:r5": "r1"}
    assert open_case(photos, Answers(same_place=twice), bench.rules).answers.same_place == {"b.jpg:r5": "a.jpg:r1"}
    with pytest.raises(
        AnswersError, match=r"copper\.b\.jpg:r5: expected one answer for b\.jpg:r5, got covered and damaged"
    ):
        open_case(photos, Answers(copper={"r5": "covered", "b.jpg:r5": "damaged"}), bench.rules)


def test_wires_of_one_side_are_there_though_nobody_counted_the_other(bench):
    """Seven on one side: too many, however many more the other has."""
    seven = {"wires_affected": Count(value=7, low=7, high=7)}
    found = decided(bench, two(bench, BITTEN | seven, {"label": "rodent", "wires_affected": None}), other_side=SAME)
    assert found.route == "remanufacture"


def test_what_is_cut_out_gets_no_sleeve(bench):
    """Worn by one view, bare copper by the other."""
    found = decided(bench, two(bench, {}, {"exposed_copper_mm": bench.m(6.0)}), same_place=SAME)
    assert "splice_in_section" in bench.steps(found) and "sleeve" not in bench.steps(found)


def test_a_sign_that_a_view_lacks_says_nothing_against_the_places_own(bench):
    """Nothing melted at the place; its view, drawn by hand, has no such sign: nothing is asked once more."""
    heat = {"label": "external_heat"}
    photos = two(bench, heat | {"evidence": bench.signs(fused_length=0.0)}, heat)
    given = {"same_place": SAME, "flex_test": "cracks", "both_ends_identified": True}
    assert decided(bench, photos, **given).route == "repair_in_vehicle"


def test_two_views_in_one_photograph_show_their_wires_together(bench):
    """Four and four others on the same side, two where it was named: perhaps eight, never settled as two or four."""
    photos = two(bench, {}, {"wires_affected": bench.wires_of(*"abcd")})
    more = bench.region(id="r2", rings_px=bench.square(50.0), wires_affected=bench.wires_of(*"efgh"))
    photos[1] = photos[1].model_copy(update={"regions": [*photos[1].regions, more]})
    found = decided(bench, photos, same_place=SAME | {"b.jpg:r2": "a.jpg:r1"}, copper="covered")
    assert (found.wires_to_repair.low, found.wires_to_repair.high) == (4, 8)
    assert (found.route, found.route_worst) == ("undecided", "remanufacture")
