"""A reviewer says that two places are one: it holds until it is taken back, and goes with a place that goes."""

import tomllib

import pytest

from desk.answers_file import answers_template
from desk.pages.review_same import same_places
from desk.review.edits import EditError
from desk.review.places import lasting, present
from desk.review.reviewed import fits, reviewed
from models.repair import Answers, load_rules
from vision.findings import Missing

RULES = load_rules()
NONE = Answers(circuit_class="none")
SAID = {"kind": "answer", "answers": {"same_place": {"b.jpg:r0": "a.jpg:r0"}}}


@pytest.fixture
def twice(seen, drawn):
    """One bite in two photographs that nobody could join."""
    alone = [Missing(field="lay", reason="no other photograph shows the same sheet")]
    return [
        seen(drawn.region("rodent", 400, 60), name=name, sha=sha, missing=alone)
        for name, sha in (("a.jpg", "aaaa1111"), ("b.jpg", "bbbb2222"))
    ]


def named(found):
    """What the questions of a review are about, of the two places."""
    return {ref for q in found.after.open_questions for ref in ("a.jpg:r0", "b.jpg:r0") if ref in q.ask}


def test_what_is_asked_of_two_places_is_asked_once_when_they_are_one(twice, entry):
    """Taken back, both are asked about again; both stay in their photographs."""
    assert named(reviewed(twice, [], NONE, RULES)) == {"a.jpg:r0", "b.jpg:r0"}
    found = reviewed(twice, [entry(1, **SAID)], NONE, RULES)
    assert named(found) == {"a.jpg:r0"} and found.photos == twice
    back = reviewed(twice, [entry(1, **SAID), entry(2, kind="withdraw", entry=1)], NONE, RULES)
    assert named(back) == {"a.jpg:r0", "b.jpg:r0"} and back.after == back.before


def test_the_other_side_said_later_stands(twice, entry):
    """Said of one side first: the newer holds, and only it."""
    behind = entry(2, kind="answer", answers={"other_side": {"b.jpg:r0": "a.jpg:r0"}})
    found = reviewed(twice, [entry(1, **SAID), behind], NONE, RULES)
    assert not found.set_aside and not found.answers.same_place
    assert found.answers.other_side == {"b.jpg:r0": "a.jpg:r0"}


def test_it_goes_with_either_of_the_places(twice, entry):
    """A place that is deleted is no view of anything, and nothing is a view of it."""
    for sha in ("aaaa1111", "bbbb2222"):
        found = reviewed(twice, [entry(1, **SAID), entry(2, kind="delete", photo=sha, region="r0")], NONE, RULES)
        assert not found.answers.same_place and not found.set_aside


def test_a_place_named_by_another_view_of_it_is_refused(twice, entry, seen, drawn):
    """In one line, whether it is said after or before."""
    photos = [*twice, seen(drawn.region("rodent", 400, 60), name="c.jpg", sha="cccc3333")]
    chain = entry(2, kind="answer", answers={"same_place": {"a.jpg:r0": "c.jpg:r0"}})
    with pytest.raises(EditError, match=r"expected a place itself, got a\.jpg:r0, another view of c\.jpg:r0"):
        fits(photos, [entry(1, **SAID)], NONE, RULES, chain)
    after = entry(1, kind="answer", answers={"same_place": {"a.jpg:r0": "c.jpg:r0"}})
    with pytest.raises(EditError, match=r"expected a place itself, got a\.jpg:r0, another view of c\.jpg:r0"):
        fits(photos, [after], NONE, RULES, entry(2, **SAID))


def test_an_answer_at_odds_with_the_one_on_the_other_view_is_refused(twice, entry):
    """The review goes on with the first."""
    first = entry(2, kind="answer", answers={"copper": {"a.jpg:r0": "bare"}})
    other = entry(3, kind="answer", answers={"copper": {"b.jpg:r0": "covered"}})
    with pytest.raises(EditError, match=r"expected one answer for a\.jpg:r0 and b\.jpg:r0, which are one place"):
        fits(twice, [entry(1, **SAID), first], NONE, RULES, other)


def test_the_name_of_the_place_outlasts_one_more_photograph(twice, entry):
    """Both names are kept by the photographs' hashes."""
    kept = lasting(entry(1, **SAID).edit, twice)
    assert kept.answers.same_place == {"bbbb2222:r0": "aaaa1111:r0"}
    assert present(kept.answers, twice).same_place == {"b.jpg:r0": "a.jpg:r0"}


def test_the_page_offers_the_other_places_and_says_what_was_said(twice, entry):
    """Before: each may be the other. After: one is a view, and no pair is left."""
    before = reviewed(twice, [], NONE, RULES)
    places, perhaps = same_places(before, RULES)
    offered = places["bbbb2222:r0"]
    assert perhaps == [["a.jpg · r0", "b.jpg · r0"]]
    assert (offered["ref"], offered["of"]) == ("b.jpg:r0", None)
    assert offered["others"] == [{"ref": "a.jpg:r0", "name": "a.jpg · r0"}]
    after = reviewed(twice, [entry(1, **SAID)], NONE, RULES)
    places, perhaps = same_places(after, RULES)
    assert perhaps == []
    assert places["bbbb2222:r0"]["of"] == "a.jpg · r0" and not places["bbbb2222:r0"]["other_side"]
    assert places["aaaa1111:r0"]["viewed"] and places["aaaa1111:r0"]["of"] is None


def test_one_photograph_has_no_other_view(twice):
    """Nothing to choose from."""
    alone = reviewed(twice[:1], [], NONE, RULES)
    assert same_places(alone, RULES) == ({}, [])


def test_the_file_of_questions_asks_whether_both_are_one(twice):
    """The line is taken as it stands; answered, it is not asked again."""
    text = answers_template("A 7", [], RULES, NONE, photos=twice)
    line = next(one for one in text.splitlines() if one.startswith("#same_place")).removeprefix("#")
    given = Answers(**tomllib.loads(line))
    assert given.same_place == {"b.jpg:r0": "a.jpg:r0"}
    assert "one place seen twice" not in answers_template("A 7", [], RULES, given, photos=twice)


ADDED = {"kind": "add", "region": "n1", "label": "rodent", "rings_px": [[(10, 10), (60, 10), (60, 40)]]}
A, B = "aaaa1111", "bbbb2222"


def test_an_id_that_a_later_place_has_too_means_the_first_one(twice, entry):
    """A place added by the reviewer, answered about by its bare id; then one of that id in the other photograph."""
    first = entry(2, kind="answer", answers={"copper": {"n1": "bare"}})
    found = reviewed(twice, [entry(1, **ADDED, photo=A), first, entry(3, **ADDED, photo=B)], NONE, RULES)
    assert found.answers.copper == {"a.jpg:n1": "bare"} and not found.set_aside


def test_the_same_said_by_its_bare_id_and_by_its_name_is_said_once(twice, entry):
    """In either order."""
    keys = [
        entry(n, kind="answer", answers={"same_place": {key: "a.jpg:r0"}}) for n, key in ((2, "n1"), (3, "b.jpg:n1"))
    ]
    found = reviewed(twice, [entry(1, **ADDED, photo=B), *keys], NONE, RULES)
    assert found.answers.same_place == {"b.jpg:n1": "a.jpg:r0"} and not found.set_aside


def test_a_place_added_under_the_name_of_one_that_is_gone_is_another(twice, entry):
    """Nobody said of the new one that it is seen twice."""
    gone = entry(2, kind="delete", photo=B, region="r0")
    found = reviewed(twice, [entry(1, **SAID), gone, entry(3, **ADDED | {"region": "r0"}, photo=B)], NONE, RULES)
    assert not found.answers.same_place and named(found) == {"a.jpg:r0", "b.jpg:r0"}


def test_a_joint_that_goes_with_its_label_goes_from_the_answers(seen, drawn, entry):
    """Named anew in the answer that also tells one place's copper apart from all."""
    sleeve, bite = drawn.region("earlier_repair", 400, 60), drawn.region("rodent", 200, 60, id="r1")
    photo = seen(sleeve, bite, splices=[drawn.sleeve(400, 200.0)])
    joint = photo.splices[0].id
    first = entry(1, kind="answer", answers={"copper": "covered", "splice_origin": {joint: "repair"}})
    second = entry(2, kind="answer", answers={"labels": {"r0": "rodent"}, "copper": {"r1": "bare"}})
    found = reviewed([photo], [first, second], NONE, RULES)
    assert not found.answers.splice_origin and not found.set_aside


def test_what_a_place_was_answered_to_be_it_is_in_its_other_views(seen, drawn, entry):
    """A bite in one, heat in the other: asked, and the answer settles both."""
    photos = [
        seen(drawn.region(label, 400, 60), name=name, sha=sha)
        for label, name, sha in (("rodent", "a.jpg", A), ("external_heat", "b.jpg", B))
    ]
    labels = entry(2, kind="answer", answers={"labels": {"a.jpg:r0": "external_heat"}})
    asked = reviewed(photos, [entry(1, **SAID)], NONE, RULES)
    assert any(question.changes.startswith("label:") for question in asked.after.open_questions)
    for said in (labels, entry(2, kind="answer", answers={"labels": {"b.jpg:r0": "rodent"}})):
        found = reviewed(photos, [entry(1, **SAID), said], NONE, RULES)
        assert len({photo.regions[0].label for photo in found.photos}) == 1 and not found.after.contradicted
        assert not any(question.changes.startswith("label:") for question in found.after.open_questions)
