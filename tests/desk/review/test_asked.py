"""Every open question that an answer closes finds its field, whatever the photograph is called."""

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.review.asked import asked
from models.repair import Answers, decide, load_rules
from models.repair.answers import answer_for
from models.repair.words import LABEL_WORDS, choice_of, labels_in
from vision.findings import LABELS, Housing, Question

RULES = load_rules()


@pytest.mark.parametrize("names", [("a.jpg",), ("is a b: c (1).jpg", "where?.jpg")])
def test_answering_what_is_asked_closes_it(seen, drawn, names):
    """For each question of an unsure, bitten and mended assembly: the field's answer, and it is not asked again."""
    photos = []
    for i, name in enumerate(names):
        photo = seen(
            drawn.region("rodent", 300, 60, exposed_copper_mm=None),
            drawn.region("earlier_repair", 500, 60, "r1"),
            drawn.region("rodent", 700, 60, "r2", exposed_copper_mm=None),
            name=name, sha=f"{i}aaaaaaa", splices=[drawn.sleeve(500, None)],
        )  # fmt: skip
        unsure = photo.regions[0].model_copy(update={"unsure": True, "candidates": ["rodent", "external_heat"]})
        splice = photo.splices[0].model_copy(update={"origin": "unknown"})
        photos.append(photo.model_copy(update={"regions": [unsure, *photo.regions[1:]], "splices": [splice]}))
    questions = decide(photos, Answers(), RULES).open_questions
    kinds = set()
    for question in questions:
        found = asked(question, RULES)
        assert found.fields, question.ask
        field = found.fields[0]
        kinds.add(field.name)
        raw = field.choices[0][0] if field.kind == "choice" else {"text": "cavity 3"}.get(field.kind, 400)
        value = {"true": True, "false": False}.get(raw, raw)
        answers = Answers(**{field.name: {found.on: value} if found.on else value})
        assert answer_for(getattr(answers, field.name), found.on) == value
        again = decide(photos, answers, RULES).open_questions
        if len(found.fields) == 1:
            assert question.ask not in [q.ask for q in again], question.ask
    assert {"circuit_class", "labels", "both_ends_identified"} <= kinds


def test_every_state_that_a_housing_can_be_in_is_offered(seen, drawn):
    """None at all included, which asks no more about it."""
    shell = Housing(
        id="h0", rings_px=[drawn.box(10, 220, 30, 40)], cracked=None, crack_length_mm=None, missing_area_mm2=None,
        displaced_terminals=None,
    )  # fmt: skip
    photo = seen(housings=[shell])
    (question,) = (q for q in decide([photo], Answers(), RULES).open_questions if q.changes.startswith("housing"))
    (field,) = asked(question, RULES).fields
    states = get_args(get_args(Answers.model_fields["housing_state"].annotation)[1])
    assert [value for value, _ in field.choices] == list(states) and "not_a_housing" in states
    for state in states:
        again = decide([photo], Answers(housing_state={"h0": state}), RULES).open_questions
        assert question not in again


def test_a_question_that_only_a_photograph_answers_has_no_field(seen, drawn):
    """What lies under tape cannot be answered by a tick."""
    photo = seen(drawn.region("rodent", 300, 60, continues_under_covering=True))
    hidden = [q for q in decide([photo], Answers(), RULES).open_questions if q.changes.startswith("hidden-damage")]
    assert hidden and asked(hidden[0], RULES).fields == ()


@given(st.lists(st.sampled_from(LABELS), min_size=1, unique=True))
def test_the_labels_that_a_question_offers_are_read_back_from_its_words(labels):
    """As they are written now, in words, and as records hold them from before, by codes."""
    assert labels_in(choice_of(labels)) == labels
    assert labels_in(", ".join(label.replace("_", " ") for label in labels)) == labels


@pytest.mark.parametrize("says", ["connector damage, or sound", "connector, sound"])
def test_a_question_which_damage_it_is_offers_its_labels_in_words_first(says):
    """Written now or on record: what the photograph leaves open comes first, then every other damage."""
    question = Question(ask=f"Which damage is photo 2.jpg:r2: {says}?", why="", changes="label: which rules apply")
    found = asked(question, RULES)
    assert found.on == "photo 2.jpg:r2"
    assert found.fields[0].choices[:2] == (("connector", "connector damage"), ("sound", "sound"))
    assert dict(found.fields[0].choices) == LABEL_WORDS


def test_which_damage_it_is_is_asked_in_words(seen, drawn):
    """No code of a label stands in the question."""
    photo = seen(drawn.region("rodent", 300, 60))
    unsure = photo.regions[0].model_copy(update={"unsure": True, "candidates": ["rodent", "connector", "sound"]})
    questions = decide([photo.model_copy(update={"regions": [unsure]})], Answers(), RULES).open_questions
    assert "Which damage is r0: rodent bites, connector damage, or sound?" in [q.ask for q in questions]
