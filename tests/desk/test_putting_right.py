"""Photographs moved to another face or taken back at intake, an intake put right: what counts and is said then."""

import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from desk.errors import DeskError
from desk.learning.gather import gather, refuse_taken_back, sent_under_several
from desk.learning.learner import _done
from desk.learning.model_commands import compare
from desk.learning.runs import Task
from desk.records import tables
from desk.records.columns import now
from desk.records.errors import NotFound
from desk.review.edits import EDIT
from desk.shop import opinions, orders, putting_right, review
from desk.shop.assemblies import IntakeForm, newest_intake
from desk.shop.errors import Invalid
from desk.shop.evidence import evidence_of
from desk.shop.looking_back import figures_of, places_named
from desk.shop.recurrence import earlier_visits
from desk.shop.sheet import sheet_of
from tests.desk.signing import sign_off

FIRST, SECOND = "a" * 64, "b" * 64


@pytest.fixture
def two(shop, drawn):
    """An assembly with a bitten and a fused photograph, as a new one each time; its number."""

    def make(shop_order="A-1", shas=(FIRST, SECOND)):
        assembly_id = shop.opened(shop_order)
        kinds = {FIRST: "rodent", SECOND: "external_heat"}
        for sha in shas:
            regions = [drawn.region(kinds[sha], 400, 40)]
            shop.assessed(assembly_id, sha, drawn.truth(f"{sha[0]}.jpg", regions))
        return assembly_id

    return make


def photograph_id(shop, assembly_id, sha):
    with shop.desk.database.read() as session:
        return session.query(tables.Photograph).filter_by(assembly_id=assembly_id, sha256=sha).one().id


def change(shop, what, assembly_id, sha, *said):
    number = photograph_id(shop, assembly_id, sha)
    with shop.desk.database.write() as session:
        getattr(putting_right, what)(session, shop.desk, shop.accounts["intake"], assembly_id, number, *said)


def said(shop, assembly_id, *edits):
    """Put edits on record, each by the reviewer who has seen the one before; the newest one's number."""
    with shop.desk.database.write() as session:
        seen = review.newest_entry(session, assembly_id)
        for edit in edits:
            edit = EDIT.validate_python(edit)
            person = shop.accounts["reviewer"]
            seen = review.put_on_record(session, shop.desk, person, assembly_id, edit, seen).id
    return seen


def signed(shop, assembly_id):
    with shop.desk.database.write() as session:
        found = review.review_of(session, shop.desk, assembly_id)
        stand = [f"{p.photo.sha256}:{r.id}" for p in found.photos for r in p.regions]
        seen = review.newest_entry(session, assembly_id)
        sign_off(session, shop.desk, shop.accounts["reviewer"], assembly_id, seen, stand)


def standing(shop, assembly_id):
    with shop.desk.database.read() as session:
        row = session.get_one(tables.Standing, assembly_id)
        return row.state, row.route, row.route_worst, row.labels, row.photographs


def sheet(shop, assembly_id):
    with shop.desk.database.read() as session:
        return sheet_of(session, assembly_id)


def test_another_face_is_the_one_that_counts_and_the_record_says_who_changed_it(shop, two):
    """The face it was sent under stays in its row; what is missing and the review go by the new one."""
    number = two()
    assert sheet(shop, number).missing_faces == ["face_b", "close_up"]
    change(shop, "change_face", number, SECOND, "face_b")
    change(shop, "change_face", number, SECOND, "face_b")  # pressed twice: once on record
    found = sheet(shop, number)
    assert found.missing_faces == ["close_up"]
    assert [(one.by, one.says) for one in found.put_right] == [
        ("The intake", "photo 2 is the other face (was: first face)")
    ]
    with shop.desk.database.read() as session:
        assert session.query(tables.Photograph).filter_by(sha256=SECOND).one().face == "face_a"
        assert review.unseen_faces(session, number, review.review_of(session, shop.desk, number)) == []


def test_a_photograph_taken_back_counts_for_nothing_until_it_is_put_back(shop, two):
    """Route, labels and places are those of the other one; its file, number and reason stay."""
    number = two()
    both = standing(shop, number)
    assert both[3] == ["rodent", "external_heat"]
    change(shop, "take_back", number, FIRST, "  shows another assembly ")
    assert standing(shop, number)[3:] == (["external_heat"], 1)
    first, second = sheet(shop, number).photographs
    assert (first.row.counts, first.why_back, first.number, second.number) == (False, "shows another assembly", 1, 2)
    with shop.desk.database.read() as session:
        assert [p.photo.name for p in review.review_of(session, shop.desk, number).photos] == ["photo 2"]
    with pytest.raises(Invalid, match="taken back already"):
        change(shop, "take_back", number, FIRST, "again")
    with pytest.raises(Invalid, match="put it back first"):
        change(shop, "change_face", number, FIRST, "face_b")
    change(shop, "put_back", number, FIRST)
    assert standing(shop, number) == both
    with pytest.raises(Invalid, match="got one that counts"):
        change(shop, "put_back", number, FIRST)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(course=st.lists(st.tuples(st.sampled_from([FIRST, SECOND]), st.sampled_from("bofc")), max_size=6))
@pytest.mark.looks
def test_an_assembly_stands_as_if_only_what_counts_had_ever_been_sent(shop, two, course):
    """Whatever was taken back, put back or moved on the way: state, route and labels follow from what is left."""
    number = two(f"L-{len(shop.browser('intake').get('/api/v1/assemblies').text)}-{hash(str(course)) % 10**6}")
    counts = {FIRST: True, SECOND: True}
    for sha, what in course:
        if what == "b" and counts[sha]:
            change(shop, "take_back", number, sha, "wrong one")
            counts[sha] = False
        elif what == "o" and not counts[sha]:
            change(shop, "put_back", number, sha)
            counts[sha] = True
        elif what in "fc" and counts[sha]:
            change(shop, "change_face", number, sha, {"f": "face_b", "c": "close_up"}[what])
    left = [sha for sha, here in counts.items() if here]
    fresh = two(f"F-{number}", left)
    assert standing(shop, number) == standing(shop, fresh)


def test_without_a_reason_or_of_another_assembly_nothing_is_taken_back(shop, two):
    """Each is one clear line, and no row is written."""
    number, other = two(), shop.opened("B-2")
    for why in ("", "   ", "x" * 201):
        with pytest.raises(Invalid, match="why it is taken back"):
            change(shop, "take_back", number, FIRST, why)
    with pytest.raises(NotFound, match="photograph of this assembly"), shop.desk.database.write() as session:
        wrong = photograph_id(shop, number, FIRST)
        putting_right.take_back(session, shop.desk, shop.accounts["intake"], other, wrong, "wrong one")
    with pytest.raises(Invalid, match="face: expected face_a"):
        change(shop, "change_face", number, FIRST, "front")
    with shop.desk.database.read() as session:
        assert session.query(tables.PhotographChange).count() == 0


def test_what_was_said_of_a_photograph_taken_back_is_set_aside_with_the_reason(shop, two):
    """Names, measures and answers about its places; those about the other one go on, and all count again afterwards."""
    number = two()
    said(
        shop, number,
        {"kind": "relabel", "photo": FIRST, "region": "r0", "label": "abrasion"},
        {"kind": "confirm", "photo": SECOND, "region": "r0"},
        {"kind": "answer", "answers": {"copper": {"photo 1:r0": "bare"}}},
    )  # fmt: skip
    change(shop, "take_back", number, FIRST, "shows another assembly")
    with shop.desk.database.read() as session:
        found = review.review_of(session, shop.desk, number)
    assert found.judged == [f"{SECOND}:r0"] and len(found.set_aside) == 2
    assert {"taken back" in one.reason for one in found.set_aside} == {True}
    answer = shop.browser("reviewer").get(f"/api/v1/assemblies/{number}/review").json()
    assert [one["standing"] for one in answer["entries"]] == ["set aside", "", "set aside"]
    assert FIRST[:8] not in str(answer["entries"]), "nobody knows a photograph by its hash"
    page = shop.browser("reviewer").get(f"/assemblies/{number}/review").text
    first, second = (photograph_id(shop, number, sha) for sha in (FIRST, SECOND))
    assert "photo 1 taken back: shows another assembly" in page
    assert f"/photographs/{second}/small" in page and f"/photographs/{first}/small" not in page
    assert ["photo 1 · r0" in one["words"] for one in answer["entries"]] == [True, False, True]
    with pytest.raises(Invalid, match="counts for the decision"):
        said(shop, number, {"kind": "confirm", "photo": FIRST, "region": "r0"})
    change(shop, "put_back", number, FIRST)
    with shop.desk.database.read() as session:
        found = review.review_of(session, shop.desk, number)
    assert found.set_aside == [] and found.photos[0].label == "abrasion"


def test_after_the_sign_off_a_change_sends_it_back_to_review_and_says_so(shop, two):
    """For a face as for a photograph taken back; a signer who has not seen it is refused."""
    number = two()
    for what, more in (("change_face", ["face_b"]), ("take_back", ["shows another assembly"]), ("put_back", [])):
        signed(shop, number)
        assert standing(shop, number)[0] == "reviewed"
        with shop.desk.database.read() as session:
            before = review.newest_entry(session, number)
        change(shop, what, number, SECOND, *more)
        assert standing(shop, number)[0] == "to_review"
        assert sheet(shop, number).put_right[-1].says.endswith("; the signed-off decision went back to review")
        with pytest.raises(Invalid, match="a newer one"), shop.desk.database.write() as session:
            sign_off(session, shop.desk, shop.accounts["reviewer"], number, before)
    change(shop, "change_face", number, SECOND, "close_up")
    assert "went back" not in sheet(shop, number).put_right[-1].says, "it was not signed off again"


def test_the_evidence_names_each_change_in_its_turn_and_shows_what_was_taken_back(shop, two):
    """Who, when and why, between the entries of the review; places of the photograph are no longer listed."""
    number = two()
    said(shop, number, {"kind": "confirm", "photo": FIRST, "region": "r0"})
    change(shop, "take_back", number, FIRST, "shows another assembly")
    with shop.desk.database.read() as session:
        found = evidence_of(session, shop.desk, shop.accounts["reviewer"], number)
    assert [(one.who, one.what.split(" (")[0]) for one in found.happened] == [
        ("The reviewer", "photo 1 · r0: confirmed"),
        ("The intake", "photo 1 taken back: shows another assembly"),
    ]
    assert "taken back" in found.photos[0].face and found.photos[0].findings is None
    assert [place.region.label for place in found.places] == ["external_heat"]


def test_an_order_does_not_show_a_photograph_taken_back_and_keeps_those_it_shows(shop, two, monkeypatch):
    """What an order was issued on stays; a photograph sent later may still be put right; all of a closed one stays."""
    number = two()
    change(shop, "take_back", number, SECOND, "shows another assembly")
    signed(shop, number)
    monkeypatch.setattr("desk.shop.orders.files_of", lambda session, desk, assembly_id: {})  # nothing is printed here
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], number)
        order = session.query(tables.Paper).one()
        assert [one["photo"]["sha256"] for one in order.payload["photos"]] == [FIRST]
    for what, more in (("take_back", ["late"]), ("change_face", ["face_b"])):
        with pytest.raises(Invalid, match="got photo 1: work order 1 was issued on it"):
            change(shop, what, number, FIRST, *more)
    change(shop, "put_back", number, SECOND)
    assert standing(shop, number)[0] == "ordered"
    with shop.desk.database.write() as session:
        session.add(
            tables.Paper(assembly_id=number, kind="closing", number=1, payload={}, made_by=shop.accounts["reviewer"].id)
        )
    with pytest.raises(Invalid, match="the assembly is closed"):
        change(shop, "take_back", number, SECOND, "late")


def test_a_photograph_of_the_repair_sent_as_a_face_closes_the_order_once_it_is_moved(shop, two, drawn):
    """It leaves the decision and proves the repair; the other way round it leaves the closing. No sign-off falls."""
    number = two(shas=(FIRST,))
    signed(shop, number)
    with shop.desk.database.write() as session:
        issued = {"order": {}, "photos": [], "signed_off": None}
        person = shop.accounts["reviewer"].id
        session.add(tables.Paper(assembly_id=number, kind="order", number=1, payload=issued, made_by=person))
    shop.assessed(number, SECOND, drawn.truth("b.jpg", []))
    assert standing(shop, number)[4] == 2
    change(shop, "change_face", number, SECOND, "after_repair")
    with shop.desk.database.read() as session:
        before = putting_right.newest_findings(session, number).photos
        after = putting_right.newest_findings(session, number, after_repair=True).photos
    assert [p.photo.sha256 for p in before] == [FIRST] and [p.photo.sha256 for p in after] == [SECOND]
    entries = len(sheet(shop, number).put_right)
    change(shop, "take_back", number, SECOND, "blurred")
    with shop.desk.database.read() as session:
        assert putting_right.newest_findings(session, number, after_repair=True).photos == ()
        kinds = [row.kind for row in session.query(tables.ReviewEntry).order_by(tables.ReviewEntry.id)]
    assert kinds == ["sign_off", "put_right"] and len(sheet(shop, number).put_right) == entries + 1


def test_learning_uses_no_photograph_taken_back(shop, two):
    """Not the next corrected set, and no training from one kept before; under another assembly it may teach."""
    number, other = two(), two("B-2", (FIRST,))
    with shop.desk.database.read() as session:
        assert sent_under_several(session) == [FIRST]
    change(shop, "take_back", other, FIRST, "belongs to A-1")
    signed(shop, number)
    with shop.desk.database.read() as session:
        assert sent_under_several(session) == []
        kept = gather(session, shop.desk)
        refuse_taken_back(session, kept)
    assert {photo.sha256 for photo in kept.photos} == {FIRST, SECOND}
    change(shop, "take_back", number, SECOND, "shows another assembly")
    signed(shop, number)
    with shop.desk.database.read() as session:
        assert {photo.sha256 for photo in gather(session, shop.desk).photos} == {FIRST}
        with pytest.raises(DeskError, match=r"1 photograph taken back at intake since.*\(of A-1\)"):
            refuse_taken_back(session, kept)


def correct(shop, assembly_id, *form, **more):
    with shop.desk.database.write() as session:
        shown = newest_intake(session, assembly_id).id
        by = shop.accounts["intake"]
        putting_right.correct(session, shop.desk, by, assembly_id, IntakeForm(*form, **more), shown)


def test_a_mistyped_shop_order_is_put_right_and_frees_the_number(shop, two):
    """Lists find the assembly under the right one, the record keeps the wrong one, and its owner may come."""
    number = two("A-17")
    correct(shop, number, "A-71", "LT 1", "none")
    assert [one.says for one in sheet(shop, number).put_right] == ["intake corrected: shop order A-71 (was: A-17)"]
    rows = shop.browser("intake").get("/api/v1/assemblies?text=a-71").json()["rows"]
    assert [row["id"] for row in rows] == [number]
    other = shop.opened("A-17", "LT 2")
    assert other != number
    with pytest.raises(Invalid, match="got a 71, which is open already"):
        correct(shop, other, "a 71", "LT 2", "none")
    correct(shop, other, "a-17", "LT 2", "none")  # its own number, spelt otherwise


def test_a_shop_order_that_was_signed_off_stays(shop, two):
    """Also after it was sent back: papers and whoever learnt from it call it so."""
    number = two("A-17")
    signed(shop, number)
    change(shop, "take_back", number, SECOND, "shows another assembly")
    with pytest.raises(Invalid, match="expected A-17, under which the decision was signed off"):
        correct(shop, number, "A-71", "LT 1", "none")
    assert sheet(shop, number).assembly.shop_order == "A-17"


@pytest.mark.parametrize(
    ("form", "more", "state"),
    [
        (("A-1", "LT 1", "restraint"), {}, "to_review"),
        (("A-1", "LT 2", "none"), {}, "to_review"),
        (("A-1", "LT 1", "none"), {"customer_says": "it smelt"}, "reviewed"),
    ],
)
@pytest.mark.looks
def test_an_intake_corrected_after_the_sign_off_is_reviewed_again_where_it_decides(shop, two, form, more, state):
    """Class and vehicle (was it here before?) change the decision; what the customer says does not."""
    number = two()
    signed(shop, number)
    correct(shop, number, *form, **more)
    assert standing(shop, number)[0] == state


def test_the_same_file_as_another_face_says_under_which_it_is_here(shop, blank_photo):
    """Nothing is moved in silence, and one taken back is not put back in silence either."""
    number, path = shop.opened(), blank_photo()
    shop.sent(number, path, "face_a")
    assert shop.sent(number, path, "face_a").says == "kept, usable (it was here already)"
    again = shop.sent(number, path, "face_b")
    assert (again.face, again.says) == ("face_a", "it is here already as First face; change its face there")
    with shop.desk.database.read() as session:
        sha = session.query(tables.Photograph).one().sha256
    change(shop, "take_back", number, sha, "blurred")
    again = shop.sent(number, path, "face_a")
    assert (again.counts, again.says) == (False, "it is here already and was taken back; put it back there")


def test_pages_and_api_do_the_same_and_say_what_is_refused(shop, two):
    """The page comes back to the photograph; a refusal is a line on it."""
    number = two()
    one = photograph_id(shop, number, FIRST)
    browser, page = shop.browser("intake"), f"/assemblies/{number}/photographs"
    answer = browser.post(f"{page}/{one}/face", data={"face": "close_up"} | browser.form)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{page}#photo-{one}")
    answer = browser.post(f"{page}/{one}/take-back", data={"why": ""} | browser.form)
    assert answer.status_code == 422 and "why it is taken back: expected 1 to 200" in answer.text
    api = f"/api/v1{page}/{one}"
    assert browser.post(f"{api}/take-back", json={"why": "wrong one"}).json()["why_back"] == "wrong one"
    assert "does not count: wrong one" in browser.get(page).text
    state = browser.get(f"/api/v1/assemblies/{number}").json()
    assert [photo["counts"] for photo in state["photographs"]] == [False, True]
    assert [one["says"] for one in state["put_right"]][-1] == "photo 1 taken back: wrong one"
    assert browser.post(f"{page}/{one}/put-back", data=browser.form).status_code == 303
    assert browser.post(f"{api}/face", json={"face": "face_b"}).json()["face"] == "face_b"
    assert browser.post(f"{api}/put-back").status_code == 422
    row = browser.get(f"/api/v1/assemblies/{number}/intake").json()
    body = {"based_on": row["id"], "vehicle": "LT 1", "circuit_class": "none", "shop_order": "A-9"}
    assert browser.post(f"/api/v1/assemblies/{number}/intake", json=body).json()["shop_order"] == "A-9"


def test_figures_stand_where_all_photographs_of_an_old_sign_off_were_taken_back(shop, two):
    """Signed off before the records kept what was named, and nothing is left to read it from: it counts for nothing."""
    number = two()
    signed(shop, number)
    with shop.desk.database.write() as session:
        row = session.query(tables.ReviewEntry).filter_by(kind="sign_off").one()
        row.payload = {name: value for name, value in row.payload.items() if name != "named"}
    for sha in (FIRST, SECOND):
        change(shop, "take_back", number, sha, "shows another assembly")
    with shop.desk.database.read() as session:
        assert list(places_named(session, shop.desk)) == []
        figures_of(session, shop.desk)


def test_a_place_deleted_on_a_photograph_taken_back_is_no_word_on_agreement(shop, two):
    """A blind second name of it is compared with nothing."""
    number = two()
    said(shop, number, {"kind": "delete", "photo": FIRST, "region": "r0"})
    with shop.desk.database.write() as session:
        named = {f"{FIRST}:r0": "rodent", f"{SECOND}:r0": "abrasion"}
        opinions.give(session, shop.desk, shop.accounts["administrator"], number, named)
    signed(shop, number)
    with shop.desk.database.read() as session:
        assert [one.people for one in places_named(session, shop.desk)] == ["sound"]
    change(shop, "take_back", number, FIRST, "shows another assembly")
    signed(shop, number)
    with shop.desk.database.read() as session:
        assert list(places_named(session, shop.desk)) == []


@pytest.mark.parametrize("moved", [False, True])
def test_a_kept_set_is_refused_where_its_assembly_lost_a_photograph(shop, two, moved):
    """Taken back though it counts for another assembly, or found to show the repair."""
    number, other = two(), two("B-2", (FIRST,))
    change(shop, "take_back", other, FIRST, "belongs to A-1")
    signed(shop, number)
    with shop.desk.database.read() as session:
        kept = gather(session, shop.desk)
        refuse_taken_back(session, kept)
    if moved:
        change(shop, "change_face", number, FIRST, "after_repair")
    else:
        change(shop, "take_back", number, FIRST, "belongs to B-2 after all")
        change(shop, "put_back", other, FIRST)
    with shop.desk.database.read() as session, pytest.raises(DeskError, match=r"1 photograph .*\(of A-1\)"):
        refuse_taken_back(session, kept)


def test_no_model_is_compared_by_photographs_taken_back(shop, two, monkeypatch):
    """Neither as work of the desk nor by the command; what would be compared is never begun."""
    number = two()
    signed(shop, number)
    with shop.desk.database.read() as session:
        kept = gather(session, shop.desk)
    change(shop, "take_back", number, FIRST, "shows another assembly")
    monkeypatch.setattr("desk.learning.shelf.find_snapshot", lambda shelf, wanted: kept)
    monkeypatch.setattr("desk.learning.learner.find_snapshot", lambda shelf, wanted: kept)
    task = Task(1, "w", "compare", {"version": "x", "snapshot": kept.id, "scenes": 0})
    with pytest.raises(DeskError, match="1 photograph taken back"):
        _done(shop.desk, task, lambda *said: None)
    address = shop.desk.database.url.render_as_string(hide_password=False)
    with pytest.raises(DeskError, match="1 photograph taken back"):
        compare.callback("x", kept.id, 0, None, shop.desk.data, address)


@pytest.mark.parametrize(("form", "decides"), [(("A-1", "LT 1", "restraint"), True), (("A-9", "LT 1", "none"), False)])
def test_who_has_not_seen_a_corrected_class_signs_nothing_off(shop, two, form, decides):
    """The page still showed the route without it; what decides nothing holds nobody up."""
    number = two()
    with shop.desk.database.read() as session:
        found = review.review_of(session, shop.desk, number)
        stand = [f"{photo.photo.sha256}:{region.id}" for photo in found.photos for region in photo.regions]
        seen = review.newest_entry(session, number)
    correct(shop, number, *form)
    with shop.desk.database.write() as session:
        if decides:
            with pytest.raises(Invalid, match="a newer one"):
                sign_off(session, shop.desk, shop.accounts["reviewer"], number, seen, stand)
        else:
            sign_off(session, shop.desk, shop.accounts["reviewer"], number, seen, stand)
    assert "went back" not in sheet(shop, number).put_right[-1].says


def test_the_record_says_once_that_a_correction_sent_the_decision_back(shop, two):
    """On the page and in the evidence, with what was corrected."""
    number = two()
    signed(shop, number)
    correct(shop, number, "A-1", "LT 1", "restraint")
    words = sheet(shop, number).put_right[-1].says
    assert words.startswith("intake corrected: circuits ") and words.endswith("decision went back to review")
    with shop.desk.database.read() as session:
        found = evidence_of(session, shop.desk, shop.accounts["reviewer"], number)
    assert [one.what for one in found.happened if "corrected" in one.what] == [words]


def test_a_closed_assembly_stays_signed_off_when_its_vehicle_is_spelt_right(shop, two):
    """Nobody reviews it again: what it taught would be lost for good."""
    number = two()
    signed(shop, number)
    with shop.desk.database.write() as session:
        for kind in ("order", "closing"):
            person = shop.accounts["reviewer"].id
            session.add(tables.Paper(assembly_id=number, kind=kind, number=1, payload={}, made_by=person))
    correct(shop, number, "A-1", "LT 2", "none")
    assert "went back" not in sheet(shop, number).put_right[-1].says
    with shop.desk.database.read() as session:
        assert {photo.sha256 for photo in gather(session, shop.desk).photos} == {FIRST, SECOND}


def test_an_assembly_was_the_vehicles_that_its_intake_says_now(shop, two):
    """A vehicle put right is no earlier visit of the wrong one."""
    correct(shop, two(), "A-1", "LT 9", "none")
    with shop.desk.database.read() as session:
        assert earlier_visits(session, "LT 1", now()) == []
        assert [visit.shop_order for visit in earlier_visits(session, "LT 9", now())] == ["A-1"]


def test_a_photograph_taken_back_while_an_order_is_issued_waits_and_is_refused(shop, two, monkeypatch):
    """The order shows what counts, and what it shows stays."""
    number, begun, refused = two(), threading.Event(), []
    signed(shop, number)

    def files(session, desk, assembly_id):
        begun.set()
        late.join(1.0)  # it cannot end before the order is on record
        return {}

    def back():
        begun.wait(10)
        try:
            change(shop, "take_back", number, FIRST, "late")
        except Invalid as error:
            refused.append(str(error))

    late = threading.Thread(target=back)
    late.start()
    monkeypatch.setattr("desk.shop.orders.files_of", files)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], number)
    late.join()
    assert len(refused) == 1 and "work order 1 was issued on it" in refused[0]
    assert all(one.row.counts for one in sheet(shop, number).photographs)
