"""The file of open questions: whatever is asked, each line of it is read back as an answer of that name."""

import tomllib

import pytest

from desk.answers_file import answer_names, answers_template
from models.repair import Answers, load_rules
from vision.findings import Question

RULES = load_rules()


def asked(rule, on="photo 2.jpg:r1", ends=False):
    """A question in the words of the rules file."""
    limits = RULES.of(rule)
    words = limits.ask_ends if ends else limits.ask
    return Question(ask=words.replace("{on}", on), why="", changes=f"{rule}: something")


QUESTIONS = {
    "circuit-class": 'circuit_class = "none"',
    "wire-count": "wire_count = 2",
    "fused-insulation": 'parts_by_hand."photo 2.jpg:r1" = "parts"',
    "heat-aged": 'flex_test."photo 2.jpg:r1" = "cracks"',
    "overload-extent": 'overload_ends."photo 2.jpg:r1" = ""',
    "conductor-damage": 'copper."photo 2.jpg:r1" = "covered"',
    "termination-distance": 'distances_mm."photo 2.jpg:r1" = 2',
    "splice-spacing": 'spacings_mm."photo 2.jpg:r1" = 2',
    "splices-per-wire": "splices_on_one_wire = 2",
    "housing": 'housing_state."photo 2.jpg:r1" = "sound"',
    "earlier-repair": 'splice_origin."photo 2.jpg:r1" = "factory"',
}
"""Each question, and its line filled in."""


@pytest.mark.parametrize("rule", sorted(QUESTIONS))
def test_a_question_offers_the_line_that_answers_it(rule):
    """Written by hand; values that are typed get a 2."""
    text = answers_template("A 7", [asked(rule)], RULES)
    assert tomllib.loads(text) == {}
    line = next(line for line in text.splitlines() if " = " in line).removeprefix("#").split("    #")[0].rstrip()
    filled = line + " 2" if line.endswith("=") else line
    assert filled == QUESTIONS[rule]
    Answers(**tomllib.loads(filled))  # raises where name or value is none


def test_ends_labels_and_several_values_have_their_names():
    """Both ends of a wire; further sleeves; which damage it is; three numbers of a fuse."""
    assert answer_names(asked("conductor-damage", "r1", ends=True), RULES) == ["both_ends_identified.r1"]
    further = Question(ask=RULES.splice_spacing.ask_further, why="", changes="splice-spacing: something")
    assert answer_names(further, RULES) == ["further_splices"]
    which = Question(ask="Which damage is r1: rodent bites, or abrasion?", why="", changes="label: which rules apply")
    assert answer_names(which, RULES) == ["labels.r1"]
    assert answer_names(asked("fuse-coordination"), RULES) == ["fuse_found_a", "fuse_rated_a", "wire_size_mm2"]


def test_what_only_a_photograph_answers_says_so_and_no_line_stands_twice():
    """An open covering; the wire's size asked by two rules."""
    covering = asked("hidden-damage", "r1")
    assert "a new photograph answers this" in answers_template("A", [covering], RULES)
    drop = Question(ask="What load?", why="", changes="drop-budget: more joints")
    text = answers_template("A", [asked("fuse-coordination"), drop], RULES)
    assert text.count("#wire_size_mm2 =") == 1 and "as above: wire_size_mm2" in text


def test_answers_given_before_stand_in_the_new_file():
    """Numbers, words, truths, by place and for all: read back they are the same, whatever the places are called."""
    given = Answers(
        circuit_class="none", copper={"r1": "damaged", 'a "b" # ].jpg:r1': "bare", "c\x7f\n.jpg:r1": "covered"},
        both_ends_identified=True, distances_mm={"r1": 301.5}, wire_count=3, overload_ends={"r2": "X1, cavity 3"},
    )  # fmt: skip
    text = answers_template("A\x07\x1b 7", [asked("heat-aged", "r\x1b1")], RULES, given)
    assert Answers(**tomllib.loads(text)) == given
    assert "# answered before" in text and "# answered before" not in answers_template("A", [], RULES, Answers())


def test_a_question_in_the_words_of_other_rules_offers_no_answer_for_the_whole_assembly():
    """Its place cannot be told: one line would close every region. A place with a line break is told."""
    other = Question(ask="Look at r1: copper?", why="", changes="conductor-damage: something")
    assert answer_names(other, RULES) == []
    assert "#copper" not in answers_template("A", [other], RULES)
    assert answer_names(asked("conductor-damage", "a\nb.jpg:r1"), RULES) == ['copper."a\\nb.jpg:r1"']


def test_the_plans_questions_are_said_and_not_offered():
    """They are answered at the bench."""
    text = answers_template("A", [], RULES, others=[Question(ask="Which circuit is w1?", why="", changes="x")])
    assert "# Which circuit is w1?\n# (of the plan: answered with --bench or --circuits)" in text


def test_an_answer_whose_question_is_open_again_stands_once_in_that_questions_place():
    """A second line of the same name could not be read back."""
    given = Answers(copper={"photo 2.jpg:r1": "bare", "r2": "covered"})
    text = answers_template("A", [asked("conductor-damage")], RULES, given)
    assert 'copper."photo 2.jpg:r1" = "bare"    # answered before; or "covered", "damaged"' in text
    assert Answers(**tomllib.loads(text)) == given
