"""Papers of an assembly on record: kept as they were made, numbered, never changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, undefer

from desk.order_model import Order
from desk.records import tables
from desk.records.database import hold
from desk.records.errors import NotFound
from desk.shop.people import Account
from models.repair.after import NOT_REPAIRED
from vision.findings import Question

ORDER, QUOTE, APPROVAL, CLOSING, NOT_CLOSED = "order", "quote", "approval", "closing", "not_closed"
"""Kinds: `closing` closed the order, `not_closed` was an attempt that did not."""
_SERIES = ((CLOSING, NOT_CLOSED),)
"""Kinds that are numbered together, because people call them by one name."""
_HELD = "papers"
"""The name held in the database while a number is given out, so that no two papers of a kind get the same."""


def papers_of(session: Session, assembly_id: int, *kinds: str) -> Sequence[tables.Paper]:
    """The papers of these kinds with their contents, the newest first."""
    paper = tables.Paper
    query = select(paper).where(paper.assembly_id == assembly_id, paper.kind.in_(kinds)).order_by(paper.id.desc())
    return session.scalars(query.options(undefer(paper.payload))).all()


@dataclass(frozen=True)
class Papers:
    """What an assembly's page shows of its papers, each the newest first. newest : the newest order as it was issued;
    asks, contradicted : what it still asks, and which answers it was made with that a photograph contradicts; numbers :
    by id; not_repaired : its route where that leaves nothing to close by photographs of a repair
    """

    orders: Sequence[tables.Paper]
    quotes: Sequence[tables.Paper]
    approvals: Sequence[tables.Paper]
    closings: Sequence[tables.Paper]
    people: Mapping[int, str]
    newest: Order | None
    asks: Sequence[Question]
    contradicted: Sequence[str]
    numbers: Mapping[int, int]
    not_repaired: str | None


def papers_for_page(session: Session, assembly_id: int) -> Papers:
    """All papers; orders without their contents, which are large, but for the newest one's questions."""
    table = tables.Paper
    orders = session.scalars(
        select(table).where(table.assembly_id == assembly_id, table.kind == ORDER).order_by(table.id.desc())
    ).all()
    others = papers_of(session, assembly_id, QUOTE, APPROVAL, CLOSING, NOT_CLOSED)
    by = {row.made_by for row in (*orders, *others)}
    newest = Order.model_validate(paper(session, orders[0].id, ORDER).payload["order"]) if orders else None
    people = session.execute(select(tables.Person.id, tables.Person.name).where(tables.Person.id.in_(by))).all()
    return Papers(
        orders,
        [row for row in others if row.kind == QUOTE],
        [row for row in others if row.kind == APPROVAL],
        [row for row in others if row.kind in (CLOSING, NOT_CLOSED)],
        {row.id: row.name for row in people},
        newest,
        newest.asks() if newest else (),
        newest.decision.contradicted if newest else (),
        {row.id: row.number for row in (*orders, *others)},
        newest.work.route if newest and newest.work.route in NOT_REPAIRED else None,
    )


def paper(session: Session, paper_id: int, *kinds: str) -> tables.Paper:
    """One paper with its content; NotFound where none of these kinds has the id."""
    known = 0 < paper_id < 2**31
    row = session.get(tables.Paper, paper_id, options=[undefer(tables.Paper.payload)]) if known else None
    if row is None or row.kind not in kinds:
        raise NotFound(f"expected a paper of this shop, got none with id {paper_id}: find its assembly in the list")
    return row


def add_paper(
    session: Session, by: Account, assembly_id: int, kind: str, payload: dict[str, Any], follows: int | None = None
) -> int:
    """Put a paper on record under the next number of its kind; its id."""
    row = tables.Paper(
        assembly_id=assembly_id, kind=kind, number=_next_number(session, kind), payload=payload, follows_id=follows,
        made_by=by.id,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row.id


def _next_number(session: Session, kind: str) -> int:
    """One after the highest of the kind; whoever issues another one meanwhile waits until this write ends."""
    hold(session, _HELD, alone=True)
    kinds = next((series for series in _SERIES if kind in series), (kind,))
    return (session.scalar(select(func.max(tables.Paper.number)).where(tables.Paper.kind.in_(kinds))) or 0) + 1


def number_of(session: Session, paper_id: int) -> int:
    """What people call the paper of this id by."""
    return session.scalars(select(tables.Paper.number).where(tables.Paper.id == paper_id)).one()
