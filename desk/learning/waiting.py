"""Which assemblies that wait for review would teach the model the most, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.learning.next import teaching_order, uncertainty
from desk.records import tables
from desk.shop.standing import newest_findings
from desk.wording import say_region
from vision.findings import LABELS, Measure, Region

_MOST = 400
"""Assemblies looked at, those that wait longest first."""


@dataclass(frozen=True)
class Teaching:
    """One assembly to confirm early. doubt : 0..1 of its most doubtful place; why : in words."""

    assembly_id: int
    shop_order: str
    doubt: float
    why: str


def to_confirm_first(session: Session, count: int) -> list[Teaching]:
    """Assemblies in the order in which confirming them teaches most: doubtful, and unlike those before them.

    The place's look is what the findings tell of it: what it may be, how long and large it is, how many wires.
    """
    row = tables.Standing
    waiting = session.scalars(
        select(row).where(row.state == "to_review").order_by(row.waiting_since).limit(_MOST)
    ).all()
    places, looks, doubts = [], [], []
    for one in waiting:
        for photo in newest_findings(session, one.assembly_id).photos:
            for region in photo.regions:
                places.append((one, region))
                looks.append(_look(region))
                doubts.append(_doubt(region))
    if not places:
        return []
    order = teaching_order(np.array(doubts), np.array(looks), len(places))
    found: dict[int, Teaching] = {}
    for i in order:
        one, region = places[i]
        if one.assembly_id not in found:
            why = say_region(region)
            found[one.assembly_id] = Teaching(one.assembly_id, one.shop_order, round(doubts[i], 3), why)
    return list(found.values())[:count]


def _doubt(region: Region) -> float:
    if region.novel:
        return 1.0
    p = np.array([list(region.probabilities.values()) or [0.5, 0.5]], float)
    return float(uncertainty(p / max(float(p.sum()), 1e-9))[0])


def _look(region: Region) -> list[float]:
    def size(measure: Measure | None) -> float:
        return float(np.log1p(measure.value)) if measure else 0.0

    wires = region.wires_affected.value if region.wires_affected else 0
    p = [region.probabilities.get(label, 0.0) for label in LABELS]
    return [*p, size(region.length_mm), size(region.area_mm2), size(region.exposed_copper_mm), float(np.log1p(wires))]


def orders_waiting(session: Session, count: int) -> list[str]:
    """Shop orders of the assemblies that wait for review longest."""
    row = tables.Standing
    found = select(row.shop_order).where(row.state == "to_review").order_by(row.waiting_since).limit(count)
    return list(session.scalars(found))
