"""A reviewer says that a thing is no housing: what the pages show of it goes, and comes back with the answer."""

import pytest

from desk.learning.gather import _plain_for
from desk.overlay import shapes
from desk.review.edits import EditError
from desk.review.reviewed import fits, reviewed
from models.repair import Answers, load_rules
from vision.findings import RULER, Housing

RULES = load_rules()
NONE = Answers(circuit_class="none")
SAID = {"kind": "answer", "answers": {"housing_state": {"h0": "not_a_housing"}}}


@pytest.fixture
def boxed(seen, drawn):
    """A mended wire that seems to run into a housing h0, which is a box on the bench."""

    def make(name="a.jpg", sha="aaaa1111"):
        shell = Housing(
            id="h0", rings_px=[drawn.box(10, 220, 30, 40)], cracked=None, crack_length_mm=None, missing_area_mm2=None,
            displaced_terminals=None,
        )  # fmt: skip
        repair = drawn.region("earlier_repair", 440, 60)
        return seen(repair, splices=[drawn.sleeve(440, 200.0)], housings=[shell], name=name, sha=sha)

    return make


def asked(found, rule):
    """Whether a rule asks."""
    return any(question.changes.startswith(rule) for question in found.after.open_questions)


def layers(photo):
    """What is drawn over a photograph, by layer."""
    return {shape.layer for shape in shapes(photo) if shape.kind != "splice"}


def test_neither_it_nor_a_distance_to_it_is_shown_any_more(boxed, entry):
    """The distance is asked for; the originals stay; taken back, everything is as before."""
    photo, said = boxed(), entry(1, **SAID)
    found = reviewed([photo], [said], NONE, RULES)
    assert asked(reviewed([photo], [], NONE, RULES), "housing") and not asked(found, "housing")
    assert asked(found, "termination-distance") and found.after.route == "undecided"
    shown = found.photos[0]
    assert shown.regions[0].to_termination_mm is None and shown.splices[0].to_termination_mm is None
    assert {"terminations", "distances"} <= layers(photo) and not {"terminations", "distances"} & layers(shown)
    assert found.originals == [photo]
    back = reviewed([photo], [said, entry(2, kind="withdraw", entry=1)], NONE, RULES)
    assert back.photos == [photo] and back.after == back.before


def test_it_can_be_answered_anew(boxed, entry):
    """The later answer stands: sound after all."""
    sound = entry(2, kind="answer", answers={"housing_state": {"h0": "sound"}})
    found = reviewed([boxed()], [entry(1, **SAID), sound], NONE, RULES)
    assert found.photos == [boxed()] and not asked(found, "housing") and not asked(found, "termination-distance")


def test_a_distance_typed_by_the_reviewer_stands(boxed, entry):
    """Before or after the answer, and however sure the reviewer is: a person knows a housing from a box."""
    for u95 in (None, 0.0):
        typed = {
            "kind": "typed", "photo": "aaaa1111", "region": "r0", "field": "to_termination_mm", "value": 300.0,
            "u95": u95,
        }  # fmt: skip
        for first, second in ((typed, SAID), (SAID, typed)):
            found = reviewed([boxed()], [entry(1, **first), entry(2, **second)], NONE, RULES)
            measure = found.photos[0].splices[0].to_termination_mm
            assert measure.value == 300.0 and measure.sources[0].name == RULER
            assert not asked(found, "termination-distance")


def test_an_outline_drawn_anew_is_not_measured_to_it(boxed, drawn, entry):
    """The drawn outline's distance goes to the box, too."""
    redraw = {"kind": "redraw", "photo": "aaaa1111", "region": "r0", "rings_px": [drawn.box(460, 234, 60, 12)]}
    alone = reviewed([boxed()], [entry(1, **redraw)], NONE, RULES).photos[0]
    assert alone.splices[0].to_termination_id == alone.regions[0].to_termination_id == "h0"
    found = reviewed([boxed()], [entry(1, **SAID), entry(2, **redraw)], NONE, RULES)
    assert found.photos[0].regions[0].to_termination_mm is None and asked(found, "termination-distance")


def test_it_is_said_of_one_photograph_by_its_name(boxed, entry):
    """The housing of the other stays; the bare id would mean either and is refused."""
    photos = [boxed(), boxed("b.jpg", "bbbb2222")]
    one = entry(1, kind="answer", answers={"housing_state": {"bbbb2222:h0": "not_a_housing"}})
    found = reviewed(photos, [one], NONE, RULES)
    assert found.photos[0] == photos[0] and found.photos[1].terminations == []
    with pytest.raises(EditError, match="got an id in several photographs"):
        fits(photos, [], NONE, RULES, entry(1, **SAID))


def test_routes_learnt_from_know_that_it_is_none(boxed, entry):
    """Each photograph's own, under the name it has alone; other answers are not taken along."""
    photos = [boxed(), boxed("b.jpg", "bbbb2222")]
    said = {"b.jpg:h0": "not_a_housing", "a.jpg:h0": "sound"}
    one = entry(1, kind="answer", answers={"housing_state": said, "copper": "covered"})
    found = reviewed(photos, [one], NONE, RULES)
    taken = [_plain_for(photo, found.answers) for photo in found.photos]
    assert taken == [NONE, Answers(circuit_class="none", housing_state={"h0": "not_a_housing"})]
