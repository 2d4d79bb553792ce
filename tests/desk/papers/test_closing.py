"""Closing an order by photographs of the repair and the bench, over pages and the API."""

import re
from datetime import date

import pytest

from desk.order_model import Order
from desk.records import tables
from desk.shop import closing, orders, putting_right
from desk.shop.errors import Invalid
from desk.shop.papers import CLOSING, NOT_CLOSED, ORDER, papers_of
from models.repair import Answers


def closed(shop, assembly_id, *told, **answers):
    with shop.desk.database.write() as session:
        return closing.close(
            session, shop.desk, shop.accounts["reviewer"], assembly_id, closing.Told(*told, Answers(**answers))
        )


def state(shop, assembly_id):
    with shop.desk.database.read() as session:
        return session.get_one(tables.Standing, assembly_id).state


def test_an_order_is_closed_by_photographs_and_the_bench(shop, repaired):
    """Without a count it stays open and that goes on record; counted and measured it is closed, and printed."""
    assembly_id = repaired()
    number, outcome = closed(shop, assembly_id, None, False)
    assert outcome.state == "open" and state(shop, assembly_id) == "ordered"
    with shop.desk.database.read() as session:
        joints = closing.closing_sheet(session, shop.desk, assembly_id).order.work.plan.joints
    number, outcome = closed(shop, assembly_id, joints, True)
    assert outcome.state == "closed" and state(shop, assembly_id) == "closed"
    with shop.desk.database.read() as session:
        kinds = [row.kind for row in papers_of(session, assembly_id, CLOSING, NOT_CLOSED)]
        pdf = closing.closing_sheet_pdf(session, shop.desk, number)[1]
    assert kinds == [CLOSING, NOT_CLOSED] and pdf.startswith(b"%PDF")


def test_damage_still_seen_keeps_the_order_open_until_somebody_looked(shop, repaired, drawn):
    """The photograph shows bites: not met. Looked at and sound: closed; the answer stands in the paper."""
    assembly_id = repaired([drawn.region("rodent", 300, 40)])
    with shop.desk.database.read() as session:
        joints = closing.closing_sheet(session, shop.desk, assembly_id).order.work.plan.joints
    assert closed(shop, assembly_id, joints, True)[1].state == "not_met"
    given = closing.answers_from({"labels|r0": "sound", "joints": "2", "looked_over|": ""})
    assert given.labels == {"r0": "sound"}
    number, outcome = closed(shop, assembly_id, joints, True, labels={"r0": "sound"}, looked_over="nothing_more")
    assert outcome.state == "closed", outcome.unmet
    with shop.desk.database.read() as session:
        assert session.get_one(tables.Paper, number).payload["answers"]["labels"] == {"r0": "sound"}


def test_lengths_typed_in_inches_are_kept_in_millimetres():
    """6 in are 152.4 mm by the inch's definition; counts, amperes and areas are what they are."""
    typed = {"distances_mm|r0": "6", "spacings_mm|s1": "1,5", "wire_count|": "2", "fuse_found_a|": "10"}
    given = closing.answers_from(typed, 25.4)
    assert (given.distances_mm, given.spacings_mm) == ({"r0": 152.4}, {"s1": 38.1})
    assert (given.wire_count, given.fuse_found_a) == (2, 10.0)


def test_nothing_is_closed_without_a_photograph_of_the_repair(shop, ordered):
    """It says which to send."""
    with pytest.raises(Invalid, match="after the repair"):
        closed(shop, ordered, 2, True)


def ordered_again(shop, assembly_id):
    with shop.desk.database.write() as session:
        return orders.issue_order(session, shop.desk, shop.accounts["reviewer"], assembly_id)


def test_a_photograph_from_before_the_newest_order_closes_nothing(shop, repaired):
    """A photograph of an earlier repair, then a new order: it is listed with why, and nothing goes on record."""
    assembly_id = repaired()
    ordered_again(shop, assembly_id)
    with pytest.raises(Invalid, match=r"got only photo 2, received before the order of \d{4}-\d\d-\d\d"):
        closed(shop, assembly_id, 2, True)
    with shop.desk.database.read() as session:
        sheet = closing.closing_sheet(session, shop.desk, assembly_id)
        assert papers_of(session, assembly_id, CLOSING, NOT_CLOSED) == []
    assert sheet.photos == () and sheet.outcome is None and [one.number for one in sheet.not_counted] == [2]
    page = shop.browser("reviewer").get(f"/assemblies/{assembly_id}/closing").text
    assert "These do not count" in page and "photograph the finished repair again" in page
    assert "What the photographs prove so far" not in page


def test_only_photographs_since_the_newest_order_are_held_against_it(shop, repaired, drawn):
    """The old one shows bites and would keep the order open; the new one is clean and closes it alone.

    The paper names the one that did not count.
    """
    assembly_id = repaired([drawn.region("rodent", 300, 40)])
    ordered_again(shop, assembly_id)
    repaired(number=9)
    number, outcome = closed(shop, assembly_id, 2, True)
    assert outcome.state == "closed", outcome.unmet
    with shop.desk.database.read() as session:
        held = session.get_one(tables.Paper, number).payload
    assert len(held["photos"]) == 1 and [one["photo"] for one in held["not_counted"]] == [2]


def test_the_same_file_sent_again_is_still_from_before_the_order(shop, repaired, blank_photo):
    """The store keeps one photograph for one content, and the day it first came."""
    assembly_id = repaired()
    ordered_again(shop, assembly_id)
    receipt = shop.sent(assembly_id, blank_photo(7, "again.jpg"), "after_repair")
    assert receipt.again
    with shop.desk.database.read() as session:
        sheet = closing.closing_sheet(session, shop.desk, assembly_id)
    assert (sheet.photos, sheet.running) == ((), 0)
    assert [one.photograph_id for one in sheet.not_counted] == [receipt.photograph_id]
    assert "same file once more" in sheet.not_counted[0].why


def test_the_pages_lead_from_order_to_closing(shop, repaired):
    """Quote, answer, closing, each by its button; every paper opens as a PDF; a forged number leads nowhere."""
    assembly_id = repaired()
    counter, bench = shop.browser("intake"), shop.browser("reviewer")
    assert counter.post(f"/assemblies/{assembly_id}/quotes").status_code == 303
    page = counter.get(f"/assemblies/{assembly_id}").text
    quote = int(re.search(r"/quotes/(\d+).pdf", page)[1])
    assert "Example prices" in page
    form = {
        "quote": quote, "offer": "repair", "approved_by": "<b>R. Tanner</b>", "how": "telephone",
        "approved_on": str(date.today()),
    }  # fmt: skip
    assert counter.post(f"/assemblies/{assembly_id}/approvals", data=form).status_code == 303
    page = counter.get(f"/assemblies/{assembly_id}").text
    assert "Agreed: repair" in page and "&lt;b&gt;R. Tanner" in page
    assert "cannot tell" in bench.get(f"/assemblies/{assembly_id}/closing").text
    wrong = bench.post(f"/assemblies/{assembly_id}/closing", data={"joints": "many"})
    assert wrong.status_code == 422 and "type a number" in wrong.text
    sent = bench.post(f"/assemblies/{assembly_id}/closing", data={"joints": "2", "ruler_checked": "yes"})
    assert sent.status_code == 303
    page = bench.get(f"/assemblies/{assembly_id}").text
    assert "· closed" in page
    for address in (f"/quotes/{quote}.pdf", re.search(r"/closings/\d+.pdf", page)[0]):
        assert bench.get(address).content.startswith(b"%PDF")
    assert bench.get("/quotes/9999.pdf").status_code == bench.get(f"/closings/{quote}.pdf").status_code == 404


def test_an_order_without_a_repair_invites_nobody_to_close_it(shop, ordered):
    """Of the route remanufacture: the page says so; of a repair both buttons are there."""
    counter = shop.browser("intake")
    page = counter.get(f"/assemblies/{ordered}").text
    assert "Photograph the finished repair" in page and "no repair here" not in page
    with shop.desk.database.read() as session:
        (row,) = papers_of(session, ordered, ORDER)
        order = Order.model_validate(row.payload["order"])
    work = order.work.model_copy(update={"route": "remanufacture"})
    with shop.desk.database.write() as session:
        (row,) = papers_of(session, ordered, ORDER)
        row.payload = row.payload | {"order": order.model_copy(update={"work": work}).model_dump(mode="json")}
    page = counter.get(f"/assemblies/{ordered}").text
    assert "says remanufacture: there is no repair here to photograph and to close" in page
    assert "Photograph the finished repair" not in page and "Close the order" not in page


def test_programs_do_the_same_over_the_api(shop, repaired):
    """Quote, answer, closing; the papers are listed with their contents."""
    assembly_id = repaired()
    program = shop.browser("administrator")
    base = f"/api/v1/assemblies/{assembly_id}"
    quote = program.post(f"{base}/quotes").json()["id"]
    body = {"quote": quote, "offer": "repair", "approved_by": "R. Tanner", "how": "in_person"}
    answer = program.post(f"{base}/approvals", json=body | {"approved_on": str(date.today())})
    assert answer.status_code == 201
    done = program.post(f"{base}/closing", json={"joints_counted": 2, "ruler_checked": True}).json()
    assert done["outcome"]["state"] == "closed"
    assert [one["kind"] for one in program.get(f"{base}/papers").json()] == ["closing", "approval", "quote", "order"]
    bad = program.post(f"{base}/closing", json={"answers": {"nonsense": 1}})
    assert bad.status_code == 422
    for one in program.get(f"{base}/papers").json():
        if one["kind"] != "approval":
            sheet = program.get(f"/api/v1/{one['kind']}s/{one['id']}.pdf")
            assert sheet.headers["content-type"] == "application/pdf" and sheet.content.startswith(b"%PDF")
    assert program.get(f"/api/v1/orders/{quote}.pdf").status_code == 404
    page = program.get(f"{base}/evidence")
    assert page.headers["content-type"].startswith("text/html") and "Evidence on assembly W-1" in page.text


def test_a_photograph_of_the_repair_that_was_taken_back_is_named_at_the_closing(shop, repaired):
    """On the page, over the API, and in the refusal where it was the only one."""
    assembly_id = repaired()
    program, base = shop.browser("reviewer"), f"/api/v1/assemblies/{assembly_id}"
    with shop.desk.database.write() as session:
        photograph = session.query(tables.Photograph).order_by(tables.Photograph.id.desc()).first().id
        by = shop.accounts["intake"]
        putting_right.take_back(session, shop.desk, by, assembly_id, photograph, "shows another assembly")
    (one,) = program.get(f"{base}/closing").json()["not_counted"]
    assert (one["number"], one["why"]) == (2, "taken back: shows another assembly")
    assert "taken back: shows another assembly" in program.get(f"/assemblies/{assembly_id}/closing").text
    refused = program.post(f"{base}/closing", json={"answers": {}})
    assert refused.status_code == 422 and "got only photo 2, taken back: shows another assembly" in refused.text


def test_programs_see_which_photographs_count_and_which_model_answered(shop, repaired):
    """Before the newest order: not counted, with why; the model's name stands in the answer and on both pages."""
    assembly_id = repaired()
    program, base = shop.browser("reviewer"), f"/api/v1/assemblies/{assembly_id}"
    sheet = program.get(f"{base}/closing").json()
    assert len(sheet["photos"]) == 1 and sheet["not_counted"] == [] and sheet["outcome"]["state"] == "open"
    ordered_again(shop, assembly_id)
    sheet = program.get(f"{base}/closing").json()
    assert sheet["photos"] == [] and sheet["outcome"] is None
    assert sheet["not_counted"][0]["number"] == 2 and "before the order" in sheet["not_counted"][0]["why"]
    state = program.get(base).json()
    assert state["models"] == ["truth"] and [one["model"] for one in state["photographs"]] == ["truth", "truth"]
    for address in (f"/assemblies/{assembly_id}", f"/assemblies/{assembly_id}/review"):
        assert "answered by truth" in program.get(address).text


def test_a_closing_without_photographs_leads_to_taking_them(shop, ordered):
    """On its page and when it is sent all the same; who may not photograph is told whom to ask."""
    link, page = f"/assemblies/{ordered}/photographs?face=after_repair", f"/assemblies/{ordered}/closing"
    boss = shop.browser("administrator")
    assert link in boss.get(page).text
    sent = boss.post(page, data={"joints": "1"} | boss.form)
    assert sent.status_code == 422 and link in sent.text and "expected photographs of the finished repair" in sent.text
    reviewer = shop.browser("reviewer").get(page).text
    assert link not in reviewer and "Ask the intake for both faces" in reviewer
