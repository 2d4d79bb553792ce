"""What the learning pages show, gathered from the records and the shelf: plain values for templates and JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.errors import DeskError
from desk.learning.comparison import Comparison
from desk.learning.corrected import Snapshot
from desk.learning.doubts import Doubt, read_doubts
from desk.learning.drift import Week, weeks_against
from desk.learning.model_shelf import (
    SHIPPED_NAME,
    InUse,
    ModelLine,
    card_of,
    comparison_of,
    folder_of,
    in_use,
    model_lines,
    versions,
)
from desk.learning.next import LearningCurve, read_curve
from desk.learning.seen import baseline_of, keep_warning, learnt_photographs, seen
from desk.learning.shelf import Shelf, kept_snapshots, snapshot_named
from desk.records import tables
from desk.shop.desk import Desk

_MARGIN_SHARE = 0.6
_DOUBTS_SHOWN = 40


@dataclass(frozen=True)
class Overview:
    """The first page."""

    used: InUse
    models: list[ModelLine]
    snapshots: list[Snapshot]
    damaged: str | None  # why the snapshots cannot be read


def overview(shelf: Shelf) -> Overview:
    """Models and snapshots of a desk."""
    used = in_use(shelf)
    lines = model_lines(shelf)
    try:
        return Overview(used, lines[::-1], kept_snapshots(shelf), None)
    except DeskError as error:
        return Overview(used, lines[::-1], [], str(error))


@dataclass(frozen=True)
class Card:
    """One model's page. `data`: its card as it is kept."""

    version: str
    used: bool
    data: dict[str, Any]
    comparison: Comparison | None
    curve: LearningCurve | None
    limits: list[str]


def model_card(shelf: Shelf, version: str) -> Card:
    """Everything known of a model without loading it."""
    card, folder = card_of(shelf, version), folder_of(shelf, version)
    compared = comparison_of(shelf, version) if version != SHIPPED_NAME else None
    return Card(version, in_use(shelf).version == version, card, compared, read_curve(folder), limits_of(card))


def limits_of(card: dict[str, Any]) -> list[str]:
    """What the model must not be trusted with, in words."""
    said = ["It names what photographs show; it infers no temperature from a colour and sees nothing under coverings."]
    if "snapshot" not in card:
        said.append("It learnt from generated scenes alone: real photographs of this shop may look different.")
        return said
    few = [
        f"{label.replace('_', ' ')} ({n})"
        for kind in card["candidates"].values()
        for label, n in kind["corrected"].items()
        if n < 20
    ]
    if few:
        said.append(f"Few corrected examples of: {', '.join(few)}. What it says of them rests on generated scenes.")
    if not card.get("shipped_lessons"):
        made = sum(n for kind in card["candidates"].values() for n in kind["generated"].values())
        said.append(
            f"The lessons of the shipped namers were not at hand: its namers rest on {made} generated candidates and "
            "the corrections. Expect them to be weaker on everything that was not corrected."
        )
    said.append("Lengths and their uncertainties are those of the shipped model: corrections teach labels and places.")
    if card["held_out_assemblies"] == []:
        said.append("No second opinions yet: it can be compared on generated scenes only.")
    return said


def card_json(card: Card) -> dict[str, Any]:
    """The same as JSON."""
    return {
        "version": card.version,
        "in_use": card.used,
        "card": card.data,
        "limits": card.limits,
        "comparison": card.comparison.model_dump(mode="json") if card.comparison else None,
        "learning_curve": vars(card.curve) if card.curve else None,
    }


@dataclass(frozen=True)
class DoubtShown:
    """A doubt with its picture. `view`: x, y, width and height of the part shown, px of the original."""

    doubt: Doubt
    assembly_id: int | None
    state: str | None
    photograph_id: int | None
    size: tuple[int, int]
    view: tuple[int, int, int, int]
    rings: list[list[tuple[float, float]]]


def doubts_shown(session: Session, shelf: Shelf) -> tuple[str, list[DoubtShown]]:
    """The newest model that has doubts, and its doubts, the least probable label first."""
    for version in reversed(versions(shelf)):
        doubts = read_doubts(folder_of(shelf, version))
        if doubts:
            snapshot = snapshot_named(shelf, card_of(shelf, version).get("snapshot"))
            return version, [_shown(session, d, snapshot) for d in doubts[:_DOUBTS_SHOWN]]
    return "", []


def _shown(session: Session, doubt: Doubt, snapshot: Snapshot | None) -> DoubtShown:
    row = session.execute(
        select(tables.Photograph.id, tables.Photograph.assembly_id, tables.Standing.state)
        .join(tables.Assembly, tables.Assembly.id == tables.Photograph.assembly_id)
        .join(tables.Standing, tables.Standing.assembly_id == tables.Assembly.id)
        .where(tables.Photograph.sha256 == doubt.sha256, tables.Assembly.shop_order == doubt.assembly)
    ).first()
    photos = snapshot.photos if snapshot else []
    photo = next((p for p in photos if p.sha256 == doubt.sha256 and p.assembly == doubt.assembly), None)
    place = next((p for p in photo.places if p.region == doubt.region), None) if photo else None
    size = (photo.width_px, photo.height_px) if photo else (1, 1)
    rings = place.rings_px if place else []
    view = _view(rings, size) if rings else (0, 0, *size)
    if row is None:
        return DoubtShown(doubt, None, None, None, size, view, rings)
    return DoubtShown(doubt, row.assembly_id, row.state, row.id, size, view, rings)


def _view(rings: list[list[tuple[float, float]]], size: tuple[int, int]) -> tuple[int, int, int, int]:
    """The place with room around it, 4 : 3 and within the photograph where that is possible."""
    points = np.concatenate([np.asarray(ring, float) for ring in rings])
    low, high = points.min(axis=0), points.max(axis=0)
    middle, span = (low + high) / 2, (high - low) * (1 + 2 * _MARGIN_SHARE)
    wide = float(max(span[0], span[1] * 4 / 3, 80.0))
    x, y = middle[0] - wide / 2, middle[1] - wide * 3 / 8
    return round(max(x, 0)), round(max(y, 0)), round(min(wide, size[0])), round(min(wide * 3 / 4, size[1]))


@dataclass(frozen=True)
class DriftShown:
    """Weeks against the baseline, in words what that is, and how many photographs have no measured light yet."""

    weeks: list[Week]
    baseline: str
    unmeasured: int


def drift_shown(session: Session, desk: Desk) -> DriftShown:
    """Drift of what is measured already; `loomtriage dataset drift` measures the rest."""
    shelf = Shelf(desk.data)
    found = seen(session, desk.store, shelf.lessons / "light", only_kept=True)
    if not found:
        return DriftShown([], "", 0)
    baseline, words = baseline_of(found, learnt_photographs(shelf, card_of(shelf, in_use(shelf).version)))
    unmeasured = sum("sharpness" not in one.values for one in found.values())
    weeks = weeks_against(baseline, list(found.values()))
    keep_warning(shelf, weeks)
    return DriftShown(weeks, words, unmeasured)
