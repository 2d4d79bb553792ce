"""A label that the shop adds: from its own file into reviews and rules; taught, it is found and named."""

import html

import pytest

from desk.errors import DeskError
from desk.learning.gather import gather
from desk.learning.own_labels import add_label
from desk.order_model import Order
from desk.review.edits import EDIT
from desk.shop import review
from desk.shop.desk import open_desk
from desk.shop.errors import Invalid
from desk.shop.labels import read_labels
from desk.shop.orders import issue_order
from desk.shop.papers import ORDER, paper
from desk.truth_findings import findings_from_truth
from models.repair import Answers, decide, load_rules
from tests.desk.signing import sign_off


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("labels = 3", "and nothing else"),
        ("labels = [", "mend the file"),
        ('labels = ["Corrosion"]', "small letters"),
        ('labels = ["rodent"]', "rodent, which is there already"),
        ('labels = ["corrosion", "corrosion"]', "there already"),
        ('words = ["corrosion"]', "and nothing else"),
        ('labels = ["wire"]', "wire, which is there already"),
        ('labels = ["unjudged"]', "unjudged, which is there already"),
    ],
)
def test_a_wrong_file_of_labels_is_refused_in_one_line(tmp_path, text, reason):
    """Expected, got, what to do."""
    (tmp_path / "labels.toml").write_text(text)
    with pytest.raises(DeskError, match=reason) as error:
        read_labels(tmp_path)
    assert "\n" not in str(error.value)


def test_an_added_label_can_be_given_in_a_review_and_another_cannot(shop, drawn):
    """Without the file it is refused; with it, it stands in the review and on the list."""
    assembly_id = shop.opened("N-1")
    shop.assessed(assembly_id, "aaaa1111", drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    edit = EDIT.validate_python({"kind": "relabel", "photo": "aaaa1111", "region": "r0", "label": "corrosion"})
    reviewer = shop.accounts["reviewer"]
    with shop.desk.database.write() as session, pytest.raises(Invalid, match="expected a label of this desk"):
        review.put_on_record(session, shop.desk, reviewer, assembly_id, edit, None)
    (shop.desk.data / "labels.toml").write_text('labels = ["corrosion"]')
    again = open_desk(shop.desk.data, shop.desk.database.url.render_as_string(hide_password=False))
    with again.database.write() as session:
        done = review.put_on_record(session, again, reviewer, assembly_id, edit, None)
        assert done.review.photos[0].regions[0].label == "corrosion"
    again.database.close()


def test_how_to_treat_it_is_answered_and_the_place_keeps_its_name(shop, drawn):
    """The question says so; the route follows the answer; what is learnt later carries the shop's name. Named anew, it
    is asked again; a known name needs no such answer."""
    add_label(shop.desk, "analyst", "corrosion")
    assembly_id = shop.opened("N-2")
    shop.assessed(assembly_id, "aaaa2222", drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)]))
    reviewer = shop.accounts["reviewer"]

    def put(edit):
        with shop.desk.database.write() as session:
            seen = review.newest_entry(session, assembly_id)
            edit = EDIT.validate_python(edit)
            return review.put_on_record(session, shop.desk, reviewer, assembly_id, edit, seen).review

    def which(found):
        return [q.why for q in found.after.open_questions if "Which damage is r0" in q.ask]

    named = put({"kind": "relabel", "photo": "aaaa2222", "region": "r0", "label": "corrosion"})
    assert which(named) == ["No rule knows corrosion: it is treated like the one you choose, and keeps its name."]
    told = put({"kind": "answer", "answers": {"labels": {"r0": "abrasion"}}})
    assert told.photos[0].regions[0].label == "corrosion" and not which(told)
    assert (named.after.route, told.after.route) == ("undecided", "repair_in_vehicle")
    with shop.desk.database.write() as session:
        sign_off(session, shop.desk, reviewer, assembly_id, review.newest_entry(session, assembly_id))
    with shop.desk.database.read() as session:
        (photo,) = gather(session, shop.desk).photos
    assert [(p.label, p.verdict) for p in photo.places] == [("corrosion", "corrected")]
    add_label(shop.desk, "analyst", "fretting")
    anew = put({"kind": "relabel", "photo": "aaaa2222", "region": "r0", "label": "fretting"})
    assert which(anew) and anew.answers.labels == {}
    assert anew.treated == told.treated, "the entry goes on saying what it said then"
    known = put({"kind": "relabel", "photo": "aaaa2222", "region": "r0", "label": "rodent"})
    assert known.photos[0].regions[0].label == "rodent" and not which(known)


def test_record_evidence_and_order_say_how_the_label_of_the_shop_is_treated(shop, drawn, tmp_path):
    """Nobody said that external heat damaged it: the place is corroded, and the rules of external heat hold for it."""
    add_label(shop.desk, "analyst", "corrosion")
    assembly_id = shop.opened("N-3")
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    path = drawn.write_case(tmp_path, known)
    sha = drawn.sha(path)
    shop.desk.store.take_in(path, sha, ".jpg")
    shop.assessed(assembly_id, sha, known)
    reviewer = shop.accounts["reviewer"]
    for edit in (
        {"kind": "relabel", "photo": sha, "region": "r0", "label": "corrosion"},
        {"kind": "answer", "answers": {"labels": {"r0": "external_heat"}}},
    ):
        with shop.desk.database.write() as session:
            seen = review.newest_entry(session, assembly_id)
            review.put_on_record(session, shop.desk, reviewer, assembly_id, EDIT.validate_python(edit), seen)
    with shop.desk.database.write() as session:
        sign_off(session, shop.desk, reviewer, assembly_id, review.newest_entry(session, assembly_id))
        order = issue_order(session, shop.desk, reviewer, assembly_id)
    said = "by which rules is corrosion, a label of the shop's own, treated?"
    with shop.desk.database.read() as session:
        listed = Order.model_validate(paper(session, order, ORDER).payload["order"]).answers
    assert [(one.asked(), one.answer) for one in listed if one.name == "labels"] == [
        (f"r0: {said}", "those of external heat")
    ]
    browser = shop.browser("reviewer")
    for page in (f"/assemblies/{assembly_id}/evidence", f"/api/v1/assemblies/{assembly_id}/review"):
        text = html.unescape(browser.get(page).text)
        assert f"{said} those of external heat" in text and "what damaged this place" not in text


def test_rules_take_an_added_label_for_any_damage(drawn):
    """No rule knows corrosion: never back to service on it, undecided as with damage of a kind not known."""
    known = drawn.truth("a.jpg", [drawn.region("rodent", 300, 60)])
    added = findings_from_truth(drawn.truth("a.jpg", [drawn.region("corrosion", 300, 60)]))
    novel = findings_from_truth(known)
    novel = novel.model_copy(update={"regions": [novel.regions[0].model_copy(update={"novel": True, "label": None})]})
    rules, answers = load_rules(), Answers(circuit_class="none")
    got, expected = decide([added], answers, rules), decide([novel], answers, rules)
    assert got.route == expected.route == "undecided"
    assert any("Which damage is r0" in q.ask for q in got.open_questions)
    settled = decide([added], Answers(circuit_class="none", labels={"r0": "abrasion"}), rules)
    assert settled.route == "repair_in_vehicle"
