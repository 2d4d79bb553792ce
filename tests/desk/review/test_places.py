"""Names of places over several photographs, answers that outlast a new photograph, wires measured with a ruler."""

import pytest

from desk.pages.review_state import layer_states
from desk.review import places
from desk.review.edits import EDIT, EditError
from desk.review.reviewed import fits, reviewed
from desk.wording import say_mark, say_places, say_step
from models.repair import Answers, load_rules
from vision.findings import Action, Measure

RULES = load_rules()
NONE = Answers(circuit_class="none")


def two(seen, drawn):
    """Two photographs that both have a place r0, named by their numbers."""
    photos = [
        seen(drawn.region("rodent", 300, 60)),
        seen(drawn.region("rodent", 400, 60), name="b.jpg", sha="bbbb2222"),
    ]
    return places.numbered(photos, {"aaaa1111": 1, "bbbb2222": 2})


def answer(**given):
    return EDIT.validate_python({"kind": "answer", "answers": given})


def test_every_sentence_names_the_photograph_by_its_number(seen, drawn):
    """Steps, questions and rules of the decision speak of photo 1 and photo 2, as the lists do."""
    photos = two(seen, drawn)
    found = reviewed(photos, [], NONE, RULES).after
    said = [say_places(q.ask) for q in found.open_questions] + [say_places(step.why) for step in found.actions]
    assert any("photo 2 · r0" in text for text in said)
    assert not any("a.jpg" in text or "photo 1:" in text for text in said)
    assert places.place_name(photos[1], "r0", True) == "photo 2 · r0"
    assert places.place_name(photos[1], "r0", False) == "r0"


def test_a_distance_too_wide_to_use_is_told_over_its_line_in_no_number(seen, drawn):
    """0 to 303 mm, in the reader's inches 0 to 11.9: to be measured by hand, as the place's own row says it."""
    photo = seen(drawn.region("rodent", 300, 60))
    wide = photo.regions[0].model_copy(update={"to_termination_mm": Measure(value=143.0, u95=160.0)})
    found = reviewed([photo.model_copy(update={"regions": [wide]})], [], NONE, RULES)
    (line,) = [one for one in layer_states(found.photos[0], found, "in") if one["layer"] == "distances"]
    assert line["title"] == "r0 to termination: not measured well enough: between 0.0 and 11.9 in; measure by hand"


def test_an_answer_still_counts_after_one_more_photograph(seen, drawn, entry):
    """Given on the only photograph under the bare name, it is kept under the hash and found again on two."""
    one = places.numbered([seen(drawn.region("rodent", 300, 60))], {"aaaa1111": 1})
    kept = places.lasting(answer(copper={"r0": "damaged"}), one)
    assert kept.answers.copper == {"aaaa1111:r0": "damaged"}
    made = entry(1, **kept.model_dump(exclude_defaults=False))
    for photos in (one, two(seen, drawn)):
        found = reviewed(photos, [made], NONE, RULES)
        assert found.set_aside == []
        assert list(found.answers.copper.values()) == ["damaged"]


def test_an_answer_of_the_first_version_is_read_by_its_file_name():
    """It was kept under `a.jpg:r0`; names of no file stay as they are."""
    edit = places.by_hash(answer(distances_mm={"a.jpg:r0": 40.0, "r7": 1.0}), {"a.jpg": "aaaa1111ffff"})
    assert edit.answers.distances_mm == {"aaaa1111:r0": 40.0, "r7": 1.0}


def test_a_label_answered_to_a_question_can_be_named_anew(seen, drawn, entry):
    """The answer names the place itself, so that a later label stands above it."""
    photo = seen(drawn.region("rodent", 300, 60))
    answered = entry(1, kind="answer", answers={"labels": {"r0": "abrasion"}})
    found = reviewed([photo], [answered], NONE, RULES)
    assert found.photos[0].label == "abrasion" and found.judged == ["aaaa1111:r0"]
    again = entry(2, kind="relabel", photo="aaaa1111", region="r0", label="external_heat")
    assert reviewed([photo], [answered, again], NONE, RULES).photos[0].label == "external_heat"


def wire(id="w0", **more):
    return {"id": id, "before_mm": 300.0, "damage_mm": 45.0, "after_mm": 555.0} | more


def test_a_wire_measured_again_stands_in_its_former_place(seen, drawn, entry):
    """What was before is kept in the change; branch points are sorted; taken back, nothing is noted."""
    photo = seen(drawn.region("rodent", 300, 60))
    entries = [
        entry(1, kind="measure_wire", wire=wire()),
        entry(2, kind="measure_wire", wire=wire(damage_mm=50.0)),
        entry(3, kind="branches", at_mm=[450.0, 100.0]),
    ]
    found = reviewed([photo], entries, NONE, RULES)
    assert [one.damage_mm for one in found.notes.wire] == [50.0]
    assert found.notes.branch_points_mm == (100.0, 450.0)
    assert [(c.field, c.before and c.before["damage_mm"]) for c in found.changes[:2]] == [
        ("wire w0", None), ("wire w0", 45.0)
    ]  # fmt: skip
    back = [*entries, *(entry(n + 3, kind="withdraw", entry=n) for n in (1, 2, 3))]
    assert reviewed([photo], back, NONE, RULES).notes.wire == ()


def test_an_end_is_noted_under_the_name_that_the_plan_gives_it(seen, drawn, entry):
    """Alone by its id, of several photographs with the photograph; a later name stands; no end there: set aside."""
    one, other = (
        seen(drawn.region("rodent", 300, 60), name=f"{sha[0]}.jpg", sha=sha) for sha in ("aaaa1111", "bbbb2222")
    )
    end = one.terminations[0].id
    named = [entry(n, kind="name_end", photo="aaaa1111", end=end, connector=f"X{n}") for n in (1, 2)]
    found = reviewed([one], named, NONE, RULES)
    assert found.notes.connectors == {end: "X2"}
    assert [(c.field, c.region, c.before, c.after) for c in found.changes] == [
        ("connector", end, None, "X1"), ("connector", end, "X1", "X2")
    ]  # fmt: skip
    assert reviewed([one, other], named, NONE, RULES).notes.connectors == {f"{one.photo.name}:{end}": "X2"}
    lost = reviewed([one], [entry(1, kind="name_end", photo="aaaa1111", end="t77", connector="X1")], NONE, RULES)
    assert lost.notes.connectors == {} and "got t77: reload the page" in lost.set_aside[0].reason


@pytest.mark.parametrize(
    ("given", "says"),
    [({"joints_mm": [2000.0]}, "within its 900 mm"), ({"colour": "XX"}, "wire w0"), ({"size_mm2": 0.123}, "wire w0")],
)
def test_a_wire_that_cannot_be_is_refused(seen, drawn, entry, given, says):
    """One line that names the wire."""
    photo = seen(drawn.region("rodent", 300, 60))
    with pytest.raises(EditError, match=says):
        fits([photo], [], NONE, RULES, entry(1, kind="measure_wire", wire=wire(**given)))


def test_a_step_says_its_place_once():
    """Where the reason names it already, it is not said before it too."""
    said = say_step(Action(action="open_covering", on="r1", why="r1: damage runs on"))
    assert said == ("open covering", "r1: damage runs on")
    assert say_step(Action(action="replace_housing", on="h0", why="r1: cracked"))[1] == "h0; r1: cracked"
    assert say_step(Action(action="check_fuse", on="r1", why="A wire overheats."))[1] == "r1. A wire overheats."


def test_an_unsure_label_is_said_with_what_it_may_be_instead():
    """Never the label alone."""
    mark = {"label": "rodent", "unsure": True, "novel": False, "candidates": ["rodent", "abrasion"]}
    assert say_mark(mark) == "unsure: rodent bites or abrasion"
    assert say_mark(mark | {"unsure": False}) == "rodent bites"
