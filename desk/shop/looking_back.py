"""Reads from the records what the figures over the months are made of."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from desk.figures import Figures, Named, Turnaround, figures
from desk.records import tables
from desk.records.columns import now
from desk.shop.desk import Desk
from desk.shop.papers import CLOSING
from desk.shop.review import named_places, review_of
from desk.shop.review_entries import SIGN_OFF, second_opinions
from desk.shop.standing import findings_to_review

MONTHS = 12
_DAY_S = 86400.0


def figures_of(session: Session, desk: Desk, months: int = MONTHS) -> Figures:
    """The figures of the last months, this one included."""
    since = _first_day(months)
    standing, assessment = tables.Standing, tables.Assessment
    opened = session.execute(select(standing.opened_at, standing.label).where(standing.opened_at >= since)).all()
    answers = session.execute(select(assessment.made_at, assessment.unsure).where(assessment.made_at >= since)).all()
    return figures(
        [(row.opened_at, row.label) for row in opened],
        [(row.made_at, row.unsure) for row in answers],
        _turnarounds(session, since),
        list(places_named(session, desk, since)),
    )


def places_named(session: Session, desk: Desk, since: datetime | None = None) -> Iterator[Named]:
    """Every place that people named, by the newest sign-off of its assembly, with blind second opinions; one that the
    reviewer took away and somebody else named is *sound* to the reviewer."""
    row = tables.ReviewEntry
    newest = select(func.max(row.id)).where(row.kind == SIGN_OFF).group_by(row.assembly_id)
    query = select(row.assembly_id, row.made_at, row.payload).where(row.id.in_(newest)).order_by(row.id)
    seconds = {assembly_id: labels for assembly_id, _, labels in second_opinions(session)}
    for sign_off in session.execute(query if since is None else query.where(row.made_at >= since)).all():
        named = sign_off.payload.get("named")
        if named is None:  # signed off before the records kept it
            left = findings_to_review(session, sign_off.assembly_id).photos
            named = named_places(review_of(session, desk, sign_off.assembly_id)) if left else []
        second = seconds.get(sign_off.assembly_id, {})
        for one in named:
            yield Named(
                sign_off.assembly_id, sign_off.made_at, one["model"], one["unsure"], one["people"],
                second.get(one["place"]),
            )  # fmt: skip
        taken = _taken_away(session, sign_off.assembly_id) - {one["place"] for one in named} if second else set()
        for place in sorted(taken & second.keys()):
            yield Named(sign_off.assembly_id, sign_off.made_at, None, False, "sound", second[place])


def _taken_away(session: Session, assembly_id: int) -> set[str]:
    """The places that a reviewer deleted from the photographs that count."""
    row, here = tables.ReviewEntry, {one.photo.sha256 for one in findings_to_review(session, assembly_id).photos}
    found = session.scalars(select(row.payload).where(row.assembly_id == assembly_id, row.kind == "delete"))
    return {f"{one['photo']}:{one['region']}" for one in found if one["photo"] in here}


def _turnarounds(session: Session, since: datetime) -> list[Turnaround]:
    row, paper, assembly = tables.ReviewEntry, tables.Paper, tables.Assembly
    signed = (
        select(row.assembly_id, func.min(row.made_at).label("at")).where(row.kind == SIGN_OFF).group_by(row.assembly_id)
    ).subquery()
    closed = (
        select(paper.assembly_id, func.min(paper.made_at).label("at"))
        .where(paper.kind == CLOSING)
        .group_by(paper.assembly_id)
    ).subquery()
    found = session.execute(
        select(assembly.made_at, signed.c.at.label("signed_at"), closed.c.at.label("closed_at"))
        .outerjoin(signed, signed.c.assembly_id == assembly.id)
        .outerjoin(closed, closed.c.assembly_id == assembly.id)
        .where(assembly.made_at >= since)
    ).all()
    return [
        Turnaround(one.made_at, _days(one.made_at, one.signed_at), _days(one.made_at, one.closed_at)) for one in found
    ]


def _days(start: datetime, end: datetime | None) -> float | None:
    return None if end is None else (end - start).total_seconds() / _DAY_S


def _first_day(months: int) -> datetime:
    """The first moment of the first of the last months on the shop's own calendar. months : 1 or more."""
    today = now().astimezone()
    count = today.year * 12 + today.month - 1 - (months - 1)
    return today.replace(year=count // 12, month=count % 12 + 1, day=1, hour=0, minute=0, second=0, microsecond=0)
