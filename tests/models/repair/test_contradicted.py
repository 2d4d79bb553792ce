"""Answers that lie outside what the photograph shows: obeyed and said."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.repair import AnswersError
from models.repair.contradicted import _apart
from vision.findings import RULER, Measure, UncertaintyShare


def test_a_ruler_outside_the_photographs_band_is_said(bench):
    """15.7 mm where the photograph shows 163 ± 72 mm: the ruler decides, and somebody measures again."""
    bite = bench.region("rodent", to_termination_mm=bench.m(163.0, 72.0))
    found = bench.decision(bench.photo(bite), distances_mm={"r1": 15.7})
    assert found.contradicted == [
        "r1: 15.7 mm from the termination by ruler, the photograph shows 163 ± 72 mm: measure again"
    ]
    assert bench.decision(bench.photo(bite), distances_mm={"r1": 120.0}).contradicted == []
    assert bench.decision(bench.photo(bite)).contradicted == []


def test_a_lower_bound_contradicts_only_what_is_shorter(bench):
    """At least 100 mm were seen; 400 mm may be."""
    bite = bench.region("rodent", to_termination_mm=bench.m(100.0, 10.0, low_bound=True))
    assert bench.decision(bench.photo(bite), distances_mm={"r1": 400.0}).contradicted == []
    assert len(bench.decision(bench.photo(bite), distances_mm={"r1": 40.0}).contradicted) == 1


def test_bare_copper_that_was_answered_as_covered_is_said_and_stays_bare(bench):
    """Nobody argues away what the picture shows."""
    bite = bench.region("rodent", exposed_copper_mm=bench.m(12.0, 2.0))
    found = bench.decision(bench.photo(bite), copper={"r1": "covered"})
    assert bench.verdict(found, "conductor-damage") == "violated"
    assert found.contradicted == ["r1: copper was answered as covered, the photograph shows 12 ± 2 mm bare: look again"]


def test_a_joints_ruler_is_held_against_its_own_distance(bench):
    """A splice at 120 ± 8 mm, read as 60; spacing 30 read as 90."""
    joint = bench.splice(to_termination_mm=bench.m(120.0, 8.0), to_next_splice_mm=bench.m(30.0, 4.0))
    far = bench.decision(bench.photo(splices=[joint]), distances_mm={"s1": 60.0})
    assert [line.split(" by ruler")[0] for line in far.contradicted] == ["s1: 60 mm from the termination"]
    near = bench.decision(bench.photo(splices=[joint]), spacings_mm={"s1": 90.0})
    assert [line.split(" by ruler")[0] for line in near.contradicted] == ["s1: 90 mm from the next joint"]


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        ({"housing_state": {"r1": "damaged"}}, "answer housing_state.r1: expected one of h1, got 'r1'"),
        ({"copper": {"h1": "bare"}}, "answer copper.h1: expected one of r1, got 'h1'"),
        ({"splice_origin": {"h1": "repair"}}, "answer splice_origin.h1: expected one of r1, s1, got 'h1'"),
    ],
)
def test_an_answer_about_the_wrong_kind_of_place_is_refused(bench, answers, says):
    """A housing has no copper, a bite is no housing: the ids that would do are named."""
    seen = bench.photo(bench.region("rodent"), splices=[bench.splice()], housings=[bench.housing()])
    with pytest.raises(AnswersError) as caught:
        bench.decision(seen, **answers)
    assert caught.value.lines == [says]


def test_a_kind_of_place_that_is_not_there_is_said(bench):
    """No housing was found at all."""
    with pytest.raises(AnswersError, match="no place at all \\(there is no housing\\)"):
        bench.decision(bench.photo(bench.region("rodent")), housing_state={"h1": "sound"})


def test_a_wire_of_900_mm2_is_no_wire(bench):
    """Thicker than any battery cable; what is on record can still be read."""
    with pytest.raises(AnswersError, match="wire_size_mm2: expected a wire of at most 240 mm², got 900"):
        bench.decision(bench.photo(bench.region("rodent")), wire_size_mm2=900.0)


@given(st.floats(0, 500), st.floats(0, 500), st.floats(0, 100), st.booleans())
def test_what_lies_within_both_bands_contradicts_nothing(ruler, seen, u95, low_bound):
    """And what is said is always further off than the two uncertainties together."""
    says = _apart("r1", "away", Measure(value=ruler, u95=2.0), Measure(value=seen, u95=u95, low_bound=low_bound))
    assert bool(says) == (ruler < seen - u95 - 2.0 or (ruler > seen + u95 + 2.0 and not low_bound))


def test_a_sure_damage_that_was_answered_to_be_sound_is_said(bench):
    """The answer is obeyed, and nobody overlooks it; a place in doubt may be answered without a word."""
    heat = bench.region("external_heat", probabilities={"external_heat": 0.98})
    found = bench.decision(bench.photo(heat), labels={"r1": "sound"})
    assert found.contradicted == ["r1: answered to be sound, the photograph shows external heat (98%): look again"]
    unsure = bench.region("external_heat", unsure=True, candidates=["external_heat", "abrasion"])
    assert bench.decision(bench.photo(unsure), labels={"r1": "abrasion"}).contradicted == []
    two = bench.photo(heat), bench.photo(name="b.jpg")
    named = bench.decision(*two, labels={"a.jpg:r1": "rodent"}).contradicted
    assert named == ["a.jpg:r1: answered to be rodent bites, the photograph shows external heat (98%): look again"]


def test_photographs_of_one_name_are_told_apart_in_what_is_said(bench):
    """Two phones both write IMG_1.jpg: the line names the place as the questions do, by the file's hash."""
    heat = bench.region("external_heat", probabilities={"external_heat": 0.98})
    files = [bench.photo(heat, name="IMG_1.jpg").model_copy(deep=True) for _ in range(2)]
    twins = [
        p.model_copy(update={"photo": p.photo.model_copy(update={"sha256": k * 64})})
        for p, k in zip(files, "ab", strict=True)
    ]
    found = bench.decision(*twins, labels={"bbbbbbbb:r1": "sound"}).contradicted
    assert found == ["bbbbbbbb:r1: answered to be sound, the photograph shows external heat (98%): look again"]


def test_copper_in_a_repair_sleeve_and_what_a_ruler_read_contradict_nothing(bench):
    """An answer about copper says nothing of a sleeve's; a typed distance is no photograph's."""
    sleeve = bench.region("earlier_repair", exposed_copper_mm=bench.m(12.0, 2.0))
    assert bench.decision(bench.photo(sleeve), copper="covered").contradicted == []
    typed = Measure(value=100.0, u95=1.0, sources=[UncertaintyShare(name=RULER, u95=1.0)])
    bite = bench.region("rodent", to_termination_mm=typed)
    assert bench.decision(bench.photo(bite), distances_mm={"r1": 300.0}).contradicted == []


def test_copper_that_may_show_is_no_reason_to_overrule_an_answer_but_to_say_so(bench):
    """18 ± 23 mm: nothing is proven, and a bite in a bright picture is not answered away in silence."""
    bite = bench.region("rodent", exposed_copper_mm=bench.m(18.0, 23.0))
    found = bench.decision(bench.photo(bite), copper={"r1": "covered"})
    assert bench.verdict(found, "conductor-damage") == "met" and len(found.contradicted) == 1
    assert "(answered: covered)" in bench.says(found, "conductor-damage")


def test_a_cracked_housing_that_was_answered_to_be_sound_is_said(bench):
    """It is replaced all the same."""
    found = bench.decision(bench.photo(housings=[bench.housing(cracked=True)]), housing_state={"h1": "sound"})
    assert bench.verdict(found, "housing") == "violated"
    assert found.contradicted == ["h1: answered to be sound, the photograph shows it cracked or broken: look again"]


def test_fewer_wires_than_the_photographs_show_for_certain_is_said(bench):
    """Two are gnawed for certain; none was answered. More than the photograph shows may lie out of its sight."""
    bite = bench.region("rodent", exposed_copper_mm=bench.m(6.0, 1.0))
    found = bench.decision(bench.photo(bite), wire_count=0).contradicted
    assert found == ["0 wires to repair were answered, the photographs show 2 at least: count again"]
    assert bench.decision(bench.photo(bite), wire_count=5).contradicted == []


def test_answers_at_odds_with_each_other_are_said(bench):
    """Covered copper has no broken strands."""
    bite = bench.region("rodent", exposed_copper_mm=None)
    found = bench.decision(bench.photo(bite), copper={"r1": "covered"}, broken_strands={"r1": 3})
    assert found.contradicted == [
        "r1: copper was answered as covered, and strands of it as nicked or broken: look again"
    ]


@pytest.mark.parametrize(
    ("seen", "answers", "says"),
    [
        (3, dict(splices_on_one_wire=1), "show 3"),
        (1, dict(splices_on_one_wire=1, further_splices="some"), "further sleeves"),
        (1, dict(splices_on_one_wire=3, further_splices="none"), "no further ones"),
        (2, dict(splices_on_one_wire=2, further_splices="none"), ""),
        (2, dict(splices_on_one_wire=3, further_splices="some"), ""),
    ],
)
def test_a_count_of_joints_goes_with_those_seen_and_with_further_ones(bench, seen, answers, says):
    """One line where it does not."""
    joints = [bench.splice(f"s{n}", rings_px=bench.square(40.0 * n)) for n in range(seen)]
    found = bench.decision(bench.photo(splices=joints), **answers).contradicted
    assert [says in line for line in found] == ([True] if says else [])
