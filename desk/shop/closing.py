"""Closes a work order with photographs of the finished repair, by the same check as the command `close`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.closing_pages import closing_pdf
from desk.errors import one_line
from desk.order_answers import answers_given
from desk.order_make import class_of
from desk.order_model import Order
from desk.records import tables
from desk.review.asked import Field, asked
from desk.review.places import place_name
from desk.shop.assemblies import assembly, in_turn, photographs_of
from desk.shop.desk import Desk
from desk.shop.errors import Invalid
from desk.shop.orders import files_of, head_of
from desk.shop.papers import CLOSING, NOT_CLOSED, ORDER, add_paper, paper, papers_of
from desk.shop.people import Account
from desk.shop.review_entries import AFTER_REPAIR
from desk.shop.standing import findings_to_review, refresh
from desk.wording import say_region
from models.repair import Answers, AnswersError, Rules, decide
from models.repair.after import Closing, close_order
from models.repair.case import seen_as_answered
from models.repair.words import LABEL_WORDS
from vision.findings import LABELS, PhotoFindings

_SETTLES = (
    "termination-distance", "splice-spacing", "splices-per-wire", "earlier-repair", "housing", "inspection",
)  # fmt: skip
"""Rules whose questions can be answered at closing."""


@dataclass(frozen=True)
class Told:
    """What was said at the bench: joints counted by hand, those unseen measured by ruler, and answers."""

    joints_counted: int | None = None
    ruler_checked: bool = False
    answers: Answers = field(default_factory=Answers)


@dataclass(frozen=True)
class Asked:
    """One field of the closing form. `name` is `answer|place`; `question` what it settles."""

    name: str
    question: str
    field: Field


@dataclass(frozen=True)
class NotCounting:
    """A photograph sent as one of the finished repair that proves nothing of this order, by its number, and why."""

    number: int
    photograph_id: int
    sha256: str
    name: str
    why: str


@dataclass(frozen=True)
class ClosingSheet:
    """The order, the photographs of the finished repair, and what they prove so far; `running` still to be assessed.

    `photos` came after the order was issued; those that came before it or were taken back are `not_counted`.
    """

    order_id: int
    order_number: int
    order: Order
    photos: tuple[PhotoFindings, ...]
    not_counted: tuple[NotCounting, ...]
    running: int
    outcome: Closing | None
    fields: tuple[Asked, ...]


def closing_sheet(session: Session, desk: Desk, assembly_id: int) -> ClosingSheet:
    """What closing would come to without another word; Invalid without a work order."""
    assembly(session, assembly_id)
    orders = papers_of(session, assembly_id, ORDER)
    if not orders:
        raise Invalid("closing", "expected a work order to close, got none: issue the order first")
    order, issued = Order.model_validate(orders[0].payload["order"]), orders[0].made_at
    photos = findings_to_review(session, assembly_id, after_repair=True, since=issued).photos
    outcome = close_order(order.work, photos, _answers(order, Answers()), desk.rules) if photos else None
    fields = fields_of(photos, order, desk.rules) if photos else ()
    aside, running = _not_counted(session, assembly_id, issued), _running(session, assembly_id, issued)
    return ClosingSheet(orders[0].id, orders[0].number, order, photos, aside, running, outcome, fields)


def _not_counted(session: Session, assembly_id: int, issued: datetime) -> tuple[NotCounting, ...]:
    """The photographs sent as after the repair before the order was issued, which show no repair done by it, and those
    taken back since: whoever closes knows that there were more.

    The same file sent once more is the same photograph and keeps the day it first came.
    """
    change = tables.PhotographChange
    changes = select(change.photograph_id, change.why).join(tables.Photograph).order_by(change.id)
    reasons = {
        row.photograph_id: row.why
        for row in session.execute(changes.where(tables.Photograph.assembly_id == assembly_id))
    }
    old = (
        f"received before the order of {issued:%Y-%m-%d %H:%M} UTC; photograph the finished repair again and send "
        "the new photograph (the same file once more proves nothing new)"
    )
    return tuple(
        NotCounting(
            number, row.id, row.sha256, row.name, old if row.made_at <= issued else f"taken back: {reasons[row.id]}"
        )
        for number, row in enumerate(photographs_of(session, assembly_id), 1)
        if row.face_now == AFTER_REPAIR and row.counts == (row.made_at <= issued)
    )


def close(session: Session, desk: Desk, by: Account, assembly_id: int, told: Told) -> tuple[int, Closing]:
    """Hold the finished repair against the order and put the outcome on record; the paper's id and the outcome."""
    in_turn(session, assembly_id)
    sheet = closing_sheet(session, desk, assembly_id)
    if sheet.running:
        raise Invalid("photographs", "expected assessed photographs, got some still being assessed: wait a little")
    if not sheet.photos:
        raise Invalid("photographs", _none(sheet.not_counted))
    answers = _answers(sheet.order, told.answers)
    try:
        outcome = close_order(
            sheet.order.work, sheet.photos, answers, desk.rules, told.joints_counted, told.ruler_checked
        )
        shown = seen_as_answered(sheet.photos, answers, desk.rules)
    except AnswersError as error:
        raise Invalid("answers", one_line(error)) from error
    kind = CLOSING if outcome.state == "closed" else NOT_CLOSED
    payload = {
        "outcome": outcome.model_dump(mode="json"),
        "joints_counted": told.joints_counted,
        "ruler_checked": told.ruler_checked,
        "answers": answers.model_dump(mode="json", exclude_defaults=True),
        "photos": [photo.model_dump(mode="json", by_alias=True) for photo in shown],
        "not_counted": [{"photo": one.number, "sha256": one.sha256, "why": one.why} for one in sheet.not_counted],
        "models": sorted({photo.model.version for photo in sheet.photos}),
        "rules_sha256": desk.rules_sha256,
    }
    paper_id = add_paper(session, by, assembly_id, kind, payload, sheet.order_id)
    refresh(session, desk, assembly_id)
    return paper_id, outcome


def _none(aside: Sequence[NotCounting]) -> str:
    if not aside:
        return "expected photographs of the finished repair, got none: send them as `after the repair`"
    whys: dict[str, list[str]] = {}
    for one in aside:
        whys.setdefault(one.why, []).append(f"photo {one.number}")
    got = "; ".join(f"{', '.join(numbers)}, {why}" for why, numbers in whys.items())
    return f"expected photographs of the finished repair, got only {got}"


def closing_sheet_pdf(session: Session, desk: Desk, paper_id: int, size: str = "a4") -> tuple[str, bytes]:
    """A closing as (file name, PDF), of the order it answered."""
    row = paper(session, paper_id, CLOSING, NOT_CLOSED)
    assert row.follows_id is not None  # a closing always answers an order
    issued = paper(session, row.follows_id, ORDER)
    order = Order.model_validate(issued.payload["order"])
    photos = [PhotoFindings.model_validate(one) for one in row.payload["photos"]]
    outcome = Closing.model_validate(row.payload["outcome"])
    closed = {"closed, date": f"{row.made_at:%Y-%m-%d}"} if row.kind == CLOSING else {}
    return f"closing-{row.number}.pdf", closing_pdf(
        order, outcome, photos, files_of(session, desk, row.assembly_id), size,
        head_of(issued) | closed, answers_given(Answers(**row.payload["answers"])),
    )  # fmt: skip


def fields_of(photos: Sequence[PhotoFindings], order: Order, rules: Rules) -> tuple[Asked, ...]:
    """What a person can settle: the name of each place that is still seen, and the open questions on the repair."""
    several = len(photos) > 1
    choices = tuple((label, LABEL_WORDS[label]) for label in LABELS)
    found = [
        Asked(
            f"labels|{photo.photo.name}:{region.id}" if several else f"labels|{region.id}",
            f"{place_name(photo, region.id, several)}, seen as {say_region(region)}: what is it?",
            Field("labels", "it is", "choice", choices),
        )
        for photo in photos
        for region in photo.regions
    ]
    for question in decide(photos, _answers(order, Answers()), rules).open_questions:
        one = asked(question, rules)
        if one.fields and question.changes.split(":")[0] in _SETTLES:
            found += [Asked(f"{entry.name}|{one.on or ''}", question.ask, entry) for entry in one.fields]
    return tuple({one.name: one for one in found}.values())


def answers_from(form: Mapping[str, str], mm_each: float = 1.0) -> Answers:
    """The answers of a closing form, whose fields are named `answer|place`; empty ones say nothing.

    mm_each : millimetres in the unit that its lengths were typed in
    """
    values: dict[str, Any] = {}
    for name, text in form.items():
        field, bar, on = name.partition("|")
        if not bar or not text.strip():
            continue
        value = _value(field, text.strip())
        if field.endswith("_mm") and isinstance(value, float):
            value = round(value * mm_each, 3)
        if on:
            values.setdefault(field, {})[on] = value
        else:
            values[field] = value
    try:
        return Answers(**values)
    except AnswersError as error:
        raise Invalid("answers", one_line(error)) from error


def _value(field: str, text: str) -> Any:
    if text in ("true", "false"):
        return text == "true"
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        return text
    whole = field in ("wire_count", "splices_on_one_wire")
    return int(number) if whole and number.is_integer() else number


def _answers(order: Order, told: Answers) -> Answers:
    """The class of the circuits as the order was decided with; it need not be asked again."""
    held = class_of(order.decision)
    return told if told.circuit_class is not None else told.model_copy(update={"circuit_class": held})


def _running(session: Session, assembly_id: int, issued: datetime) -> int:
    job, photograph = tables.Job, tables.Photograph
    return (
        session.scalar(
            select(func.count())
            .select_from(job)
            .join(photograph, photograph.id == job.photograph_id)
            .where(
                photograph.assembly_id == assembly_id,
                photograph.face_now == AFTER_REPAIR,
                photograph.counts,
                photograph.made_at > issued,
                job.state.in_(("queued", "running")),
            )
        )
        or 0
    )
