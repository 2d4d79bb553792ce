"""The quote and the customer's answer: prices, the promised day, who agreed and when."""

import io
import re
from datetime import date

import pypdfium2
import pytest

from desk.order_model import Order
from desk.quote import make_quote
from desk.records import tables
from desk.sheet import Sheet
from desk.shop import closing, orders, quotes
from desk.shop.assemblies import assembly as shop_assembly
from desk.shop.errors import Invalid, StaleForm
from desk.shop.order_ahead import left_open
from desk.shop.papers import APPROVAL, CLOSING, NOT_CLOSED, ORDER, QUOTE, add_paper, number_of, papers_of
from models.repair.prices import PricesError, load_prices
from models.repair.promise import promised

TODAY = date(2026, 3, 5)  # a Thursday


def test_a_promised_day_counts_working_days_only(tmp_path):
    """Worked out on a calendar: agreed on Thursday 2026-03-05, two days' wait (Fri 6, Mon 9), 7 h at 6 h a day: Wed 11;
    with Monday a holiday a day later; a whole new assembly waits ten days and takes one: Fri 20."""
    prices = load_prices()
    assert promised(prices, "repair", 7 * 60, TODAY) == date(2026, 3, 11)
    assert promised(prices, "new assembly", 90, TODAY) == date(2026, 3, 20)
    own = tmp_path / "own.toml"
    own.write_text("[promise]\nclosed_days = [2026-03-09]\n")
    assert promised(load_prices(own), "repair", 7 * 60, TODAY) == date(2026, 3, 12)


def test_a_shop_that_never_works_is_no_price_file(tmp_path):
    """Neither without a working day nor with a day that there is not."""
    for text in ("working_days = []", 'working_days = ["someday"]', "hours_per_day = 0.0"):
        own = tmp_path / "own.toml"
        own.write_text(f"[promise]\n{text}\n")
        with pytest.raises(PricesError, match="promise"):
            load_prices(own)


def test_a_quote_names_a_price_and_a_day_for_each_way_and_says_that_they_are_invented(shop, ordered, quoted):
    """The order's own offers; printed with the mark until the shop's own file says otherwise."""
    number = quoted(shop, ordered)
    with shop.desk.database.read() as session:
        quote = papers_of(session, ordered, QUOTE)[0].payload
        pdf = quotes.quote_sheet(session, number)[1]
    assert [one["name"] for one in quote["offers"]] == ["repair", "remanufactured assembly", "new assembly"]
    assert all(one["price"] > 0 and one["promised_on"] > "2026-03-05" for one in quote["offers"])
    text = "\n".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(io.BytesIO(pdf)))
    assert "EXAMPLE PRICES" in text and "W-1" in text and "2026-04-04" in text  # thirty days on
    assert quote["provisional"] and "PROVISIONAL" in text  # fuse and ends are not answered yet
    assert f"{quote['order']}" in text.split("vehicle")[0] and "LT 77" in text


def test_an_order_is_provisional_until_nothing_can_change_it(shop, ordered):
    """Open plan, undecided route, or a graver one that is still possible; each alone is enough."""
    with shop.desk.database.read() as session:
        order = Order.model_validate(papers_of(session, ordered, ORDER)[0].payload["order"])
    done = {"route": "repair_in_vehicle", "route_worst": "repair_in_vehicle"}

    def with_work(**changes):
        return order.model_copy(update={"work": order.work.model_copy(update=done | changes)})

    assert order.work.plan.status == "planned" and not with_work().provisional
    assert not make_quote(with_work(), 1, "LT 77", load_prices(), TODAY).provisional
    waiting = order.work.plan.model_copy(update={"status": "open"})
    for change in ({"plan": waiting}, {"route": "undecided"}, {"route_worst": "remanufacture"}):
        assert with_work(**change).provisional, change


def test_an_order_says_in_one_line_how_far_it_is_settled(shop, ordered):
    """Route and plan apart: settled, undecided, one that may worsen, one that an answer on record speaks against; the
    line beside the sign-off says why in its words."""
    with shop.desk.database.read() as session:
        order = Order.model_validate(papers_of(session, ordered, ORDER)[0].payload["order"])
    done = {"route": "repair_in_vehicle", "route_worst": "repair_in_vehicle", "questions": ()}
    waiting = order.work.plan.model_copy(update={"status": "open"})
    quiet = order.decision.model_copy(update={"open_questions": [], "contradicted": []})
    asking = quiet.model_copy(update={"open_questions": [order.decision.open_questions[0]] * 2})
    at_odds = quiet.model_copy(update={"contradicted": ["r0: copper"]})
    found = {}
    for name, decision, work in (
        ("settled", quiet, {}), ("asks", asking, {}), ("plan", quiet, {"plan": waiting}),
        ("undecided", asking, {"route": "undecided", "route_worst": "refer"}),
        ("worse", asking, {"route_worst": "remanufacture"}), ("at odds", at_odds, {}),
    ):  # fmt: skip
        one = order.model_copy(update={"decision": decision, "work": order.work.model_copy(update=done | work)})
        found[name] = (one.says_state(), left_open(one))
    assert found == {
        "settled": ("Route: repair in vehicle", ""),
        "asks": ("Route: repair in vehicle", "1 question is open"),
        "plan": (
            "PROVISIONAL, see below. Route settled: repair in vehicle",
            "The plan of the repair is open; the order will be provisional",
        ),
        "undecided": (
            "PROVISIONAL, 1 open question first. Route undecided",
            "1 question is open; the order will be provisional",
        ),
        "worse": (
            "PROVISIONAL, 1 open question first. So far repair in vehicle",
            "1 question is open; the order will be provisional",
        ),
        "at odds": (
            "PROVISIONAL, see below. So far repair in vehicle",
            "The photographs contradict 1 answer; the order will be provisional",
        ),
    }


def test_the_boxes_at_the_head_of_a_sheet_hold_what_the_desk_knows(shop, ordered, quoted):
    """Number and vehicle on the order; a vehicle's name that is too long for its box is cut, not printed over."""
    with shop.desk.database.read() as session:
        row = papers_of(session, ordered, ORDER)[0]
        pdf = orders.order_sheet(session, shop.desk, row.id)[1]
        received = shop_assembly(session, ordered).made_at
    first = pypdfium2.PdfDocument(io.BytesIO(pdf))[0].get_textpage().get_text_range()
    head = first.split("Route:")[0]
    assert "LT 77" in head and f"{received:%Y-%m-%d}" in head and str(row.id) in head.split("vehicle")[0]
    sheet = Sheet("a4", "x", "y")
    sheet.blanks(["vehicle", "date"], filled={"vehicle": "van " * 60})
    shown = pypdfium2.PdfDocument(io.BytesIO(bytes(sheet.output())))[0].get_textpage().get_text_range()
    assert "van van" in shown and "..." in shown and shown.count("van") < 60


def test_a_quote_of_an_open_plan_says_that_it_is_provisional(shop, unmeasured, quoted, said):
    """The repair has no price and cannot be agreed to; the whole assemblies can."""
    number = quoted(shop, unmeasured)
    with shop.desk.database.read() as session:
        quote = papers_of(session, unmeasured, QUOTE)[0].payload
        pdf = quotes.quote_sheet(session, number)[1]
    assert quote["provisional"] and quote["offers"][0]["price"] is None
    text = " ".join(" ".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(io.BytesIO(pdf))).split())
    assert "PROVISIONAL" in text and "Questions of the work order are open" in text
    page = shop.browser("reviewer").get(f"/assemblies/{unmeasured}").text
    assert re.search(r"asks \d+ questions? and 1 of the plan</strong>", page) and "Provisional:" in page
    assert "Which fuse was found" in page  # the decision's questions as well as the plan's
    with pytest.raises(Invalid, match="offer: expected remanufactured assembly, new assembly or declined"):
        said(shop, unmeasured, number)
    said(shop, unmeasured, number, offer="new assembly")


def test_the_customers_answer_is_kept_with_who_how_and_when(shop, ordered, quoted, said):
    """The price agreed to comes from the quote; a second answer is another row."""
    number = quoted(shop, ordered)
    said(shop, ordered, number)
    said(shop, ordered, number, offer="declined", how="in_writing", note="too dear after all")
    with shop.desk.database.read() as session:
        second, first = (row.payload for row in papers_of(session, ordered, APPROVAL))
        price = papers_of(session, ordered, QUOTE)[0].payload["offers"][0]["price"]
    assert (first["offer"], first["price"], first["approved_by"], first["how"]) == (
        "repair", price, "R. Tanner", "telephone"
    )  # fmt: skip
    assert (second["offer"], second["price"], second["note"]) == (None, None, "too dear after all")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"offer": "a bargain"}, "offer: expected repair"),
        ({"approved_by": "  "}, "who agreed: expected"),
        ({"how": "by dream"}, "how: expected in_person"),
        ({"approved_on": "2026-03-04"}, "when: expected a day from 2026-03-05"),
        ({"approved_on": "2026-04-01"}, "when: expected a day from"),
        ({"approved_on": "soon"}, "expected a date like"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(shop, ordered, changes, says, quoted, said):
    """One line each; nothing goes on record."""
    number = quoted(shop, ordered)
    with pytest.raises(Invalid, match=says):
        said(shop, ordered, number, **changes)
    with shop.desk.database.read() as session:
        assert papers_of(session, ordered, APPROVAL) == []


def test_an_answer_to_an_older_quote_is_refused(shop, ordered, quoted, said):
    """A newer quote, or a newer order behind it: the customer is shown the newest first."""
    old = quoted(shop, ordered)
    new = quoted(shop, ordered)
    with pytest.raises(StaleForm, match="newest quote"):
        said(shop, ordered, old)
    with shop.desk.database.write() as session:
        orders.issue_order(session, shop.desk, shop.accounts["reviewer"], ordered)
    with pytest.raises(StaleForm, match="quote anew"):
        said(shop, ordered, new)


def test_an_issued_order_keeps_the_vehicle_it_was_issued_for(shop, ordered):
    """A correction of the intake afterwards is for the next order."""
    with shop.desk.database.read() as session:
        row = papers_of(session, ordered, ORDER)[0]
    with shop.desk.database.write() as session:
        session.add(
            tables.Intake(
                assembly_id=ordered, vehicle="XX 99", vehicle_key="xx 99", circuit_class="none",
                made_by=shop.accounts["intake"].id,
            )
        )  # fmt: skip
    with shop.desk.database.read() as session:
        pdf = orders.order_sheet(session, shop.desk, row.id)[1]
    head = pypdfium2.PdfDocument(io.BytesIO(pdf))[0].get_textpage().get_text_range().split("Route:")[0]
    assert "LT 77" in head and "XX 99" not in head


def test_each_kind_of_paper_has_numbers_of_its_own(shop, repaired, quoted, said):
    """Quote, answer and closing begin with 1 like the order did; another order and quote go on with 2."""
    assembly_id = repaired()
    quote = quoted(shop, assembly_id)
    said(shop, assembly_id, quote)
    who = shop.accounts["reviewer"]
    with shop.desk.database.write() as session:
        closing.close(session, shop.desk, who, assembly_id, closing.Told())
        orders.issue_order(session, shop.desk, who, assembly_id)
    second = quoted(shop, assembly_id)
    browser = shop.browser("reviewer")
    numbers = [(one["kind"], one["number"]) for one in browser.get(f"/api/v1/assemblies/{assembly_id}/papers").json()]
    assert numbers == [
        ("quote", 2), ("order", 2), ("not_closed", 1), ("approval", 1), ("quote", 1), ("order", 1)
    ]  # fmt: skip
    sheet = browser.get(f"/quotes/{second}.pdf")
    assert 'filename="quote-2.pdf"' in sheet.headers["content-disposition"]
    text = pypdfium2.PdfDocument(io.BytesIO(sheet.content))[0].get_textpage().get_text_range()
    assert "Quote 2 - assembly W-1" in text and "From work order 2." in text
    page = browser.get(f"/assemblies/{assembly_id}").text
    assert "Work order 2" in page and f'href="/quotes/{second}.pdf">Quote 2,' in page and "to quote 1 " in page
    assert "Closing 1<" in page and "Work order 3" not in page
    evidence = browser.get(f"/assemblies/{assembly_id}/evidence").text
    assert "work order 2:" in evidence and "quote 2:" in evidence and "to quote 1<" in evidence


def test_attempts_to_close_and_closings_are_numbered_together(shop, ordered):
    """Both are called a closing; the highest number of either counts, wherever the others stand."""
    who = shop.accounts["reviewer"]
    with shop.desk.database.write() as session:
        ids = [add_paper(session, who, ordered, kind, {}) for kind in (NOT_CLOSED, NOT_CLOSED, CLOSING, ORDER)]
        assert [number_of(session, one) for one in ids] == [1, 2, 3, 2]
