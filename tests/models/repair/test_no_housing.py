"""A thing taken for a housing that is none: no housing to judge, and no distance that may go there is used."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.repair import Answers, decide, route_rank
from models.repair.after import close_order
from models.repair.bench import BenchNotes, BenchWire
from models.repair.case import seen_as_answered
from models.repair.prices import load_prices
from models.repair.worksheet import worksheet
from tests.models.repair.test_laws import answer_facts, assembly_facts, built, joint_facts, maybe_mm, region_facts
from vision.findings import RULER, Lay, Measure, PhotoFindings, Region, Splice, Termination, UncertaintyShare

NONE_AT_ALL = {"h1": "not_a_housing"}
IS_NONE = "which is no housing: measure it with a ruler"


def end(name, x=100.0):
    """A housing's place among the terminations."""
    return Termination(id=name, kind="housing", position_mm=None, position_px=(x + 5.0, 5.0), rings_px=[])


def seen(bench, *regions, **fields):
    """A photograph with the thing h1, a wire that seems to run from it to the housing h2, and these places."""
    plain = dict(
        housings=[bench.housing(), bench.housing("h2", rings_px=bench.square(180.0))],
        terminations=[end("h1"), end("h2", 180.0)],
        wires=[bench.wire("w1", ("h1", "h2")), bench.wire("w2", ("h1", "h2"))],
    )
    return bench.photo(*regions, **(plain | fields))


def shown(bench, photo, **answers):
    """The photograph as it is shown once h1 was answered to be none."""
    return seen_as_answered([photo], Answers(housing_state=NONE_AT_ALL, **answers), bench.rules)[0]


def asks(found, rule):
    """What a rule asks."""
    return [question.ask for question in found.open_questions if question.changes.startswith(rule)]


def lay(frame):
    """Somewhere in a common frame."""
    return Lay(
        frame=frame, face=1, mat="a4", x_mm=0, y_mm=0, turn_rad=0, covariance=[[0.0] * 3 for _ in range(3)], apart_mm=1
    )


@pytest.mark.parametrize(
    "state", [{"cracked": None}, {"cracked": True}, {"displaced_terminals": 2}, {"displaced_terminals": None}]
)
def test_what_is_no_housing_brings_no_action_no_question_and_no_cause(bench, state):
    """Whatever its shell seemed to show; the rule has nothing left to judge."""
    photo = bench.photo(housings=[bench.housing(**state)])
    before, found = bench.decision(photo), bench.decision(photo, housing_state=NONE_AT_ALL)
    assert bench.verdict(before, "housing") != "met"
    assert bench.verdict(found, "housing") == "not_applicable"
    assert (found.route, found.route_worst) == ("return_to_service", "return_to_service")
    assert found.actions == [] and found.causes == [] and not asks(found, "housing")
    shown = {"cracked": "cracked or broken by its look", "displaced_terminals": "2 terminals pushed out"}
    expected = [
        f"h1: answered to be no housing, the photograph shows damage of one ({shown[k]}" for k in state if state[k]
    ]
    assert all(said.startswith(start) for said, start in zip(found.contradicted, expected, strict=True))


def test_damage_that_goes_with_it_is_said_where_nothing_else_speaks_of_it(bench):
    """A broken-off piece beside an unsure place answered sound; a crack beside the neighbour's broken place."""
    unsure = bench.region("connector", unsure=True, candidates=["connector", "sound"], wires_affected=None)
    unsure = unsure.model_copy(update={"rings_px": bench.housing().rings_px})
    broken = bench.housing(cracked=None, missing_area_mm2=bench.m(40.0, 3.0), displaced_terminals=None)
    found = bench.decision(bench.photo(unsure, housings=[broken]), housing_state=NONE_AT_ALL, labels={"r1": "sound"})
    assert found.contradicted and "a piece of 40" in found.contradicted[0]
    near = bench.region("connector", id="r2", rings_px=bench.square(109.0), wires_affected=None)
    shells = [
        bench.housing(cracked=True, rings_px=bench.square(100.0)),
        bench.housing("h2", cracked=True, rings_px=bench.square(108.0)),
    ]
    found = bench.decision(bench.photo(near, housings=shells), housing_state=NONE_AT_ALL)
    assert [line.split(",")[0] for line in found.contradicted] == ["h1: answered to be no housing"]


def test_another_housing_is_judged_as_before(bench):
    """h2 is broken and stays so."""
    shells = [bench.housing(cracked=True), bench.housing("h2", cracked=True)]
    found = bench.decision(bench.photo(housings=shells), housing_state=NONE_AT_ALL)
    assert [(action.action, action.on) for action in found.actions] == [("replace_housing", "h2")]


@pytest.mark.parametrize(("far", "before"), [(40.0, "violated"), (300.0, "met")])
def test_a_joints_distance_to_it_is_asked_for_and_says_why(bench, far, before):
    """Neither the 40 mm that broke the limit nor the 300 mm that kept it are used."""
    joint = bench.splice(to_termination_mm=bench.m(far), to_termination_id="h1")
    photo = seen(bench, splices=[joint])
    assert bench.verdict(bench.decision(photo), "termination-distance") == before
    found = bench.decision(photo, housing_state=NONE_AT_ALL)
    assert bench.verdict(found, "termination-distance") == "cannot_tell"
    assert f"it was measured to h1, {IS_NONE}" in bench.says(found, "termination-distance")
    assert asks(found, "termination-distance") and found.route == "undecided"


def test_a_damages_distance_to_it_no_longer_plans_a_terminal_lead(bench):
    """The lead's length would have come from it."""
    bite = bench.region("rodent", exposed_copper_mm=bench.m(20.0), to_termination_mm=bench.m(40.0))
    known = dict(copper={"r1": "damaged"}, both_ends_identified=True)
    assert "replace_terminal_lead" in bench.steps(bench.decision(seen(bench, bite), **known))
    found = bench.decision(seen(bench, bite), housing_state=NONE_AT_ALL, **known)
    assert "replace_terminal_lead" not in bench.steps(found)
    assert asks(found, "termination-distance")
    assert f"it may have been measured to h1, {IS_NONE}" in bench.says(found, "termination-distance")


def test_a_ruler_at_the_bench_closes_the_question(bench):
    """What is typed afterwards is about real terminations."""
    photo = seen(bench, splices=[bench.splice(to_termination_id="h1")])
    found = bench.decision(photo, housing_state=NONE_AT_ALL, distances_mm={"s1": 400.0})
    assert bench.verdict(found, "termination-distance") == "met"
    assert "no housing" not in bench.says(found, "termination-distance")


TYPED = [UncertaintyShare(name=RULER, u95=1.0)]


@pytest.mark.parametrize(
    ("goes_to", "sources", "kept"),
    [("h2", [], True), ("h1", [], False), (None, [], False), (None, TYPED, True), ("h1", TYPED, False)],
)
def test_only_a_distance_known_to_go_elsewhere_is_kept(bench, goes_to, sources, kept):
    """Or one that a person measured; findings of earlier versions do not say where it went."""
    far = Measure(value=300.0, u95=1.0, sources=sources)
    measured = dict(to_termination_mm=far, to_termination_id=goes_to)
    photo = shown(bench, seen(bench, bench.region(**measured), splices=[bench.splice(**measured)]))
    for item in (*photo.regions, *photo.splices):
        assert (item.to_termination_mm, item.to_termination_id) == ((far, goes_to) if kept else (None, None))
    fields = {one.field for one in photo.missing}
    assert fields == (set() if kept else {"regions[r1].to_termination_mm", "splices[s1].to_termination_mm"})


def test_no_wire_ends_there_and_it_is_no_termination(bench):
    """The other end stays known; the thing keeps its name among the housings, for the answer goes by it."""
    photo = shown(bench, seen(bench))
    assert [wire.ends for wire in photo.wires] == [[None, "h2"]] * 2
    assert [one.id for one in photo.terminations] == ["h2"] and [h.id for h in photo.housings] == ["h1", "h2"]


def test_a_termination_of_another_name_at_the_same_place_goes_with_it(bench):
    """Truth files of other origin number them apart."""
    ends = [end("t7"), end("t8", 180.0)]
    photo = seen(bench, terminations=ends, wires=[bench.wire("w1", ("t7", "t8"))])
    cleared = shown(bench, photo)
    assert [one.id for one in cleared.terminations] == ["t8"] and cleared.wires[0].ends == [None, "t8"]


@pytest.mark.parametrize(("value", "left"), [(0.0, []), (2.0, [2.0])])
def test_that_every_bundle_ends_in_the_picture_is_not_known_any_more(bench, value, left):
    """In no photograph of the assembly: both ends of a bitten wire are asked for again, and the route waits. Loose ends
    that were seen stay loose."""
    region = bench.region("rodent", exposed_copper_mm=bench.m(20.0), evidence=bench.signs(open_ends=value))
    photos = [seen(bench), bench.photo(region, name="b.jpg")]
    answers = bench.settled(housing_state={"a.jpg:h1": "not_a_housing"})
    found = seen_as_answered(photos, answers, bench.rules)[1].regions[0]
    assert [one.value for one in found.evidence] == left
    known = dict(copper={"b.jpg:r1": "damaged"})
    assert decide(photos, answers.model_copy(update=known), bench.rules).route == "undecided"


@pytest.mark.parametrize(("frames", "kept"), [((1, 1), False), ((1, 2), True), ((1, None), True)])
def test_a_distance_over_photographs_may_have_gone_there(bench, frames, kept):
    """Where both lie in one frame, and the other does not say where its distance goes."""
    places = [lay(frame) if frame else None for frame in frames]
    photos = [
        seen(bench, lay=places[0]),
        bench.photo(bench.region(), bench.region(id="r2", to_termination_id="h9"), name="b.jpg", lay=places[1]),
    ]
    answers = Answers(housing_state={"a.jpg:h1": "not_a_housing"})
    cleared = seen_as_answered(photos, answers, bench.rules)
    assert [one.photo.name for one in cleared] == ["a.jpg", "b.jpg"]
    first, second = cleared[1].regions
    assert (first.to_termination_mm is not None) is kept and second.to_termination_mm is not None
    reasons = [one.reason for one in cleared[1].missing]
    assert reasons == ([] if kept else [f"it may have been measured to a.jpg:h1, {IS_NONE}"])


def test_damage_named_on_it_stays_and_the_reviewer_is_told_to_reject_it(bench):
    """A place has a verdict of its own: what else may be damaged there nobody said. Rejected, nothing is left of it."""
    region = bench.region("connector", rings_px=bench.housing().rings_px, wires_affected=None)
    photo = bench.photo(region, housings=[bench.housing(cracked=True)])
    found = bench.decision(photo, housing_state=NONE_AT_ALL)
    assert [(action.action, action.on) for action in found.actions] == [("replace_housing", "r1")]
    assert found.contradicted == [
        "h1: answered to be no housing, r1 on it is still damage of one: reject r1 or name it"
    ]
    both = bench.decision(photo, housing_state=NONE_AT_ALL, labels={"r1": "sound"})
    assert both.route == "return_to_service" and not any("h1" in line for line in both.contradicted)
    beside = bench.photo(region, housings=[bench.housing(), bench.housing("h2")])
    assert bench.decision(beside, housing_state=NONE_AT_ALL).contradicted == []


def test_findings_stored_before_still_load(bench):
    """They do not say where a distance goes."""
    for kind, item in ((Region, bench.region()), (Splice, bench.splice())):
        stored = item.model_dump(mode="json")
        del stored["to_termination_id"]
        assert kind.model_validate(stored).to_termination_id is None
    assert PhotoFindings.model_validate_json(seen(bench).model_dump_json(by_alias=True)) == seen(bench)


def test_an_order_is_not_closed_by_joints_measured_to_it(bench):
    """Two lawful sleeves close it; measured to a box on the bench they leave it open."""
    bitten = bench.photo(bench.region("rodent", exposed_copper_mm=bench.m(20.0)))
    notes = BenchNotes(wire=(BenchWire(id="w1", before_mm=300.0, damage_mm=40.0, after_mm=560.0),))
    found = bench.decision(bitten, both_ends_identified=True)
    work = worksheet([bitten], found, bench.rules, load_prices(), (), notes)
    spaced = dict(to_next_splice_mm=bench.m(150.0), to_termination_id="h1")
    joints = [bench.splice(**spaced), bench.splice("s2", rings_px=bench.square(30.0), **spaced)]
    after = seen(bench, name="after.jpg", splices=joints)
    assert close_order(work, [after], bench.settled(), bench.rules).state == "closed"
    told = bench.settled(housing_state=NONE_AT_ALL)
    assert close_order(work, [after], told, bench.rules).state == "open"


def _without_it(photos, ends, distances):
    """What remains of the photographs: no housing, no end there, and whatever the distances truly are."""

    def region(one):
        evidence = [sign for sign in one.evidence if sign.feature != "open_ends"] + ends
        return one.model_copy(update={"to_termination_mm": next(distances), "evidence": evidence})

    def wire(one):
        return one.model_copy(update={"ends": [None if end == "h1" else end for end in one.ends]})

    def photo(one):
        splices = [splice.model_copy(update={"to_termination_mm": next(distances)}) for splice in one.splices]
        changed = {"housings": [], "splices": splices}
        changed |= {"regions": [region(r) for r in one.regions], "wires": [wire(w) for w in one.wires]}
        return one.model_copy(update=changed)

    return [photo(one) for one in photos]


def _closed_ends(bench, photos):
    """The photographs, every bundle end at a housing or terminal; whether a wire is severed no photograph tells."""

    def region(one):
        signs = [sign for sign in one.evidence if sign.feature != "severed_wires"]
        return one.model_copy(update={"evidence": signs + bench.signs(open_ends=0.0)})

    return [photo.model_copy(update={"regions": [region(one) for one in photo.regions]}) for photo in photos]


def _none_at_all(assembly, answers):
    names = [f"p{i}.jpg:h1" for i in range(len(assembly))] if len(assembly) > 1 else ["h1"]
    return Answers(**answers, housing_state=dict.fromkeys(names, "not_a_housing"))


PLAIN = dict(regions=[], joints=[], cracked=None, terminals=None, share=0.9, usable=True, traced=True)
mended = joint_facts.map(lambda one: {**PLAIN, "joints": [{**one, "origin": "repair", "gap": None}]})
bitten = region_facts.map(
    lambda one: {**PLAIN, "regions": [{**one, "label": "rodent", "doubt": "none", "hidden": False, "wires": set("a")}]}
)
"""Well seen, one repair or one bite of one wire: little else hides a milder route."""
SETTLED = dict(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0)
SETTLED |= dict(further_splices="none", looked_over="nothing_more", splices_on_one_wire=1)
anything = st.tuples(assembly_facts, answer_facts)
one_thing = st.tuples(st.lists(mended | bitten, min_size=1, max_size=1), st.just(SETTLED))


@settings(max_examples=150, deadline=None)
@given(anything | one_thing, st.data())
def test_the_route_is_never_milder_than_what_remains_supports(bench, case, data):
    """Whatever the distances truly are, and wherever the bundles end: the answer hides no fact."""
    assembly, answers = case
    photos = _closed_ends(bench, built(bench, assembly))
    found = decide(photos, _none_at_all(assembly, answers), bench.rules)
    distances = iter(lambda: bench.m(*drawn) if (drawn := data.draw(maybe_mm)) else None, 0)
    ends = data.draw(st.sampled_from([[], bench.signs(open_ends=1.0)]))
    true = decide(_without_it(photos, ends, distances), Answers(**answers), bench.rules)
    assert route_rank(found.route_worst) >= route_rank(true.route_worst)
    if found.route != "undecided":
        least = true.route_worst if true.route == "undecided" else true.route
        assert route_rank(found.route) >= route_rank(least)


@settings(max_examples=60, deadline=None)
@given(assembly_facts, answer_facts)
def test_the_rule_on_distances_is_open_wherever_it_applies(bench, assembly, answers):
    """None of the distances says where it went: none is held against the limit."""
    photos = built(bench, assembly)
    found = decide(photos, _none_at_all(assembly, answers), bench.rules)
    if bench.verdict(decide(photos, Answers(**answers), bench.rules), "termination-distance") != "not_applicable":
        assert bench.verdict(found, "termination-distance") == "cannot_tell"
    (rule,) = (rule for rule in found.rules if rule.id == "termination-distance")
    assert rule.measured is None and rule.verdict in ("cannot_tell", "not_applicable")


@settings(max_examples=60, deadline=None)
@given(assembly_facts, answer_facts, st.sampled_from(["assembly", "branch", "location"]))
def test_none_at_all_is_at_least_as_grave_as_a_sound_housing(bench, assembly, answers, scope):
    """Of one that shows nothing: what hung on it is less known than before."""
    whole = [{**facts, "cracked": False, "terminals": 0} for facts in assembly]
    photos, rules = built(bench, whole), bench.limits(wire_count={"scope": scope})
    sound = decide(photos, Answers(**answers), rules)
    assert route_rank(decide(photos, _none_at_all(assembly, answers), rules).route_worst) >= route_rank(
        sound.route_worst
    )


@settings(max_examples=60, deadline=None)
@given(assembly_facts, answer_facts)
def test_what_is_shown_decides_as_what_was_seen(bench, assembly, answers):
    """Pages and orders hold the photographs as shown: deciding on them again changes no letter."""
    photos, told = built(bench, assembly), _none_at_all(assembly, answers)
    once = seen_as_answered(photos, told, bench.rules)
    assert seen_as_answered(once, told, bench.rules) == once
    assert decide(once, told, bench.rules) == decide(photos, told, bench.rules)
