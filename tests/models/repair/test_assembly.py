"""Rules for the whole assembly."""

import pytest

from models.repair import Answers, decide


def test_a_sound_assembly_of_no_special_class_returns_to_service(bench):
    """Seen well enough, nothing found, class asked."""
    found = bench.decision(bench.photo())
    assert (found.route, found.route_worst, found.open_questions) == ("return_to_service", "return_to_service", [])


def test_nothing_returns_to_service_before_the_circuit_class_is_answered(bench):
    """A sound assembly stays undecided; a damaged one keeps its route, with `refer` as its worst."""
    sound = decide([bench.photo()], Answers(), bench.rules)
    assert (sound.route, sound.route_worst) == ("undecided", "refer")
    assert sound.open_questions[0].changes.startswith("circuit-class")
    worn = decide([bench.photo(bench.region())], Answers(), bench.rules)
    assert (worn.route, worn.route_worst) == ("repair_in_vehicle", "refer")
    assert any("licensed people" in caution for caution in worn.cautions)


@pytest.mark.parametrize("circuit_class", ["restraint", "high_voltage", "brake_by_wire", "shielded", "data_pair"])
def test_a_special_circuit_is_referred_whatever_the_damage(bench, circuit_class):
    """No step of repair is offered."""
    found = bench.decision(bench.photo(bench.region()), circuit_class=circuit_class)
    assert (found.route, found.route_worst) == ("refer", "refer")
    assert bench.steps(found) == ["refer"]
    assert found.open_questions == []


def test_a_shop_may_repair_a_class_it_is_equipped_for(bench):
    """Data pairs, by its own file."""
    rules = bench.limits(circuit_class={"refer": ("restraint",)})
    found = bench.decision(bench.photo(bench.region()), rules=rules, circuit_class="data_pair")
    assert found.route == "repair_in_vehicle"


def test_the_same_wire_bitten_twice_counts_once(bench):
    """Names unite: four of abcd and cdef are six wires, not eight."""
    fields = dict(exposed_copper_mm=bench.m(6.0))
    one = bench.region("rodent", wires_affected=bench.wires_of(*"abcd"), **fields)
    other = bench.region("rodent", id="r2", wires_affected=bench.wires_of(*"cdef"), **fields)
    found = bench.decision(bench.photo(one, other), both_ends_identified=True)
    assert (found.wires_to_repair.low, found.wires_to_repair.high) == (6, 6)
    assert found.wires_to_repair.wire_ids == list("abcdef")
    assert found.route == "repair_in_vehicle"


def test_earlier_repairs_join_the_count(bench):
    """Five bitten wires and two repaired ones are seven."""
    region = bench.region(
        "rodent",
        wires_affected=bench.wires_of(*"abcde"),
        exposed_copper_mm=bench.m(6.0),
        rings_px=[[(50.0, 0.0), (60.0, 0.0), (60.0, 9.0)]],
    )
    joints = [bench.splice("s1", wire_id="f"), bench.splice("s2", wire_id="g")]
    assert bench.decision(bench.photo(region, splices=joints), both_ends_identified=True).route == "remanufacture"


@pytest.mark.parametrize(("typed", "route"), [(6, "repair_in_vehicle"), (7, "remanufacture")])
def test_a_counted_number_settles_an_interval(bench, typed, route):
    """Between four and eight wires in the photograph."""
    photo = bench.photo(bench.region(wires_affected=bench.count(value=5, low=4, high=8)))
    assert bench.decision(photo).route == "undecided"
    assert bench.decision(photo, wire_count=typed).route == route


def test_wires_that_could_not_be_counted_leave_no_count(bench):
    """None, not zero; and the count is asked for."""
    found = bench.decision(bench.photo(bench.region(wires_affected=None)))
    assert found.wires_to_repair is None
    assert bench.verdict(found, "wire-count") == "cannot_tell"


def test_both_faces_of_one_assembly_are_not_simply_added(bench):
    """Four wires on each face: four to eight in all."""
    names = "abcd"
    photos = [bench.photo(bench.region(wires_affected=bench.wires_of(*names)), name=n) for n in ("a.jpg", "b.jpg")]
    count = bench.decision(*photos).wires_to_repair
    assert (count.low, count.high) == (4, 8)


def test_the_same_file_given_twice_is_one_photograph(bench):
    """Nothing is counted twice."""
    photo = bench.photo(bench.region())
    assert bench.decision(photo, photo) == bench.decision(photo)


def test_the_count_may_be_taken_per_branch_or_per_location(bench):
    """Four wires to one housing, four to another: eight in the assembly, four in a branch."""
    wires = [bench.wire(n, ends=("h1", None)) for n in "abcd"] + [bench.wire(n, ends=("h2", None)) for n in "efgh"]
    one = bench.region(wires_affected=bench.wires_of(*"abcd"))
    other = bench.region(id="r2", wires_affected=bench.wires_of(*"efgh"))
    photo = bench.photo(one, other, wires=wires)
    assert bench.decision(photo).route == "remanufacture"
    for scope in ("branch", "location"):
        assert bench.decision(photo, rules=bench.limits(wire_count={"scope": scope})).route == "repair_in_vehicle"


@pytest.mark.parametrize(
    ("found_a", "rated_a", "size", "verdict"),
    [
        (10.0, 10.0, 1.0, "met"),
        (30.0, 10.0, 1.0, "violated"),
        (20.0, 20.0, 0.5, "violated"),
        (7.5, 20.0, 0.5, "cannot_tell"),
        (10.0, 10.0, None, "cannot_tell"),
        (30.0, None, 1.0, "violated"),
        (None, 10.0, 1.0, "cannot_tell"),
    ],
)
def test_a_fuse_is_held_against_its_rating_and_its_wire(bench, found_a, rated_a, size, verdict):
    """Too large for either breaks the rule; kept only when all three are known and agree."""
    found = bench.decision(bench.photo(), fuse_found_a=found_a, fuse_rated_a=rated_a, wire_size_mm2=size)
    assert bench.verdict(found, "fuse-coordination") == verdict
    assert (found.route == "repair_in_vehicle") == (verdict == "violated")
    assert ("correct_fuse" in bench.steps(found)) == (verdict == "violated")


@pytest.mark.parametrize(("days", "verdict"), [(60, "violated"), (61, "met"), (None, "not_applicable")])
def test_the_same_damage_within_60_days_asks_for_its_cause(bench, days, verdict):
    """The route does not change; the cause is looked for."""
    found = bench.decision(bench.photo(bench.region()), same_damage_days=days)
    assert bench.verdict(found, "recurrence") == verdict
    assert ("find_cause" in bench.steps(found)) == (verdict == "violated")


def test_damage_under_tape_is_opened_first(bench):
    """The plan starts with opening; the worst is what may lie beneath."""
    found = bench.decision(bench.photo(bench.region(continues_under_covering=True)))
    assert (found.route, found.route_worst) == ("repair_in_vehicle", "remanufacture")
    assert bench.steps(found)[0] == "open_covering"


def test_too_little_seen_is_never_sound(bench):
    """Half of the assembly under tape; somebody looked it over and found nothing, or more."""
    photo = bench.photo(inspected_share=0.5)
    assert (bench.decision(photo).route, bench.decision(photo).route_worst) == ("undecided", "remanufacture")
    assert bench.decision(photo, looked_over="nothing_more").route == "return_to_service"
    assert bench.decision(photo, looked_over="more_damage").route == "undecided"


def test_an_unusable_photograph_decides_nothing_even_beside_a_good_one(bench):
    """It may show the worst damage; it is taken again."""
    dark = bench.photo(
        name="dark.jpg",
        usable=False,
        label=None,
        retake=[bench.retake(fault="too dark", advice="more light", measure="all")],
    )
    for photos in ([dark], [dark, bench.photo()], [dark, bench.photo(bench.region())]):
        found = bench.decision(*photos, looked_over="nothing_more")
        assert (found.route, found.route_worst) == ("undecided", "remanufacture")
        assert bench.steps(found)[0] == "retake"
        assert "too dark" in bench.says(found, "inspection")


def test_a_photograph_without_a_label_or_with_one_no_region_bears_out_is_looked_at(bench):
    """No region, yet not called sound."""
    for label in (None, "rodent"):
        assert bench.decision(bench.photo(label=label)).route == "undecided"


def test_the_voltage_drop_is_a_note_with_every_joint(bench):
    """No current in a photograph: said, not judged."""
    found = bench.decision(bench.photo(bench.region("external_heat", evidence=bench.signs(fused_length=0.0))))
    assert bench.verdict(found, "drop-budget") == "cannot_tell"
    assert not any(question.changes.startswith("drop-budget") for question in found.open_questions)


def test_no_damage_found_where_such_photographs_are_often_damaged_is_looked_over(bench):
    """Nothing found is no proof: an unsure photograph without regions is never returned to service on its own."""
    doubtful = bench.photo(unsure=True, candidates=["sound", "abrasion"], probabilities={"sound": 0.6, "abrasion": 0.4})
    found = bench.decision(doubtful)
    assert found.route == "undecided"
    assert "60%" in bench.says(found, "inspection")
    assert bench.decision(doubtful, looked_over="nothing_more").route == "return_to_service"


def test_the_share_seen_is_said_of_what_is_in_the_picture(bench):
    """No photograph knows how much of the assembly lies outside it: whether enough was seen or not."""
    for share, said in ((0.95, "95% seen of what is in the picture"), (0.4, "40% seen of what is in the picture, 60%")):
        found = bench.decision(bench.photo(inspected_share=share))
        assert f"a.jpg: {said}" in bench.says(found, "inspection")
        assert "of the assembly" not in bench.says(found, "inspection")
        (title,) = [rule.title for rule in found.rules if rule.id == "inspection"]
        assert "in the picture" in title


def test_a_count_that_begins_at_none_says_at_which_places_the_repair_is_open(bench):
    """Two to four wires under heat, flex test open: 0 to 4, and why 0; tested, the low end is that of the place."""
    hot = bench.region(
        "external_heat", wires_affected=bench.count(value=3, low=2, high=4), evidence=bench.signs(fused_length=0.0)
    )
    waits = bench.decision(bench.photo(hot))
    assert (waits.wires_to_repair.low, waits.wires_to_repair.high) == (0, 4)
    assert "; none, if what is open at r1 asks for no repair" in bench.says(waits, "wire-count")
    counted = bench.decision(bench.photo(hot), wire_count=0)
    assert "none" not in bench.says(counted, "wire-count")
    told = bench.decision(bench.photo(hot), flex_test="cracks")
    assert (told.wires_to_repair.low, told.wires_to_repair.high) == (2, 4)
    assert "none" not in bench.says(told, "wire-count")
