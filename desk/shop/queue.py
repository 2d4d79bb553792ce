"""The review queue, ordered by what matters, and the list of all assemblies with its filters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.shop.errors import Invalid

PAGE_ROWS = 40


@dataclass(frozen=True)
class Filters:
    """What the list is narrowed to; empty values narrow nothing. Dates are days of the shop, both included."""

    text: str = ""
    label: str = ""
    route: str = ""
    state: str = ""
    vehicle: str = ""
    since: str = ""
    until: str = ""


@dataclass(frozen=True)
class Rows:
    """One page of assemblies and how many there are in all."""

    rows: Sequence[tables.Standing]
    total: int
    number: int

    @property
    def pages(self) -> int:
        """How many pages there are, at least one."""
        return max(1, -(-self.total // PAGE_ROWS))


def review_queue(session: Session, number: int = 1) -> Rows:
    """Assemblies to review: unsafe if wrong first, then unsure, novel, near a limit, and who waits longest."""
    table = tables.Standing
    query = select(table).where(table.state == "to_review")
    order = (table.urgency.desc(), table.waiting_since, table.assembly_id)
    return _page(session, query, order, number)


def assemblies(session: Session, filters: Filters, number: int = 1) -> Rows:
    """All assemblies that the filters leave, newest first."""
    table = tables.Standing
    query = select(table)
    for column, value in ((table.label, filters.label), (table.route, filters.route), (table.state, filters.state)):
        if value:
            query = query.where(column == value)
    for word in filters.text.casefold().split()[:8]:
        query = query.where(table.search.contains(word, autoescape=True))
    if filters.vehicle.strip():
        query = query.where(func.lower(table.vehicle).contains(filters.vehicle.strip().lower(), autoescape=True))
    if filters.since:
        query = query.where(table.opened_at >= day_start("since", filters.since))
    if filters.until:
        query = query.where(table.opened_at < day_start("until", filters.until) + timedelta(days=1))
    return _page(session, query, (table.opened_at.desc(), table.assembly_id.desc()), number)


def day_start(field: str, text: str) -> datetime:
    """The first moment of a day on the shop's calendar."""
    try:
        day = datetime.strptime(text.strip(), "%Y-%m-%d")
    except ValueError as error:
        raise Invalid(field, f"{field}: expected a date like 2026-03-31, got {text[:30]!r}") from error
    return datetime.combine(day.date(), time()).astimezone().astimezone(UTC)


def counts(session: Session) -> dict[str, int]:
    """How many assemblies are in each state."""
    table = tables.Standing
    return {state: count for state, count in session.execute(select(table.state, func.count()).group_by(table.state))}


def _page(session: Session, query: Select[Any], order: tuple[Any, ...], number: int) -> Rows:
    total = session.scalar(select(func.count()).select_from(query.subquery())) or 0
    number = min(max(1, number), max(1, -(-total // PAGE_ROWS)))
    found = session.scalars(query.order_by(*order).offset((number - 1) * PAGE_ROWS).limit(PAGE_ROWS)).all()
    return Rows(found, total, number)
