"""Work orders from the desk: issued after the sign-off, kept as issued, printed with the photographs."""

import html
import io
import re

import pypdfium2
import pytest

from desk.errors import DeskError
from desk.records import tables
from desk.records.errors import NotFound
from desk.records.photo_store import hash_of
from desk.review.edits import EDIT
from desk.shop import order_ahead, orders, review
from desk.shop.errors import Invalid
from desk.shop.papers import ORDER, papers_for_page, papers_of
from tests.desk.signing import sign_off


@pytest.fixture
def assembly(shop, drawn, blank_photo):
    """An assembly with one bitten place that is assessed, its photograph in the store; number and hash."""
    assembly_id, file = shop.opened("W-1"), blank_photo()
    sha = hash_of(file)
    shop.desk.store.take_in(file, sha, ".jpg")
    known = drawn.truth("a.jpg", [drawn.region("rodent", 400, 40)])
    shop.assessed(assembly_id, sha, known)
    return assembly_id, sha


def signed_off(shop, assembly_id, sha, label="rodent"):
    """Name the place and sign the decision off."""
    with shop.desk.database.write() as session:
        person, seen = shop.accounts["reviewer"], review.newest_entry(session, assembly_id)
        edit = EDIT.validate_python({"kind": "relabel", "photo": sha, "region": "r0", "label": label})
        seen = review.put_on_record(session, shop.desk, person, assembly_id, edit, seen).id
        sign_off(session, shop.desk, person, assembly_id, seen)


def text_of(pdf):
    """All text of a PDF."""
    return "\n".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(io.BytesIO(pdf)))


def test_an_order_is_issued_after_the_sign_off_only(shop, assembly):
    """Before it the refusal says what to do; after it the assembly stands as ordered."""
    assembly_id, sha = assembly
    with shop.desk.database.write() as session, pytest.raises(Invalid, match="signed off"):
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
    signed_off(shop, assembly_id, sha)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
        assert session.get_one(tables.Standing, assembly_id).state == "ordered"


def test_an_order_stays_as_it_was_issued(shop, assembly):
    """The reviewer calls the place abrasion later: the first order still says rodent, a second one abrasion."""
    assembly_id, sha = assembly
    found = []
    for label in ("rodent", "abrasion"):
        signed_off(shop, assembly_id, sha, label)
        with shop.desk.database.write() as session:
            number = orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
        with shop.desk.database.read() as session:
            found.append(orders.order_sheet(session, shop.desk, number)[1])
            first = papers_of(session, assembly_id, ORDER)[-1].id
            assert text_of(orders.order_sheet(session, shop.desk, first)[1]) == text_of(found[0])
    assert "W-1" in text_of(found[0]) and "rodent" in text_of(found[0]).lower()
    assert text_of(found[0]) != text_of(found[1])


def test_the_pages_issue_and_show_it(shop, assembly):
    """The button appears after the sign-off; the address gives a PDF; a forged number leads nowhere."""
    assembly_id, sha = assembly
    browser = shop.browser("reviewer")
    assert "Issue the work order" not in browser.get(f"/assemblies/{assembly_id}").text
    signed_off(shop, assembly_id, sha)
    assert "Issue the work order" in browser.get(f"/assemblies/{assembly_id}").text
    answer = browser.post(f"/assemblies/{assembly_id}/orders")
    assert answer.status_code in (200, 303)
    with shop.desk.database.read() as session:
        number = papers_of(session, assembly_id, ORDER)[0].id
        with pytest.raises(NotFound):
            orders.order_sheet(session, shop.desk, number + 1000)
    assert f"/orders/{number}.pdf" in browser.get(f"/assemblies/{assembly_id}").text
    sheet = browser.get(f"/orders/{number}.pdf")
    assert sheet.headers["content-type"] == "application/pdf" and sheet.content.startswith(b"%PDF")
    assert browser.get(f"/orders/{number + 1000}.pdf").status_code == 404


@pytest.fixture
def unmeasured(shop, drawn, blank_photo):
    """An assembly with three wires bitten, nobody said which; both ends of each are known, so the route is settled."""
    assembly_id, file = shop.opened("W-2"), blank_photo()
    sha = hash_of(file)
    shop.desk.store.take_in(file, sha, ".jpg")
    bite = drawn.region("rodent", 400, 40).model_copy(update={"wires_affected": 3, "wire_ids": []})
    shop.assessed(assembly_id, sha, drawn.truth("a.jpg", [bite]))
    answered(shop, assembly_id, both_ends_identified={"r0": True})
    return assembly_id, sha


def answered(shop, assembly_id, **answers):
    """Put answers on record."""
    with shop.desk.database.write() as session:
        seen = review.newest_entry(session, assembly_id)
        edit = EDIT.validate_python({"kind": "answer", "answers": answers})
        review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, seen)


def read_page(shop, assembly_id):
    """The assembly's page as its reviewer reads it: without tags, blanks as one."""
    text = shop.browser("reviewer").get(f"/assemblies/{assembly_id}").text
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", text)).split())


def test_page_sign_off_and_printed_order_say_one_state(shop, unmeasured):
    """The route is settled, the plan waits for the wires: before the sign-off the review says how many questions are
    open, after it the page says what the order's head does, of the order to come and of the issued one."""
    assembly_id, sha = unmeasured
    head = "PROVISIONAL, 1 open question and 1 of the plan first. Route settled: repair in vehicle"
    ahead = shop.browser("reviewer").get(f"/api/v1/assemblies/{assembly_id}/review/order").json()
    assert (ahead["provisional"], ahead["says"], len(ahead["asks"])) == (True, head, 2)
    assert ahead["left_open"] == "1 question and 1 of the plan are open; the order will be provisional"
    before = read_page(shop, assembly_id)
    assert "PROVISIONAL" not in before and "Open questions 1, the cheapest first" in before
    signed_off(shop, assembly_id, sha)
    page = read_page(shop, assembly_id)
    assert f"The work order as the review stands: {head}" in page and "Open questions 1 and 1 of the plan" in page
    assert all(ask in page for ask in ahead["asks"])
    with shop.desk.database.write() as session:
        number = orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
    with shop.desk.database.read() as session:
        printed = " ".join(text_of(orders.order_sheet(session, shop.desk, number)[1]).split())
    assert head in printed
    signer = shop.accounts["reviewer"]
    assert re.search(
        rf"decided by, date {re.escape(signer.name or signer.login)}, \d{{4}}-\d\d-\d\d, signed off", printed
    )
    assert read_page(shop, assembly_id).count(head) == 2  # as the review stands, and as it was issued


def test_questions_read_as_one_are_counted_as_the_order_counts_them(shop, drawn, blank_photo):
    """Two places bitten, the same is asked of each: one line, and no other number than above."""
    assembly_id, file = shop.opened("W-3"), blank_photo()
    sha = hash_of(file)
    shop.desk.store.take_in(file, sha, ".jpg")
    bites = [drawn.region("rodent", 300, 40), drawn.region("rodent", 500, 40, "r1")]
    shop.assessed(assembly_id, sha, drawn.truth("a.jpg", bites))
    answered(shop, assembly_id, labels={"r1": "rodent"})
    signed_off(shop, assembly_id, sha)
    page = read_page(shop, assembly_id)
    assert "At r0, r1: are both ends of every damaged wire known" in page
    asked = re.search(r"PROVISIONAL, (\d+) open questions( and \d+ of the plan)? first", page)
    assert f"Open questions {asked[1]}{asked[2] or ''}, those in the same words as one" in page


def test_an_issued_order_keeps_its_state_while_the_page_follows_the_review(shop, unmeasured):
    """The fuse is answered after the order was issued: one question less in the review, none less in the order."""
    assembly_id, sha = unmeasured
    signed_off(shop, assembly_id, sha)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
    answered(shop, assembly_id, fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.5)
    page = read_page(shop, assembly_id)
    assert "as the review stands: PROVISIONAL, 1 open question of the plan first." in page
    assert page.count("PROVISIONAL, 1 open question and 1 of the plan first.") == 1
    assert "Asked there and open no more: 1 Which fuse" in page


def test_after_an_order_its_questions_stand_on_the_page_once(shop, unmeasured):
    """Under *Open questions*; beside the order stands how many they are. Why each is asked is said once, too."""
    assembly_id, sha = unmeasured
    signed_off(shop, assembly_id, sha)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
        asks = papers_for_page(session, assembly_id).asks
    page = read_page(shop, assembly_id)
    assert [page.count(text) for one in asks for text in (one.ask, one.why)] == [1] * 2 * len(asks) != []
    assert "asks 1 question and 1 of the plan ; those still open stand above" in page


def test_an_order_of_which_nothing_is_open_is_not_called_provisional(shop, unmeasured):
    """All answered and the wires measured: the same place says the route."""
    assembly_id, sha = unmeasured
    answered(shop, assembly_id, fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.5)
    with shop.desk.database.write() as session:
        seen = review.newest_entry(session, assembly_id)
        for number in range(3):
            wire = {"id": f"w{number}", "before_mm": 180, "damage_mm": 20, "after_mm": 800}
            edit = EDIT.validate_python({"kind": "measure_wire", "wire": wire})
            seen = review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, seen).id
        edit = EDIT.validate_python({"kind": "branches", "at_mm": []})
        review.put_on_record(session, shop.desk, shop.accounts["reviewer"], assembly_id, edit, seen)
    ahead = shop.browser("reviewer").get(f"/api/v1/assemblies/{assembly_id}/review/order").json()
    assert ahead == {"provisional": False, "says": "Route: repair in vehicle", "left_open": "", "asks": []}
    signed_off(shop, assembly_id, sha)
    assert "as the review stands: Route: repair in vehicle" in read_page(shop, assembly_id)


def test_the_order_ahead_is_made_once_for_what_it_follows_from(shop, unmeasured, monkeypatch):
    """A plan may take seconds: asked twice it is made once, and anew after an answer."""
    assembly_id, _ = unmeasured
    made = []
    make = order_ahead.make_order
    monkeypatch.setattr(order_ahead, "_kept", order_ahead._Kept())
    monkeypatch.setattr(order_ahead, "make_order", lambda *a, **more: made.append(1) or make(*a, **more))
    address, browser = f"/api/v1/assemblies/{assembly_id}/review/order", shop.browser("reviewer")
    assert browser.get(address).json() == browser.get(address).json() and len(made) == 1
    answered(shop, assembly_id, fuse_found_a=10.0, fuse_rated_a=10.0, wire_size_mm2=1.5)
    assert browser.get(address).status_code == 200 and len(made) == 2


def test_a_plan_that_fails_its_own_check_closes_neither_page_nor_review(shop, unmeasured, monkeypatch):
    """The page is shown without the order's state; asked for the order, the desk says what is wrong in a line."""
    assembly_id, sha = unmeasured
    monkeypatch.setattr(order_ahead, "_kept", order_ahead._Kept())

    def broken(*given, **more):
        raise DeskError("order: plan: expected joints that keep every limit, got w1")

    monkeypatch.setattr(order_ahead, "make_order", broken)
    signed_off(shop, assembly_id, sha)
    assert "Issue the work order" in read_page(shop, assembly_id)
    answer = shop.browser("reviewer").get(f"/api/v1/assemblies/{assembly_id}/review/order")
    assert answer.status_code == 422 and "expected joints that keep every limit" in answer.json()["error"]
    assert shop.browser("intake").get(f"/api/v1/assemblies/{assembly_id}/review/order").status_code == 403


def test_the_order_says_at_its_head_which_side_nobody_saw(shop, assembly):
    """Whoever works by the paper does not see the desk's pages; an order of before kept nothing and says nothing."""
    assembly_id, sha = assembly
    signed_off(shop, assembly_id, sha)
    with shop.desk.database.write() as session:
        number = orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
        sheet = text_of(orders.order_sheet(session, shop.desk, number)[1])
        assert "NOT SEEN: no usable photograph of the other face." in sheet and "of the first face" not in sheet
        row = session.get_one(tables.Paper, number)
        row.payload = {key: value for key, value in row.payload.items() if key != "unseen"}
        session.flush()
        assert "NOT SEEN" not in text_of(orders.order_sheet(session, shop.desk, number)[1])


def test_an_order_names_no_signer_for_what_was_said_after_the_sign_off(shop, assembly):
    """The first names who signed; another one after a later answer leaves the box to be signed by hand."""
    assembly_id, sha = assembly
    signed_off(shop, assembly_id, sha)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
    answered(shop, assembly_id, copper={"r0": "bare"})
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)
    with shop.desk.database.read() as session:
        second, first = papers_of(session, assembly_id, ORDER)
        sheets = [text_of(orders.order_sheet(session, shop.desk, one.id)[1]) for one in (first, second)]
    assert "signed off at the desk" in sheets[0] and "signed off at the desk" not in sheets[1]
