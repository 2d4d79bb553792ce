"""Quotes made from work orders, and the customer's answer to them; each is a paper of its own."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from datetime import date
from typing import get_args

from pydantic import ValidationError
from sqlalchemy.orm import Session

from desk.order_model import Order
from desk.quote import Approval, Quote, make_quote, quote_pdf
from desk.shop.assemblies import newest_intake, one_line
from desk.shop.desk import Desk
from desk.shop.errors import Invalid, StaleForm
from desk.shop.papers import APPROVAL, ORDER, QUOTE, add_paper, number_of, paper, papers_of
from desk.shop.people import Account

DECLINED = "declined"
"""Stands in the form for an answer that agrees to no offer."""
HOWS: tuple[str, ...] = get_args(Approval.model_fields["how"].annotation)
_LONGEST_NOTE = 2000


@dataclass(frozen=True)
class ApprovalForm:
    """The customer's answer as it was typed."""

    quote: int
    offer: str
    approved_by: str
    how: str
    approved_on: str
    note: str = ""


def issue_quote(session: Session, desk: Desk, by: Account, assembly_id: int, today: date | None = None) -> int:
    """Make the quote of the newest work order; its id. Invalid where there is none, or nothing to offer."""
    orders = papers_of(session, assembly_id, ORDER)
    if not orders:
        raise Invalid("quote", "expected a work order to quote from, got none: issue the order first")
    order = Order.model_validate(orders[0].payload["order"])
    vehicle = newest_intake(session, assembly_id).vehicle
    quote = make_quote(order, orders[0].id, vehicle, desk.prices, today or date.today())
    if not any(one.price is not None for one in quote.offers):
        raise Invalid("quote", "expected an order with something to offer, got one without: answer its questions first")
    return add_paper(session, by, assembly_id, QUOTE, quote.model_dump(mode="json"), orders[0].id)


def quote_sheet(session: Session, paper_id: int, size: str = "a4") -> tuple[str, bytes]:
    """A quote as (file name, PDF)."""
    row = paper(session, paper_id, QUOTE)
    quote = Quote.model_validate(row.payload)
    return f"quote-{row.number}.pdf", quote_pdf(quote, row.number, number_of(session, quote.order), size)


def approve(session: Session, by: Account, assembly_id: int, form: ApprovalForm, today: date | None = None) -> int:
    """Put the customer's answer on record; its id. Refused where the quote is not the newest or holds no more."""
    quotes = papers_of(session, assembly_id, QUOTE)
    if not quotes or quotes[0].id != form.quote:
        raise StaleForm("expected an answer to the newest quote, got one to another: show the customer the newest one")
    newest_order = papers_of(session, assembly_id, ORDER)[0].id
    quote = Quote.model_validate(quotes[0].payload)
    if quote.order != newest_order:
        raise StaleForm("expected a quote of the newest work order, got one of an earlier one: quote anew first")
    answer = _checked(form, quote, today or date.today())
    return add_paper(session, by, assembly_id, APPROVAL, answer.model_dump(mode="json"), form.quote)


def _checked(form: ApprovalForm, quote: Quote, today: date) -> Approval:
    name = one_line("approved_by", "who agreed", form.approved_by, 120)
    day = _day(form.approved_on)
    if not quote.made_on <= day <= today:
        raise Invalid("approved_on", f"when: expected a day from {quote.made_on} to {today}, got {day}")
    if day > quote.valid_until:
        raise Invalid("approved_on", f"when: expected a day up to {quote.valid_until}, got {day}: quote anew")
    offer = quote.offer(form.offer)
    if offer is None and form.offer != DECLINED:
        names = ", ".join(one.name for one in quote.offers if one.price is not None)
        raise Invalid("offer", f"offer: expected {names} or declined, got {form.offer[:40]!r}")
    note = unicodedata.normalize("NFC", form.note).strip()
    if len(note) > _LONGEST_NOTE or "\x00" in note:
        raise Invalid("note", f"note: expected at most {_LONGEST_NOTE} characters of text")
    try:
        return Approval(
            quote=form.quote, offer=offer.name if offer else None, price=offer.price if offer else None,
            currency=quote.currency, promised_on=offer.promised_on if offer else None, approved_by=name,
            how=form.how, approved_on=day, note=note,  # type: ignore[arg-type]
        )  # fmt: skip
    except ValidationError as error:
        raise Invalid("how", f"how: expected {', '.join(HOWS)}, got {form.how[:30]!r}") from error


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise Invalid("approved_on", f"when: expected a date like 2026-03-31, got {text[:30]!r}") from error
