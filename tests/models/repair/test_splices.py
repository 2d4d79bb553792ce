"""Joints: distance, spacing, number, earlier repairs, and where planned joints may lie."""

import pytest

from models.repair.splices import lead_length_mm
from vision.findings import Covering, Termination


def joined(bench, *splices, **fields):
    return bench.photo(splices=list(splices), **fields)


def cut(bench, distance, wires=(), **fields):
    region = bench.region("rodent", exposed_copper_mm=bench.m(6.0), to_termination_mm=distance, **fields)
    return bench.photo(region, wires=list(wires))


def test_an_earlier_repair_that_keeps_every_rule_stays(bench):
    """300 mm from the termination, alone on its wire."""
    found = bench.decision(joined(bench, bench.splice()))
    assert (found.route, found.actions) == ("return_to_service", [])
    assert bench.verdict(found, "earlier-repair") == "met"
    assert found.wires_to_repair.low == 1


@pytest.mark.parametrize(
    ("distance", "verdict", "route"),
    [
        (156.0, "met", "return_to_service"),
        (154.0, "cannot_tell", "undecided"),
        (151.0, "cannot_tell", "undecided"),
        (149.0, "violated", "repair_in_vehicle"),
    ],
)
def test_a_repair_near_152_4_mm_is_judged_outside_its_uncertainty_only(bench, distance, verdict, route):
    """U95 3 mm gives a guard band of 2.52 mm on either side of 6 inches."""
    found = bench.decision(joined(bench, bench.splice(to_termination_mm=bench.m(distance, 3.0))))
    assert bench.verdict(found, "termination-distance") == verdict
    assert found.route == route


def test_a_repair_too_near_is_done_again_and_the_reason_has_numbers(bench):
    """The step names the joint, the distance and the limit."""
    found = bench.decision(joined(bench, bench.splice(to_termination_mm=bench.m(120.0, 3.0))))
    assert bench.steps(found) == ["redo_earlier_repair"]
    assert "120 ± 3 mm" in found.actions[0].why
    assert "152.4 mm" in found.actions[0].why


def test_a_ruler_settles_a_distance_the_photograph_could_not(bench):
    """Typed in: 160 mm keeps, 140 mm breaks."""
    photo = joined(bench, bench.splice(to_termination_mm=None))
    assert bench.decision(photo).route == "undecided"
    assert bench.decision(photo, distances_mm={"s1": 160.0}).route == "return_to_service"
    assert bench.decision(photo, distances_mm={"s1": 140.0}).route == "repair_in_vehicle"


def test_a_factory_joint_is_part_of_the_design(bench):
    """20 mm from the termination, and nothing to say."""
    photo = joined(bench, bench.splice(origin="factory", to_termination_mm=bench.m(20.0)))
    assert bench.decision(photo).route == "return_to_service"
    assert bench.verdict(bench.decision(photo), "earlier-repair") == "not_applicable"


def test_a_joint_of_unknown_origin_too_near_is_asked_about(bench):
    """Only if it breaks a rule does its origin matter."""
    near = joined(bench, bench.splice(origin="unknown", to_termination_mm=bench.m(20.0)))
    found = bench.decision(near)
    assert (found.route, found.route_worst) == ("undecided", "repair_in_vehicle")
    assert any("factory joint or a repair" in question.ask for question in found.open_questions)
    assert bench.decision(near, splice_origin={"s1": "factory"}).route == "return_to_service"
    assert bench.decision(near, splice_origin={"s1": "repair"}).route == "repair_in_vehicle"
    far = joined(bench, bench.splice(origin="unknown"))
    assert not any("factory joint" in question.ask for question in bench.decision(far).open_questions)


def test_a_region_called_an_earlier_repair_makes_its_joint_one(bench):
    """The label says repair, the joint says nothing."""
    photo = bench.photo(
        bench.region("earlier_repair", wires_affected=bench.wires_of("w1")),
        splices=[bench.splice(origin="unknown", to_termination_mm=bench.m(50.0))],
    )
    found = bench.decision(photo)
    assert (found.route, bench.steps(found)) == ("repair_in_vehicle", ["redo_earlier_repair"])
    assert (found.wires_to_repair.low, found.wires_to_repair.high) == (1, 1)


def test_an_earlier_repair_region_without_a_joint_told_apart_is_a_joint(bench):
    """Its own distance is judged."""
    near = bench.region("earlier_repair", to_termination_mm=bench.m(100.0), wires_affected=bench.wires_of("w1"))
    assert bench.decision(bench.photo(near)).route == "repair_in_vehicle"
    far = bench.region("earlier_repair", wires_affected=bench.wires_of("w1"))
    assert bench.decision(bench.photo(far)).route == "return_to_service"


def coppery(bench):
    """A well placed sleeve at which the photograph shows the colour of copper."""
    return bench.photo(
        bench.region("earlier_repair", exposed_copper_mm=bench.m(8.0), wires_affected=bench.wires_of("w1"))
    )


@pytest.mark.parametrize("seen", ["bare", "damaged"])
def test_bare_copper_seen_at_a_sleeve_is_done_again(bench, seen):
    """Well placed, badly made."""
    found = bench.decision(coppery(bench), copper={"r1": seen}, both_ends_identified=True)
    assert found.route == "repair_in_vehicle"
    assert "redo_earlier_repair" in bench.steps(found)


def test_the_colour_of_copper_at_a_sleeve_is_asked_about_and_waited_for(bench):
    """Sleeves and their print may look like it: nothing is cut for a colour, and nothing passed over."""
    found = bench.decision(coppery(bench))
    assert (found.route, found.route_by) == ("undecided", ["conductor-damage"])
    assert {a.action for a in found.actions if a.on == "r1"} == {"inspect_conductor"}
    assert [q.changes for q in found.open_questions if "copper" in q.ask] == [
        "conductor-damage: an earlier repair whose copper is bare is done again"
    ]


def test_a_sleeve_whose_copper_somebody_found_covered_stays(bench):
    """The answer must be about this sleeve: one about the whole assembly leaves the question open."""
    assert bench.decision(coppery(bench), copper={"r1": "covered"}).route == "return_to_service"
    assert bench.decision(coppery(bench), copper="covered").route == "undecided"


def test_whether_a_condemned_joint_is_a_factory_one_is_asked_until_answered(bench):
    """A photograph may take a factory joint for a repair; the route does not wait, the question stands."""
    near = bench.region("earlier_repair", to_termination_mm=bench.m(100.0), wires_affected=bench.wires_of("w1"))
    photo = bench.photo(near)
    found = bench.decision(photo)
    assert found.route == "repair_in_vehicle"
    assert [q.ask for q in found.open_questions if "factory" in q.ask] == ["r1: is this a factory joint or a repair?"]
    repair = bench.decision(photo, splice_origin={"r1": "repair"})
    assert not [q for q in repair.open_questions if "factory" in q.ask]
    factory = bench.decision(photo, splice_origin={"r1": "factory"})
    assert "redo_earlier_repair" not in bench.steps(factory)


@pytest.mark.parametrize(("gap", "verdict"), [(42.0, "met"), (40.0, "cannot_tell"), (38.0, "violated")])
def test_two_joints_on_a_wire_keep_40_mm(bench, gap, verdict):
    """Common practice, 1.5 in; U95 1 mm."""
    pair = [bench.splice(name, to_next_splice_mm=bench.m(gap)) for name in ("s1", "s2")]
    assert bench.verdict(bench.decision(joined(bench, *pair)), "splice-spacing") == verdict


def test_a_joint_alone_on_its_wire_has_no_spacing(bench):
    """Another joint on another wire does not matter."""
    found = bench.decision(joined(bench, bench.splice("s1"), bench.splice("s2", wire_id="w2")))
    assert bench.verdict(found, "splice-spacing") == "not_applicable"


TWO_ENDS = ("t1", "t2")


def lone(bench, **fields):
    """One lawful sleeve on w1, which is traced from terminal to terminal."""
    return joined(bench, bench.splice(), **(dict(wires=[bench.wire("w1", TWO_ENDS)]) | fields))


def opened(bench, photo, **answers):
    """Decided without anybody having looked for further sleeves."""
    return bench.decision(photo, **(dict(further_splices=None) | answers))


def test_a_single_sleeve_whose_wire_is_not_seen_whole_proves_no_spacing(bench):
    """Followed to one terminal only: the next sleeve may lie beyond; asked once, and the route waits for it."""
    found = opened(bench, lone(bench, wires=[bench.wire("w1", ("t1", None))]))
    assert bench.verdict(found, "splice-spacing") == bench.verdict(found, "splices-per-wire") == "cannot_tell"
    assert bench.verdict(found, "earlier-repair") == "cannot_tell"
    assert (found.route, found.route_worst) == ("undecided", "repair_in_vehicle")
    (question,) = found.open_questions
    assert "further splices or sleeves than those outlined, in the picture, under tape or out of it?" in question.ask
    assert question.changes.startswith("splice-spacing:")


def test_a_wire_seen_from_terminal_to_terminal_answers_by_itself(bench):
    """Nothing lies over it; tape over it hides what a cable tie has no room for."""
    assert opened(bench, lone(bench)).route == "return_to_service"
    over = dict(rings_px=[[(2.0, -2.0), (6.0, -2.0), (6.0, 2.0), (2.0, 2.0)]], length_mm=None)
    tape, tie = (Covering(id="c1", kind=kind, **over) for kind in ("tape", "tie"))
    assert opened(bench, lone(bench, coverings=[tie])).route == "return_to_service"
    assert opened(bench, lone(bench, coverings=[tape])).route == "undecided"


def test_where_the_whole_bundle_is_in_the_picture_further_sleeves_are_asked_after_and_not_waited_for(bench):
    """As with the ends of a bitten wire: no loose end, no covering."""
    sleeve = bench.region("earlier_repair", wires_affected=bench.wires_of("w1"), evidence=bench.signs(open_ends=0.0))
    found = opened(bench, bench.photo(sleeve))
    assert (found.route, found.route_worst) == ("return_to_service", "repair_in_vehicle")
    assert bench.verdict(found, "splice-spacing") == "cannot_tell" and len(found.open_questions) == 1
    loose = sleeve.model_copy(update={"evidence": bench.signs(open_ends=1.0)})
    assert opened(bench, bench.photo(loose)).route == "undecided"


def test_further_sleeves_that_are_there_are_measured_and_counted(bench):
    """The answer no settles both rules; yes asks for the distance to the next one and for the number in one wire."""
    photo = joined(bench, bench.splice())
    none = opened(bench, photo, further_splices="none")
    assert (none.route, none.open_questions) == ("return_to_service", [])
    some = opened(bench, photo, further_splices="some")
    assert some.route == "undecided"
    assert [q.changes.split(":")[0] for q in some.open_questions] == ["splice-spacing", "splices-per-wire"]
    told = dict(further_splices="some", splices_on_one_wire=2)
    assert opened(bench, photo, spacings_mm={"s1": 60.0}, **told).route == "return_to_service"
    near = opened(bench, photo, spacings_mm={"s1": 30.0}, **told)
    assert "move_splice" in bench.steps(near) and near.route == "repair_in_vehicle"


def test_a_spacing_seen_is_not_the_nearest_where_further_sleeves_are_said_to_be(bench):
    """90 mm to the one in the picture, which keeps the limit, says nothing of the others."""
    pair = [bench.splice(name, to_next_splice_mm=bench.m(90.0)) for name in ("s1", "s2")]
    assert bench.verdict(opened(bench, joined(bench, *pair)), "splice-spacing") == "cannot_tell"
    said = opened(bench, joined(bench, *pair), further_splices="some")
    assert bench.verdict(said, "splice-spacing") == "cannot_tell"
    near = [bench.splice(name, to_next_splice_mm=bench.m(20.0)) for name in ("s1", "s2")]
    assert bench.verdict(opened(bench, joined(bench, *near)), "splice-spacing") == "violated"


def test_one_sleeve_counted_by_hand_or_a_ruler_answers_too(bench):
    """At most one in any wire: there is no next one. A ruler's spacing leaves the number open, which is asked for."""
    photo = joined(bench, bench.splice())
    assert opened(bench, photo, splices_on_one_wire=1).route == "return_to_service"
    ruled = opened(bench, photo, spacings_mm={"s1": 60.0})
    assert bench.verdict(ruled, "splice-spacing") == "met"
    assert [q.changes.split(":")[0] for q in ruled.open_questions] == ["splices-per-wire"]


def test_a_joint_that_may_be_none_is_named_first(bench):
    """Factory or repair: only of a repair further ones are asked after."""
    found = opened(bench, joined(bench, bench.splice(origin="unknown")))
    assert [q.changes.split(":")[0] for q in found.open_questions] == ["earlier-repair"]
    assert "further" in opened(bench, joined(bench, bench.splice())).open_questions[0].ask


def test_a_third_repair_joint_in_one_wire_replaces_it_end_to_end(bench):
    """At most two; between connectors of aircraft one (AC 43.13-1B 11-167), which a shop may set."""
    far = bench.m(90.0)
    joints = [bench.splice(f"s{i}", to_next_splice_mm=far) for i in range(3)]
    assert bench.verdict(bench.decision(joined(bench, *joints)), "splices-per-wire") == "violated"
    assert "replace_circuit" in bench.steps(bench.decision(joined(bench, *joints)))
    two = joined(bench, *joints[:2])
    assert bench.verdict(bench.decision(two), "splices-per-wire") == "met"
    aircraft = bench.limits(splices_per_wire={"max_splices": 1})
    assert bench.verdict(bench.decision(two, rules=aircraft), "splices-per-wire") == "violated"


def test_joints_on_unknown_wires_may_share_one(bench):
    """Three joints, wires not followed: one to three in a wire."""
    joints = [bench.splice(f"s{i}", wire_id=None, to_next_splice_mm=bench.m(90.0)) for i in range(3)]
    found = bench.decision(joined(bench, *joints))
    assert bench.verdict(found, "splices-per-wire") == "cannot_tell"
    assert bench.verdict(bench.decision(joined(bench, *joints), splices_on_one_wire=2), "splices-per-wire") == "met"


def test_damage_near_a_termination_gets_a_new_lead_and_stays_in_the_vehicle(bench):
    """The lead reaches past the damage with both uncertainties, and the joint's own wire comes on top."""
    found = bench.decision(cut(bench, bench.m(140.0, 2.0), length_mm=bench.m(60.0, 3.0)), both_ends_identified=True)
    assert found.route == "repair_in_vehicle"
    assert bench.steps(found) == ["replace_terminal_lead"]
    assert "at least 225 mm" in found.actions[0].why  # 140 + 2 + 60 + 3 + 20


def test_a_lead_is_never_shorter_than_six_inches_and_its_joint(bench):
    """Damage right at the housing: 152.4 + 20 mm, rounded up."""
    assert lead_length_mm(bench.m(5.0), bench.m(10.0), 152.4, 20.0) == 173


def test_a_lead_past_damage_of_unknown_extent_is_measured_at_the_bench(bench):
    """No length is made up."""
    assert lead_length_mm(bench.m(5.0), None, 152.4, 20.0) is None
    assert lead_length_mm(bench.m(5.0), bench.m(10.0, low_bound=True), 152.4, 20.0) is None
    found = bench.decision(cut(bench, bench.m(100.0), length_mm=None), both_ends_identified=True)
    assert "measured at the bench" in found.actions[0].why


def test_a_wire_too_short_for_a_lawful_joint_is_replaced_end_to_end(bench):
    """300 mm between two housings: no place 152.4 mm from both (it would need 304.8 mm)."""
    short = [bench.wire(name, ends=("h1", "h2"), length_mm=bench.m(300.0)) for name in ("w1", "w2")]
    found = bench.decision(cut(bench, bench.m(20.0), short))
    assert bench.steps(found) == ["replace_circuit"]
    long = [bench.wire(name, ends=("h1", "h2"), length_mm=bench.m(600.0)) for name in ("w1", "w2")]
    assert bench.steps(bench.decision(cut(bench, bench.m(20.0), long))) == ["replace_terminal_lead"]


def test_a_wire_that_already_has_a_joint_takes_no_section_of_two_more(bench):
    """One found and two planned make three."""
    region = bench.region("rodent", exposed_copper_mm=bench.m(6.0), rings_px=[[(50.0, 0.0), (60.0, 0.0), (60.0, 9.0)]])
    photo = bench.photo(region, splices=[bench.splice()])
    assert bench.steps(bench.decision(photo, both_ends_identified=True)) == ["replace_circuit"]


def test_damage_running_on_under_tape_may_come_nearer_to_the_termination(bench):
    """300 mm seen is no proof."""
    found = bench.decision(cut(bench, bench.m(300.0), continues_under_covering=True), both_ends_identified=True)
    assert bench.verdict(found, "termination-distance") == "cannot_tell"


def test_a_distance_told_by_the_ruler_is_not_asked_again_because_of_a_covering(bench):
    """What is open then is how far the damage runs, and that alone is asked; a distance that is not known still is."""
    for told, asked in (({"distances_mm": {"r1": 300.0}}, False), ({}, True)):
        region = cut(bench, None, continues_under_covering=True)
        found = bench.decision(region, both_ends_identified=True, **told)
        changes = [question.changes.split(":")[0] for question in found.open_questions]
        assert "hidden-damage" in changes and ("termination-distance" in changes) is asked


@pytest.mark.parametrize("open_by", ["label", "origin"])
def test_bare_copper_seen_at_a_sleeve_counts_whatever_else_is_open(bench, open_by):
    """What the place is, or whether its joint is the factory's: not known, so at worst it is done again."""
    doubt = dict(unsure=True, candidates=["earlier_repair", "sound"]) if open_by == "label" else {}
    region = bench.region("earlier_repair", wires_affected=bench.wires_of("w1"), **doubt)
    joint = bench.splice(origin="factory", rings_px=region.rings_px)
    photo = bench.photo(region, splices=[joint] if open_by == "origin" else [])
    found = bench.decision(photo, copper={"r1": "bare"})
    assert found.route != "return_to_service"
    assert found.route_worst != "return_to_service"


def test_a_factory_joint_whose_copper_was_seen_bare_is_covered_again(bench):
    """It stays where the maker put it."""
    region = bench.region("earlier_repair", wires_affected=bench.wires_of("w1"))
    photo = bench.photo(region, splices=[bench.splice(rings_px=region.rings_px)])
    found = bench.decision(photo, copper={"r1": "bare"}, splice_origin={"s1": "factory"})
    assert (found.route, bench.steps(found)) == ("repair_in_vehicle", ["sleeve"])


def test_copper_at_a_sleeve_that_was_not_measured_is_asked_about_and_not_waited_for(bench):
    """An absent measure is no zero: the sleeve may be bad."""
    region = bench.region("earlier_repair", exposed_copper_mm=None, wires_affected=bench.wires_of("w1"))
    found = bench.decision(bench.photo(region))
    assert found.route == "return_to_service" != found.route_worst
    assert any("copper" in question.ask for question in found.open_questions)
    assert bench.decision(bench.photo(region), copper={"r1": "covered"}).route_worst == "return_to_service"


def test_strands_counted_at_a_sleeve_say_that_its_copper_is_bare(bench):
    """None nicked, none broken, and yet they lie open."""
    counts = dict(nicked_strands={"r1": 0}, broken_strands={"r1": 0})
    assert "redo_earlier_repair" in bench.steps(bench.decision(coppery(bench), **counts))


def test_a_wire_cut_off_is_not_seen_from_termination_to_termination(bench):
    """A stub that ends in the photograph says nothing of the rest of its wire."""
    stub = Termination(id="t1", kind="cut_end", position_mm=None, position_px=(5.0, 5.0), rings_px=[])
    wire = bench.wire("w1", ends=("t1", "h1"))
    photo = joined(bench, bench.splice(), wires=[wire], terminations=[stub])
    found = bench.decision(photo, further_splices=None)
    assert any("further" in question.ask for question in found.open_questions)
