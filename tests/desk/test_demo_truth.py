"""What the demonstration says of its own answers, against truths and answers typed in."""

from pathlib import Path

import pytest

from desk.batch import Entry, Run
from desk.console import print_run
from desk.demo_truth import VERDICTS, summary, tell, tell_run
from desk.foreign_truth import read_truth
from desk.report import report_html
from desk.samples import make_samples
from desk.truth_findings import findings_from_truth
from desk.wording import say_measured
from models.repair import Answers, decide, load_rules
from vision.findings import Measure

RULES, ANSWERS = load_rules(), Answers(circuit_class="none")


def answered(truth, regions=None, **changes):
    """A perfect answer on a photograph of this truth, but for its regions and these changes."""
    found = findings_from_truth(truth)
    found = found.model_copy(update={"regions": found.regions if regions is None else regions} | changes)
    return found.model_copy(update={"decision": decide([found], ANSWERS, RULES)})


def verdict(truth, findings):
    return tell(truth, findings, ANSWERS, RULES).verdict


@pytest.fixture
def bitten(drawn):
    return drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])


def test_a_damage_found_and_rightly_named_is_right(bitten):
    """Place by place, with its true length, and the route as it follows from the truth."""
    told = tell(bitten, answered(bitten), ANSWERS, RULES)
    assert (told.verdict, told.there, told.same_route) == ("right", "rodent bites", True)
    assert "r0: rodent bites" in told.lines[0] and "really rodent bites, 30 mm" in told.lines[0]
    assert told.lines[-1].endswith("as follows from what is there") and len(told.shapes) == 1


def test_a_place_has_one_length_in_all_that_is_said_of_it(bitten):
    """One too wide to use is no number beside the truth either: the table says it by its ends, and so do the lines."""
    (region,) = findings_from_truth(bitten).regions
    found = answered(bitten, [region.model_copy(update={"length_mm": Measure(value=34.0, u95=28.0)})])
    said = say_measured(found.regions[0].length_mm, found.decision, short=True)
    assert said == "between 6 and 62 mm: measure by hand"
    assert said in tell(bitten, found, ANSWERS, RULES).lines[0]


def test_a_damage_found_and_not_named_for_sure_is_unsure_and_one_of_another_name_false(bitten):
    """Both lie at the true place."""
    (region,) = findings_from_truth(bitten).regions
    doubt = region.model_copy(update={"unsure": True, "candidates": ["rodent", "abrasion"]})
    other = region.model_copy(update={"label": "external_heat"})
    assert verdict(bitten, answered(bitten, [doubt])) == "unsure"
    assert verdict(bitten, answered(bitten, [other])) == "false"


def test_a_second_place_on_one_damage_is_told_and_judged(bitten):
    """Beside the one that matches best: its doubt makes the answer unsure, its other name makes it false."""
    (region,) = findings_from_truth(bitten).regions
    for change, expected in (
        ({}, "right"),
        ({"unsure": True, "candidates": ["rodent", "abrasion"]}, "unsure"),
        ({"label": "external_heat"}, "false"),
    ):
        second = region.model_copy(update={"id": "r7"} | change)
        told = tell(bitten, answered(bitten, [region, second]), ANSWERS, RULES)
        assert told.verdict == expected
        assert any(line.startswith("r7: ") and "told above" in line for line in told.lines)


def test_doubt_that_leaves_the_true_damage_out_is_false(bitten, drawn):
    """Among the labels left, of the place or of a photograph without places; and a known kind called unknown."""
    (region,) = findings_from_truth(bitten).regions
    other = region.model_copy(update={"unsure": True, "label": "abrasion", "candidates": ["abrasion", "external_heat"]})
    strange = region.model_copy(update={"novel": True, "label": None})
    nameless = region.model_copy(update={"unsure": True, "label": None})
    assert [verdict(bitten, answered(bitten, [one])) for one in (other, strange, nameless)] == [
        "false", "false", "unsure"
    ]  # fmt: skip
    sound, doubt = drawn.truth("b.jpg", []), {"label": None, "unsure": True, "probabilities": {}}
    told = tell(sound, answered(sound, candidates=["rodent", "abrasion"], **doubt), ANSWERS, RULES)
    assert told.verdict == "false" and "unsure: rodent bites or abrasion" in told.lines[0]
    assert verdict(sound, answered(sound, candidates=["sound", "abrasion"], **doubt)) == "unsure"
    assert verdict(sound, answered(sound, label="rodent")) == "false"


@pytest.mark.parametrize("name", ["rodent", "external_heat"])
def test_a_route_milder_than_the_truths_is_false_though_the_damage_is_rightly_named(drawn, name):
    """And one that is graver is said to be; a miss whose route is milder stays a miss."""
    truth = drawn.truth("a.jpg", [drawn.region(name, 300, 60)])
    routes = ("return_to_service", "refer")
    right, missed = answered(truth), answered(truth, [], label="sound")
    for route, said, kind in zip(routes, ("too mild", "too grave"), ("false", "right"), strict=True):
        changed = right.model_copy(update={"decision": right.decision.model_copy(update={"route": route})})
        told = tell(truth, changed, ANSWERS, RULES)
        assert (told.verdict, told.same_route) == (kind, False) and told.lines[-1].endswith(f"the route is {said}")
    milder = missed.model_copy(update={"decision": missed.decision.model_copy(update={"route": routes[0]})})
    told = tell(truth, milder, ANSWERS, RULES)
    assert told.verdict == "missed" and told.lines[-1].endswith("too mild")


def test_a_damage_not_found_is_missed_whatever_the_photograph_says_as_a_whole(bitten):
    """Called sound, or left open: the place is not named."""
    for unsure in (False, True):
        told = tell(bitten, answered(bitten, [], label="sound", unsure=unsure), ANSWERS, RULES)
        assert told.verdict == "missed" and told.lines[0] == "not found: rodent bites, 30 mm"


def test_a_find_where_nothing_is_damaged_is_false_and_worse_than_a_miss(bitten, drawn):
    """Beside the true one, and in a sound photograph."""
    (region,) = findings_from_truth(bitten).regions
    elsewhere = region.model_copy(update={"id": "r9", "rings_px": [drawn.box(500, 234, 60, 12)]})
    assert verdict(bitten, answered(bitten, [region, elsewhere])) == "false"
    assert verdict(bitten, answered(bitten, [elsewhere])) == "false"
    sound = drawn.truth("b.jpg", [])
    assert verdict(sound, answered(sound, [elsewhere])) == "false"


def test_nothing_named_where_nothing_is_damaged_is_right_if_it_is_called_sound(drawn):
    """A photograph left open is unsure."""
    sound = drawn.truth("b.jpg", [])
    told = tell(sound, answered(sound, label="sound"), ANSWERS, RULES)
    assert (told.verdict, told.there) == ("right", "no damage")
    assert verdict(sound, answered(sound, label="sound", unsure=True)) == "unsure"


@pytest.fixture(scope="module")
def demo_run(tmp_path_factory):
    """Two generated photographs, of one of which the damage is not found; the one that is right comes last."""
    out = tmp_path_factory.mktemp("demo")
    make_samples(out, 1, 7, 700, "rodent")
    make_samples(out, 1, 7, 700, "abrasion")
    entries = []
    for path in sorted(out.glob("*.jpg"), reverse=True):
        truth = _truth(path)
        found = answered(truth, [] if "rodent" in path.name else None)
        entries.append(Entry(path, found, None, 0.1))
    return Run(tuple(entries), None)


def _truth(path: Path):
    return read_truth(path.with_suffix(".json"))


def test_the_right_answers_come_first_and_no_mistake_is_left_out(demo_run):
    """Whatever order they came in; photographs without truth stay at the end."""
    assert "rodent" in demo_run.entries[0].path.name
    run, told = tell_run(demo_run, ANSWERS, RULES)
    ranks = [VERDICTS.index(told[str(entry.path)].verdict) for entry in run.entries]
    assert ranks == sorted(ranks) and len(set(ranks)) == 2 and len(run.entries) == len(demo_run.entries)
    assert summary(told) == "Of 2 photographs 1 right, 0 unsure, 1 missed, 0 false."


def test_screen_and_report_say_what_was_really_there(demo_run, capsys):
    """A table first, then with each photograph; without truth neither says anything of it."""
    run, told = tell_run(demo_run, ANSWERS, RULES)
    print_run(run, told)
    screen, page = capsys.readouterr().out, report_html(run, told=told)
    for text in (screen, page):
        assert "What was really there" in text and "Of 2 photographs 1 right" in text
        assert "not found: rodent bites" in text
    assert page.index("abrasion_00007.jpg") < page.index("rodent_00007.jpg")
    assert 'class="l-truth"' in page and "really there: rodent bites" in page
    print_run(run)
    assert "really there" not in capsys.readouterr().out and "What was really there" not in report_html(run)
