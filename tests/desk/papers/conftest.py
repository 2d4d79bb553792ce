"""An assembly on its way through the papers: ordered, quoted, agreed to, repaired."""

from datetime import date, timedelta

import pytest

from desk.records import tables
from desk.records.photo_store import hash_of
from desk.review.edits import EDIT
from desk.shop import orders, quotes, review
from tests.desk.signing import sign_off

TODAY = date(2026, 3, 5)  # a Thursday


@pytest.fixture
def ordered(shop, drawn, blank_photo):
    """An assembly whose order is issued: one bitten place, its wire measured; its number."""
    return _ordered(shop, drawn, blank_photo, measured=True)


@pytest.fixture
def unmeasured(shop, drawn, blank_photo):
    """The same with three wires bitten, and nobody said which."""
    return _ordered(shop, drawn, blank_photo, measured=False)


def _ordered(shop, drawn, blank_photo, measured):
    assembly_id, file = shop.opened("W-1", "LT 77"), blank_photo()
    sha = hash_of(file)
    shop.desk.store.take_in(file, sha, ".jpg")
    bite = drawn.region("rodent", 400, 40)
    if not measured:
        bite = bite.model_copy(update={"wires_affected": 3, "wire_ids": []})
    shop.assessed(assembly_id, sha, drawn.truth("a.jpg", [bite]))
    person = shop.accounts["reviewer"]
    edits = [
        {"kind": "confirm", "photo": sha, "region": "r0"},
    ]
    bench = [
        {"kind": "measure_wire", "wire": {"id": "w0", "before_mm": 180, "damage_mm": 20, "after_mm": 800}},
        {"kind": "branches", "at_mm": []},
    ]
    with shop.desk.database.write() as session:
        seen = None
        for edit in edits + (bench if measured else []):
            edit = EDIT.validate_python(edit)
            seen = review.put_on_record(session, shop.desk, person, assembly_id, edit, seen).id
        sign_off(session, shop.desk, person, assembly_id, seen)
        orders.issue_order(session, shop.desk, person, assembly_id)
    return assembly_id


@pytest.fixture
def quoted():
    """Quote what was ordered; the paper's number."""

    def quote(shop, assembly_id, today=TODAY):
        with shop.desk.database.write() as session:
            return quotes.issue_quote(session, shop.desk, shop.accounts["intake"], assembly_id, today)

    return quote


@pytest.fixture
def said():
    """Put an answer on record, as the counter types it."""

    def say(shop, assembly_id, quote, **changes):
        values = {"offer": "repair", "approved_by": "R. Tanner", "how": "telephone", "approved_on": "2026-03-06"}
        with shop.desk.database.write() as session:
            form = quotes.ApprovalForm(quote, **(values | changes))
            return quotes.approve(session, shop.accounts["intake"], assembly_id, form, TODAY + timedelta(days=3))

    return say


@pytest.fixture
def repaired(shop, ordered, drawn, blank_photo):
    """Photograph the finished repair: two sleeves or other regions and splices as given."""

    def make(regions=(), splices=(), number=7):
        known = drawn.truth("after.jpg", list(regions), list(splices))
        path = blank_photo(number, "after.jpg")
        sha = hash_of(path)
        shop.desk.store.take_in(path, sha, ".jpg")
        shop.assessed(ordered, sha, known)
        with shop.desk.database.write() as session:
            row = session.query(tables.Photograph).filter_by(sha256=sha).one()
            row.face = "after_repair"  # stands for a photograph that was sent so
        return ordered

    return make
