"""Every open question that an answer closes finds its field, whatever the photograph is called."""

import pytest

from desk.review.asked import asked
from models.repair import Answers, decide, load_rules
from models.repair.answers import answer_for

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


def test_a_question_that_only_a_photograph_answers_has_no_field(seen, drawn):
    """What lies under tape cannot be answered by a tick."""
    photo = seen(drawn.region("rodent", 300, 60, continues_under_covering=True))
    hidden = [q for q in decide([photo], Answers(), RULES).open_questions if q.changes.startswith("hidden-damage")]
    assert hidden and asked(hidden[0], RULES).fields == ()
