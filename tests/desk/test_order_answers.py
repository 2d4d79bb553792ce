"""The answers an order was decided with: each listed with its question, on paper, on screen and in JSON."""

import pytest

from desk.order_answers import QUESTIONS, answers_given, label_answered
from models.repair import Answers
from vision.findings import LABELS

EVERY = dict(
    circuit_class="brake_by_wire", labels={"r1": "external_heat"}, flex_test="no_cracks", parts_by_hand={"r1": "tears"},
    copper="bare", nicked_strands={"r1": 2}, broken_strands={"r1": 0}, both_ends_identified=False,
    overload_ends={"r1": "X_4 pin 2"}, distances_mm={"r1": 160.0, "s2": 152.4}, spacings_mm={"s1": 41.5},
    splice_origin={"s1": "factory"}, splices_on_one_wire=0, further_splices="some", housing_state={"h1": "sound"},
    looked_over="nothing_more", wire_count=3, fuse_found_a=20.0, fuse_rated_a=7.5, wire_size_mm2=0.35,
    load_current_a=4.0, circuit_length_mm=12345.6, same_damage_days=12,
    same_place={"b.jpg:r1": "a.jpg:r1"}, other_side={"c.jpg:r_2": "a.jpg:r1"},
)  # fmt: skip


def test_every_answer_that_can_be_given_is_listed_once_with_its_question_in_words():
    """One more answer in the rules without a question here would be lost on paper."""
    assert set(QUESTIONS) == set(Answers.model_fields) == set(EVERY)
    found = answers_given(Answers(**EVERY))
    assert [one.name for one in found if one.on != "s2"] == list(QUESTIONS) and len(found) == len(QUESTIONS) + 1
    assert all(one.question.endswith("?") and one.answer for one in found)


@pytest.mark.parametrize(
    ("name", "on", "said"),
    [("circuit_class", None, "brake by wire"), ("distances_mm", "s2", "152.4 mm"), ("broken_strands", "r1", "0"),
     ("both_ends_identified", None, "no"), ("splices_on_one_wire", None, "0"), ("fuse_rated_a", None, "7.5 A"),
     ("circuit_length_mm", None, "12345.6 mm"), ("overload_ends", "r1", "X_4 pin 2"),
     ("other_side", "c.jpg:r_2", "a.jpg:r1")],
)  # fmt: skip
def test_an_answer_reads_as_it_was_given_with_its_place_and_unit(name, on, said):
    """None counted is an answer, and so is no."""
    one = next(a for a in answers_given(Answers(**EVERY)) if (a.name, a.on) == (name, on))
    assert one.answer == said
    assert one.asked().startswith(f"{on}: " if on else QUESTIONS[name][0])


def test_what_nobody_answered_is_not_listed():
    """Nothing asked, nothing said; two answers give two lines."""
    assert answers_given(Answers()) == ()
    given = answers_given(Answers(copper={"r1": "covered", "r2": "bare"}))
    assert [(one.on, one.answer) for one in given] == [("r1", "covered"), ("r2", "bare")]


@pytest.mark.parametrize("own", [{}, {"r1": "green_corrosion"}])
def test_the_label_answered_is_read_back_from_the_words_of_the_order(own):
    """An order keeps words only; of a label of the shop's own they say by whose rules it is treated."""
    for label in LABELS:
        (one,) = answers_given(Answers(labels={"r1": label}), own)
        assert label_answered(one.answer) == label
    assert label_answered("") is None
