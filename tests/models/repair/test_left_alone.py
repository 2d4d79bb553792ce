"""A wire is said to need nothing only where nothing that was seen may reach it."""

import hashlib

from models.repair import Answers, decide
from models.repair.prices import load_prices
from models.repair.worksheet import worksheet
from vision.findings import Count

NO_NEW = ": no new piece and no new lead, for "
DAMAGED = {"r1": "damaged", "r2": "damaged", "r3": "damaged"}


def bitten(bench, name="r1", at=0.0, **fields):
    """A place bitten to the copper; w1 at r1."""
    plain = dict(id=name, rings_px=bench.square(at), wires_affected=bench.wires_of("w1"))
    return bench.region("rodent", **(plain | dict(exposed_copper_mm=bench.m(20.0)) | fields))


def told(bench, *regions, wires=4, splices=(), **answers):
    """What is said of the wires left alone, beside a bite on w1 that is planned."""
    seen = bench.photo(bitten(bench), *regions, wires=[bench.wire(f"w{k}") for k in range(1, wires + 1)],
                       splices=list(splices))  # fmt: skip
    places = {region.id for region in seen.regions}
    answers = {"copper": {ref: said for ref, said in DAMAGED.items() if ref in places}} | answers
    found = bench.decision(seen, both_ends_identified=True, **answers)
    given = bench.settled(both_ends_identified=True, **answers)
    plan = worksheet([seen], found, bench.rules, load_prices(), answers=given).plan
    assert [wire.wire for wire in plan.wires] == ["w1"]
    return dict(line.split(NO_NEW) for line in plan.left_alone)


def test_the_other_wires_of_a_place_that_names_none_are_not_known_to_be_sound(bench):
    """Three wires are bitten at r2, and nobody knows which; asked after."""
    said = told(bench, bitten(bench, "r2", 50.0, wires_affected=Count(value=3, low=3, high=3)))
    assert said == {"w2, w3, w4": "it is not known whether r2 damages any of these, see the open questions."}
    uncounted = told(bench, bitten(bench, "r2", 50.0, wires_affected=None), wires=2)
    assert uncounted == {"w2": "it is not known whether r2 damages this wire, see the open questions."}


def test_a_place_that_names_fewer_wires_than_it_may_touch_leaves_the_others_open(bench):
    """One of at most three is named."""
    some = Count(value=2, low=1, high=3, wire_ids=["w2"])
    assert told(bench, bitten(bench, "r2", 50.0, wires_affected=some)) == {
        "w2": "the place to cut at r2 is not measured yet, see the open questions.",
        "w3, w4": "it is not known whether r2 damages any of these, see the open questions.",
    }


def test_the_gravest_reason_of_all_places_on_a_wire_is_told(bench):
    """w2 is worn at r2 and to be cut at r3, whose length nobody has measured, in either order of the places."""
    for worn, cut in (("r2", "r3"), ("r3", "r2")):
        regions = [
            bench.region(id=worn, wires_affected=bench.wires_of("w2"), rings_px=bench.square(50.0)),
            bitten(bench, cut, 120.0, wires_affected=bench.wires_of("w2"), length_mm=None),
        ]
        said = told(bench, *sorted(regions, key=lambda r: r.id), copper={"r1": "damaged", worn: "covered"})
        assert said == {
            "w2": f"the place to cut at {cut} is not measured yet, see the open questions.",
            "w3, w4": "no damage was found there.",
        }


def test_wires_that_may_be_worn_are_not_called_undamaged_though_nothing_is_asked(bench):
    """Two wires get a sleeve at r2, one is named; no question is open, and none is spoken of."""
    worn = bench.region(id="r2", rings_px=bench.square(50.0), wires_affected=Count(value=2, low=2, high=2))
    assert told(bench, worn, copper={"r1": "damaged", "r2": "covered"}) == {
        "w2, w3, w4": "it is not known whether r2 damages any of these."
    }


def test_a_place_that_needs_nothing_opens_no_question_about_the_other_wires(bench):
    """Somebody looked at r2 and found it sound."""
    region = bitten(bench, "r2", 50.0, wires_affected=None)
    said = told(bench, region, labels={"r2": "sound"}, copper={"r1": "damaged"})
    assert said == {"w2, w3, w4": "no damage was found there."}


def test_a_place_that_is_damaged_and_needs_nothing_says_so(bench):
    """The insulation at r2 took heat, on how many wires nobody knows; it bends without cracking."""
    warm = bench.region("external_heat", id="r2", rings_px=bench.square(50.0), wires_affected=None)
    said = told(bench, warm, copper={"r1": "damaged", "r2": "covered"}, flex_test={"r2": "no_cracks"},
                parts_by_hand={"r2": "parts"})  # fmt: skip
    assert said == {"w2, w3, w4": "nothing that was found at r2 asks for a cut."}


def test_a_joint_that_is_done_again_keeps_its_wire_from_being_called_undamaged(bench):
    """s1 on w2 lies too near its terminal, by a distance too coarse to place a joint."""
    near = bench.splice(wire_id="w2", to_termination_mm=bench.m(60.0, 50.0), rings_px=bench.square(150.0))
    assert told(bench, splices=[near])["w2"] == ("the place to cut at s1 is not measured yet, see the open questions.")


def test_wires_of_two_photographs_of_one_file_name_keep_names_of_their_own(bench):
    """Named by the files' hashes, as their places are; what is planned of the one is not told of the other."""
    wires = [bench.wire("w1"), bench.wire("w2")]
    first = bench.photo(bitten(bench), wires=wires)
    second = bench.photo(bitten(bench, length_mm=None), wires=wires)
    other = hashlib.sha256(b"other").hexdigest()
    second = second.model_copy(update={"photo": second.photo.model_copy(update={"sha256": other})})
    one, two = first.photo.sha256[:8], other[:8]
    answers = Answers(circuit_class="none", fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.0,
                      both_ends_identified=True, copper={f"{one}:r1": "damaged", f"{two}:r1": "damaged"})  # fmt: skip
    photos = [first, second]
    plan = worksheet(photos, decide(photos, answers, bench.rules), bench.rules, load_prices()).plan
    assert [wire.wire for wire in plan.wires] == [f"{one}:w1"]
    said = dict(line.split(NO_NEW) for line in plan.left_alone)
    assert said.pop(f"{two}:w1").startswith(f"the place to cut at {two}:r1 is not measured yet")
    assert [sorted(names.split(", ")) for names in said] == [sorted([f"{one}:w2", f"{two}:w2"])]
