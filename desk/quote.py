"""The customer's choice with a price and a promised day for each way: as data, and printed to be signed."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal

from desk.order_model import Order
from desk.sheet import TICK, Sheet
from desk.wording import ROUTE_WORDS
from models.repair.prices import Prices
from models.repair.promise import promised
from vision.findings import Finding

_FOOT = (
    "What is found under coverings or in use may change the work; then the customer is asked again. The vehicle "
    "maker's procedure and licensed practice stand above this sheet."
)


PROVISIONAL = (
    "Questions of the work order are open, or a photograph contradicts an answer: that may still change the way and "
    "what the repair costs. Whoever wants the repair waits for the next quote."
)


class QuotedOffer(Finding):
    """One way; without a price where it cannot be had, and `says` why."""

    name: str
    minutes: float | None
    price: float | None
    warranty_months: int | None
    promised_on: date | None
    says: str


class Quote(Finding):
    """All ways offered for one assembly on one day.

    `order`: its id on record; `invented`: the numbers are examples, not the shop's; `provisional`: as of the order
    """

    kind: Literal["quote"] = "quote"
    assembly: str
    vehicle: str
    order: int
    route: str
    made_on: date
    valid_until: date
    currency: str
    invented: bool
    provisional: bool = False
    offers: tuple[QuotedOffer, ...]

    def offer(self, name: str) -> QuotedOffer | None:
        """The way of that name that can be had."""
        return next((one for one in self.offers if one.name == name and one.price is not None), None)


class Approval(Finding):
    """What a customer said to a quote. `offer`: the way agreed to, None where all were declined."""

    kind: Literal["approval"] = "approval"
    quote: int
    offer: str | None
    price: float | None
    currency: str
    promised_on: date | None
    approved_by: str
    how: Literal["in_person", "telephone", "in_writing", "signed_quote"]
    approved_on: date
    note: str = ""


HOW_WORDS = {
    "in_person": "said in person",
    "telephone": "by telephone",
    "in_writing": "in writing",
    "signed_quote": "signed on the printed quote",
}


def make_quote(order: Order, order_id: int, vehicle: str, prices: Prices, today: date) -> Quote:
    """The order's offers, each with the day it is promised for if agreed to today. order_id : on record"""
    return Quote(
        assembly=order.assembly,
        vehicle=vehicle,
        order=order_id,
        route=order.work.route,
        made_on=today,
        valid_until=today + timedelta(days=prices.promise.valid_days),
        currency=order.work.currency,
        invented=order.work.invented_prices,
        provisional=order.provisional,
        offers=tuple(
            QuotedOffer(
                name=one.name,
                minutes=one.minutes,
                price=one.price,
                warranty_months=one.warranty_months,
                promised_on=None if one.minutes is None else promised(prices, one.name, one.minutes, today),
                says=one.says,
            )
            for one in order.work.offers
        ),
    )


def quote_pdf(quote: Quote, number: int, order_number: int, paper: str) -> bytes:
    """The quote on paper, with room for the customer's choice. number, order_number : what people call them by."""
    sheet = Sheet(paper, f"Quote {number} - assembly {quote.assembly}", _FOOT)
    known = {"order number": str(order_number), "vehicle": quote.vehicle, "date": str(quote.made_on)}
    sheet.blanks(["order number", "vehicle", "customer", "date"], filled=known)
    sheet.banner(f"Quote for assembly {quote.assembly}" + (" - PROVISIONAL" if quote.provisional else ""))
    sheet.para(f"Vehicle: {quote.vehicle}. Route: {ROUTE_WORDS[quote.route]}. From work order {order_number}.")
    sheet.para(f"Made on {quote.made_on}, holds until {quote.valid_until}. Days count from an agreement on that day.")
    if quote.invented:
        sheet.para(
            "EXAMPLE PRICES AND DAYS: invented numbers, not an offer. The shop's own file replaces them.", bold=True
        )
    if quote.provisional:
        sheet.para(PROVISIONAL, bold=True)
    sheet.section("The customer's choice", needs_mm=60)
    rows = [
        [
            TICK if one.price is not None else "-",
            one.name,
            "-" if one.price is None else f"{one.price:.2f} {quote.currency}",
            "-" if one.promised_on is None else str(one.promised_on),
            "-" if one.warranty_months is None else f"{one.warranty_months} months",
            one.says.removeprefix("open: "),
        ]
        for one in quote.offers
    ]
    sheet.grid(["", "way", "price", "promised for", "warranty", "what it stands on"], rows, [5, 34, 22, 20, 18, 50])
    sheet.para("The price is what the work and the parts named in the work order cost, by the shop's table.", size=8.5)
    sheet.section("Agreement", needs_mm=38)
    sheet.para("I agree to the way ticked above, at its price.")
    sheet.blanks(["customer's name", "date"], 12.5)
    sheet.blanks(["customer's signature", "taken by"], 14)
    return bytes(sheet.output())
