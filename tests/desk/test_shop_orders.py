"""Work orders from the desk: issued after the sign-off, kept as issued, printed with the photographs."""

import io

import pypdfium2
import pytest

from desk.records import tables
from desk.records.errors import NotFound
from desk.records.photo_store import hash_of
from desk.review.edits import EDIT
from desk.shop import orders, review
from desk.shop.errors import Invalid
from desk.shop.papers import ORDER, papers_of
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
