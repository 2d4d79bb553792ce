"""The printed sheet that an order is closed with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from types import MappingProxyType

from desk.order_answers import Answered
from desk.order_model import Order
from desk.order_pages import FOOT
from desk.photo_section import photo_section
from desk.sheet import TICK, Sheet
from desk.signed_sheet import Part, signed
from desk.wording import CLOSING_WORDS, VERDICT_WORDS, say_plan
from models.repair.after import Closing
from vision.findings import PhotoFindings

_CLOSED = (("repaired by, date", "tested by, date"), ("closed by, date", "customer, date"))
_NOTHING: Mapping[str, str] = MappingProxyType({})


def closing_pdf(
    order: Order, outcome: Closing, photos: list[PhotoFindings], files: Mapping[str, Path], paper: str,
    known: Mapping[str, str] = _NOTHING, answers: Sequence[Answered] = (),
) -> bytes:  # fmt: skip
    """The sheet an order is closed with. photos, files, answers: of the finished repair; known: as of `order_pdf`."""
    parts: list[Part] = [
        lambda sheet: _closing_head(sheet, order, outcome, known),
        photo_section(photos, files, (), order.decision, answers),
        lambda sheet: _checked(sheet, outcome),
        lambda sheet: _tests_to_sign(sheet, order),
    ]
    begin = partial(Sheet, paper, f"Closing of the order - assembly {order.assembly}", FOOT)
    return bytes(signed(begin, parts, _CLOSED).output())


def _closing_head(sheet: Sheet, order: Order, outcome: Closing, known: Mapping[str, str]) -> None:
    sheet.blanks(["order number", "vehicle", "customer", "closed, date"], filled=known)
    sheet.banner(f"Order {CLOSING_WORDS[outcome.state]}")
    sheet.para(f"Order written {order.made_at}. {say_plan(order.work.says)}")


def _checked(sheet: Sheet, outcome: Closing) -> None:
    sheet.section("What was checked", needs_mm=45)
    rows = [
        [
            TICK if check.verdict == "cannot_tell" else "",
            check.title or check.what,
            VERDICT_WORDS[check.verdict].upper() if check.verdict == "violated" else VERDICT_WORDS[check.verdict],
            check.says,
            check.settle or "",
        ]
        for check in outcome.checks
    ]
    sheet.grid(["", "check", "verdict", "in words", "what settles it"], rows, [5, 22, 15, 52, 36], size=8)


def _tests_to_sign(sheet: Sheet, order: Order) -> None:
    sheet.section("Tests of the order, to be signed")
    sheet.items(order.work.tests, ticks=True)
