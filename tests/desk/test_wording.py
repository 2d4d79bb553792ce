"""What people read: digits follow the uncertainty, absent is a dash, unsure names what it cannot tell apart."""

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.wording import (
    LIST_MAY_REFER,
    asked_no_more,
    asked_together,
    say_answer,
    say_any_of,
    say_asked,
    say_by,
    say_changes,
    say_count,
    say_counted,
    say_limit,
    say_measure,
    say_measured,
    say_route_now,
    say_rule,
    say_rule_and_id,
    say_sources,
    say_to_repair,
    say_worst,
)
from models.repair.words import length, several
from vision.findings import Count, Decision, Measure, Question, RuleResult, UncertaintyShare


def test_a_route_that_may_worsen_is_provisional_and_an_open_class_is_said_apart():
    """Remanufacture by the damage is not hidden behind the referral that any open class may bring."""
    by = "by “Copper damaged”"
    assert say_route_now("repair_in_vehicle", "remanufacture") == "repair in vehicle (provisional)"
    assert say_route_now("repair_in_vehicle", "repair_in_vehicle") == "repair in vehicle"
    assert say_route_now("undecided", "remanufacture") == "undecided"  # says so itself
    assert say_worst("refer", "refer") == ""
    assert say_worst("repair_in_vehicle", "remanufacture", None, by) == f"at worst remanufacture ({by})"
    both = say_worst("repair_in_vehicle", "refer", "remanufacture", by)
    assert both.startswith(f"at worst remanufacture ({by}); the circuit class") and "may refer it" in both
    alone = say_worst("repair_in_vehicle", "refer", "repair_in_vehicle")
    assert alone.startswith("no worse by the damage; the circuit class") and "at worst" not in alone


def test_a_sound_assembly_of_an_open_class_is_not_returned_to_service_at_worst():
    """Nothing is damaged, but nothing is returned before the class is known; the list's doubt is said as the list's."""
    sound = say_worst("undecided", "refer", "return_to_service")
    assert "return to service" not in sound and sound.endswith(
        "not answered yet, may refer it to the maker's procedure"
    )
    listed = say_worst("repair_in_vehicle", "refer", "remanufacture", "", LIST_MAY_REFER)
    assert listed.startswith("at worst remanufacture; by the circuit list") and "not answered" not in listed


def test_an_interval_that_decides_nothing_is_counted_or_measured_by_hand():
    """In words, in the reader's unit; without a limit the width alone decides."""
    wide = Measure(value=76.2, u95=63.5)
    assert say_measured(wide, None) == "not measured well enough: between 13 and 140 mm; measure by hand"
    assert say_measured(wide, None, unit="in") == "not measured well enough: between 0.5 and 5.5 in; measure by hand"
    assert say_measured(Measure(value=54.2, u95=1.3), None, unit="in") == "2.13 ± 0.05 in"
    assert say_measured(wide, None, short=True) == "between 13 and 140 mm: measure by hand"
    assert say_measured(None, None) == "–"
    assert (
        say_counted(Count(value=3, low=0, high=42), None) == "not measured well enough: between 0 and 42; count by hand"
    )
    assert say_counted(Count(value=3, low=1, high=4), None) == "3 (1 to 4)"
    assert say_counted(None, None) == "–"


@pytest.mark.parametrize(
    ("measure", "said"),
    [
        (Measure(value=54.234, u95=1.32), "54.2 ± 1.3 mm"),
        (Measure(value=254.2, u95=14.2), "254 ± 14 mm"),
        (Measure(value=2.134, u95=0.051), "2.13 ± 0.05 mm"),
        (Measure(value=41.0, u95=2.0, low_bound=True), "≥ 39.0 mm (41.0 seen)"),
        (Measure(value=31.2, u95=117.0), "31 (0 to 148) mm"),
        (Measure(value=0.0, u95=3.0), "0.0 (0 to 3.0) mm"),
        (Measure(value=5.0, u95=20.0, low_bound=True), "5 mm seen, runs on"),
        (Measure(value=3.0, u95=3.0), "3.0 ± 3.0 mm"),
        (Measure(value=6, u95=0), "6 mm"),
        (None, "–"),
    ],
)
def test_a_measure_has_as_many_digits_as_its_uncertainty_carries(measure, said):
    """Written by hand."""
    assert say_measure(measure) == said


def test_a_plain_number_has_no_unit():
    """Unit "1" is not printed."""
    assert say_measure(Measure(value=0.83, u95=0.04), "1") == "0.83 ± 0.04"
    assert say_measure(Measure(value=0.966, u95=0), "1") == "97 %", "a share that is not the whole"
    assert say_limit(0.6, "1") == "60 %", "as the words beside it say the share"


def test_counted_things_are_whole_numbers_from_the_least_to_the_most():
    """What is measured in wires or splices."""
    assert say_measure(Measure(value=3.5, u95=1.5), "wires") == "2 to 5 wires"
    assert say_measure(Measure(value=1, u95=0), "splices") == "1 splice"
    assert (say_limit(1, "wires"), say_limit(6, "wires"), say_limit(1, "mm")) == ("1 wire", "6 wires", "1 mm")
    assert say_measure(Measure(value=2, u95=0, low_bound=True), "wires") == "≥ 2 wires"
    assert say_measure(Measure(value=2, u95=3), "wires") == "0 to 5 wires"  # a record of before the band was the span


def test_the_least_of_a_lower_bound_is_never_rounded_up():
    """41.06 - 2.0 = 39.06 and 41.09 - 2.0 = 39.09: 39.0 either way; a share has no unit."""
    for value in (41.06, 41.09):
        assert say_measure(Measure(value=value, u95=2.0, low_bound=True)).startswith("≥ 39.0 mm (41.1")
    assert say_measure(Measure(value=0.5, u95=0.2, low_bound=True), "1") == "≥ 0.3 (0.5 seen)"
    tenths = Measure(value=49.9, u95=5.2, low_bound=True)  # 44.699999999999996 to a machine
    assert say_measure(tenths) == "≥ 44.7 mm (49.9 seen)" and length(tenths) == "at least 44.7 mm (49.9 seen)"
    assert length(Measure(value=41.06, u95=2.0, low_bound=True)) == "at least 39 mm (41.1 seen)"
    assert length(Measure(value=62, u95=0, low_bound=True)) == "at least 62 mm"


def rule(id, title=""):
    """A rule that is violated."""
    return RuleResult(
        id=id, title=title, verdict="violated", measured=None, limit=None, unit=None, says="", source=""
    )  # fmt: skip


NAMED = [rule("wire-count", "Wires to repair"), rule("insulation-only", "Insulation worn, copper covered")]


def test_what_a_route_comes_from_is_said_in_the_words_of_the_rules():
    """Titles set off as names, as the list of rules has them; an open label in words."""
    assert say_by([], NAMED) == ""
    said = "by “Wires to repair”; “Insulation worn, copper covered”"
    assert say_by(["wire-count", "insulation-only"], NAMED) == said
    assert say_by(["label", "wire-count"], NAMED, undecided=True) == "waits for which damage it is; “Wires to repair”"


def test_a_rule_without_a_title_is_named_by_its_id():
    """As earlier versions wrote it; beside it a shop's own title."""
    own = [rule("wire-count", "OEM limit of wires"), rule("housing")]
    assert say_by(["wire-count", "housing"], own) == "by “OEM limit of wires”; “housing”"
    assert say_rule(own[1]) == "housing"


def test_an_id_stands_beside_a_title_only_where_it_says_something_else():
    """`Wires to repair` and `wire-count`; not `Housing` and `housing`, nor an id without a title twice."""
    assert say_rule_and_id(NAMED[0]) == "Wires to repair (wire-count)"
    assert say_rule_and_id(rule("earlier-repair", "Earlier repair")) == "Earlier repair"
    assert say_rule_and_id(rule("housing")) == "housing"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ("wire-count: above the limit: rebuilt", "“Wires to repair”: above the limit: rebuilt"),
        ("label: which rules hold", "which damage it is: which rules hold"),
        ("circuit list: size and fuse", "circuit list: size and fuse"),
    ],
)
def test_what_an_answer_changes_is_said_in_the_words_of_the_rules(changes, said):
    """What is no rule stays as it is."""
    assert say_changes(Question(ask="", why="", changes=changes), NAMED) == said


def test_a_count_shows_its_interval_only_when_open():
    """Between 3 and 5 wires, or exactly 3."""
    assert say_count(Count(value=4, low=3, high=5)) == "4 (3 to 5)"
    assert say_count(Count(value=3, low=3, high=3)) == "3"


def test_each_state_of_an_answer_has_its_words(drawn):
    """Sure, unsure, novel, unusable."""
    from desk.truth_findings import findings_from_truth

    sure = findings_from_truth(drawn.truth("a.jpg", [drawn.region("rodent", 300, 40)]))
    nothing = {"label": None, "probabilities": {}}
    assert say_answer(sure) == "rodent bites 100%"
    unsure = sure.model_copy(update={"unsure": True, "candidates": ["rodent", "abrasion"]})
    assert say_answer(unsure) == "unsure: rodent bites or abrasion"
    whole = sure.model_copy(update={"label": "sound", "unsure": True, "candidates": ["sound", "rodent"], "regions": []})
    whole = whole.model_copy(update={"probabilities": {"sound": 0.46, "rodent": 0.2}})
    assert say_answer(whole) == "no damage found, unsure (sound 46%)"
    broken = whole.model_copy(update={"probabilities": {"sound": 0.33, "connector": 0.35, "rodent": 0.1}})
    assert say_answer(broken) == "no place found, unsure (connector damage 35%, sound 33%)"
    level = whole.model_copy(update={"probabilities": {"sound": 0.36, "connector": 0.35, "rodent": 0.1}})
    assert say_answer(level) == "no place found, unsure (sound 36%, connector damage 35%)"
    assert say_answer(sure.model_copy(update=nothing | {"novel": True})) == "damage of a kind not known"
    assert say_answer(sure.model_copy(update=nothing | {"usable": False})) == "unusable, take it again"


def test_the_sources_of_an_uncertainty_are_said_with_their_unit():
    """Rounded to what they carry; nothing where none is known."""
    shares = [UncertaintyShare(name="where it ends", u95=12.4), UncertaintyShare(name="print scale", u95=0.52)]
    measure = Measure(value=100, u95=12.4, sources=shares)
    assert say_sources(measure) == "where it ends ± 12 mm, print scale ± 0.5 mm"
    assert say_sources(None) == say_sources(Measure(value=1, u95=1)) == ""


def test_labels_that_cannot_be_told_apart_are_listed_as_people_say_them():
    """One, two and three of them."""
    assert say_any_of(["abrasion"]) == "abrasion"
    assert say_any_of(["external_heat", "electrical_overload"]) == "external heat or electrical overload"
    assert say_any_of(["rodent", "abrasion", "sound"]) == "rodent bites, abrasion or sound"


ROOT = Path(__file__).parents[2]
_EITHER = re.compile(r"[A-Za-z]\((s|es|S|ES)\)")


def told(path):
    """What a file may say to people: of Python its strings, of a template all but what is filled in."""
    text = path.read_text("utf-8")
    if path.suffix == ".py":
        nodes = ast.walk(ast.parse(text))
        return [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return [re.sub(r"\{\{.*?\}\}|\{%.*?%\}", "", text, flags=re.DOTALL)]


def test_no_word_is_left_open_between_one_and_several():
    """`1 joint`, `2 joints`, nowhere joint with an s in brackets."""
    files = [f for room in ("desk", "models", "vision") for f in (ROOT / room).rglob("*")]
    files = [f for f in files if f.suffix in (".py", ".j2", ".html", ".toml")]
    assert len(files) > 200
    assert _EITHER.search("2 joint(s)") and not _EITHER.search("1 joint (side)")
    assert [f"{f.name}: {text}" for f in files for text in told(f) if _EITHER.search(text)] == []


@pytest.mark.parametrize(
    ("number", "said"),
    [(0, "0 joints"), (1, "1 joint"), (2, "2 joints"), ("between 1 and 2", "between 1 and 2 joints")],
)
def test_a_number_of_things_is_said_in_the_singular_or_the_plural(number, said):
    """One is one; none and an interval are several."""
    assert several(number, "joint") == said
    assert several(1, "assembly", "assemblies") + several(3, "assembly", "assemblies") == "1 assembly3 assemblies"


@pytest.mark.parametrize(("route", "high", "said"), [
    ("undecided", 0, "none found so far"), ("return_to_service", 0, "0"), ("undecided", 3, "0 (0 to 3)"),
])  # fmt: skip
def test_no_wire_found_is_no_number_while_more_may_be_damaged(route, high, said):
    """A 0 beside a route that is open reads as if nothing were to be repaired."""
    nothing = {key: [] for key in ("open_questions", "actions", "causes", "cautions", "rules")}
    count = Count(value=0, low=0, high=high)
    decision = Decision(route=route, route_worst="remanufacture", wires_to_repair=count, **nothing)
    assert said in say_to_repair(count, decision)


class TestAskedTogether:
    @staticmethod
    def _asked(*asks: str, why: str = "so") -> list[Question]:
        return [Question(ask=ask, why=why, changes="housing: a new one") for ask in asks]

    def _together(self, *asks: str) -> list[str]:
        return [one.ask for one in asked_together(self._asked(*asks))]

    def test_names_the_places_of_one_question_once(self) -> None:
        asks = self._together("t1: is it whole?", "At r1: is copper bare?", "t3: is it whole?")
        assert asks == ["t1, t3: is it whole?", "At r1: is copper bare?"]

    def test_keeps_photographs_apart(self) -> None:
        asks = self._together("b 1.jpg:t1: is it whole?", "b 1.jpg:t2: is it whole?", "b 2.jpg:t1: is it whole?")
        assert asks == ["b 1.jpg:t1, t2: is it whole?", "b 2.jpg:t1: is it whole?"]

    def test_takes_no_name_of_a_photograph_for_a_place(self) -> None:
        """Nor the first of several places that one question is about together."""
        asks = ["p1 left.jpg: is more damaged?", "p2 left.jpg: is more damaged?", "p1 left.jpg:t2: is it whole?"]
        asks += ["p2 left.jpg:t2: is it whole?", "Which of w1, w2 are one wire?", "Which of w3, w2 are one wire?"]
        assert self._together(*asks) == asks

    def test_joins_no_places_of_different_kinds(self) -> None:
        assert len(self._together("At r1: is copper bare?", "At s1: is copper bare?")) == 2

    def test_keeps_apart_what_is_asked_for_another_reason(self) -> None:
        questions = [*self._asked("t1: is it whole?"), *self._asked("t2: is it whole?", why="otherwise")]
        assert asked_together(questions) == questions

    @given(st.lists(st.sampled_from(["At r1: how?", "t1.jpg:t2: what?", "Which fuse?", "t12: what?", "t1: what?"])))
    def test_every_place_stays_named(self, asks: list[str]) -> None:
        together = "\n".join(self._together(*asks))
        assert all(re.search(rf"\b{place}\b", together) for ask in asks for place in re.findall(r"[rt]\d+(?=:)", ask))


@pytest.mark.parametrize(
    ("decided", "of_plan", "noun", "says"),
    [
        (6, 1, "question", "6 questions and 1 of the plan"),
        (1, 2, "open question", "1 open question and 2 of the plan"),
        (6, 0, "question", "6 questions"),
        (0, 1, "question", "1 question of the plan"),
        (6, 1, "", "6 and 1 of the plan"),
        (0, 2, "", "2 of the plan"),
    ],
)
def test_open_questions_are_counted_one_way(decided, of_plan, noun, says):
    """Those of the route, which every page shows, and beside them what only the plan asks."""
    assert say_asked(decided, of_plan, noun) == says


def test_a_question_that_an_older_order_asked_in_other_words_is_not_said_to_be_answered():
    """Labels were written by their codes, the list's fuses were asked about one by one; what is answered is."""

    def asked(rule, ask):
        return Question(ask=ask, why="?", changes=f"{rule}: what follows")

    before = [
        asked("label", "Which damage is photo 1:r0: connector, sound?"),
        asked("label", "Which damage is photo 2:r0: rodent, sound?"),
        asked("fuse-coordination", "Circuit C1: the list gives 30 A. Which fuse does the diagram call for?"),
        asked("circuit-class", "Which class are the circuits?"),
    ]
    now = [
        asked("label", "Which damage is photo 1:r0: connector damage, or sound?"),
        asked("fuse-coordination", "Circuit C1: 30 A in the circuit list. Which fuse does the diagram call for?"),
    ]
    assert asked_no_more(before, now) == [before[1], before[3]]
    assert asked_no_more(before, before) == [] and asked_no_more(before, []) == before
