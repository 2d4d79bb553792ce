"""Whether a vehicle was here before, how long ago and with which damage."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.records import tables
from desk.shop.assemblies import key_of
from desk.shop.marks import Mark


@dataclass(frozen=True)
class Earlier:
    """An earlier assembly of the same vehicle. `marks`: its labels as lists show them, unsure ones said so."""

    assembly_id: int
    shop_order: str
    days: int
    labels: tuple[str, ...]
    marks: tuple[Mark, ...] = ()


def earlier_visits(session: Session, vehicle: str, before: datetime, other_than: int | None = None) -> list[Earlier]:
    """Assemblies of the vehicle opened before that moment, the latest first."""
    rows = session.execute(
        select(tables.Assembly, tables.Standing.labels, tables.Standing.marks)
        .join(tables.Intake, tables.Intake.assembly_id == tables.Assembly.id)
        .outerjoin(tables.Standing, tables.Standing.assembly_id == tables.Assembly.id)
        .where(tables.Intake.vehicle_key == key_of(vehicle), tables.Assembly.made_at < before)
        .order_by(tables.Assembly.made_at.desc())
    )
    found: dict[int, Earlier] = {}
    for row, labels, marks in rows:
        if row.id != other_than:
            days = (before - row.made_at).days
            found.setdefault(
                row.id, Earlier(row.id, row.shop_order, days, tuple(labels or ()), tuple(marks["all"] if marks else ()))
            )
    return list(found.values())


def days_since_same(visits: Collection[Earlier], labels: Collection[str]) -> int | None:
    """Days since the latest visit with one of these damages; None where there was none."""
    return min((visit.days for visit in visits if set(visit.labels) & (set(labels) - {"sound"})), default=None)
