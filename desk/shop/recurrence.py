"""Whether a vehicle was here before, how long ago and with which damage."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
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
    """Assemblies of the vehicle, as their intakes say now, opened before that moment; the latest first."""
    newest = select(func.max(tables.Intake.id)).group_by(tables.Intake.assembly_id)
    rows = session.execute(
        select(tables.Assembly, tables.Standing.labels, tables.Standing.marks)
        .join(tables.Intake, tables.Intake.assembly_id == tables.Assembly.id)
        .outerjoin(tables.Standing, tables.Standing.assembly_id == tables.Assembly.id)
        .where(
            tables.Intake.id.in_(newest),
            tables.Intake.vehicle_key == key_of(vehicle),
            tables.Assembly.made_at < before,
        )
        .order_by(tables.Assembly.made_at.desc())
    )
    return [
        Earlier(
            row.id, row.shop_order, (before - row.made_at).days, tuple(labels or ()),
            tuple(marks["all"] if marks else ()),
        )
        for row, labels, marks in rows
        if row.id != other_than
    ]  # fmt: skip


def days_since_same(visits: Collection[Earlier], labels: Collection[str]) -> int | None:
    """Days since the latest visit with one of these damages; None where there was none."""
    return min((visit.days for visit in visits if set(visit.labels) & (set(labels) - {"sound"})), default=None)
