"""What the learning pages show, gathered from the records and the shelf: plain values for templates and JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from desk.errors import DeskError
from desk.learning.comparison import Comparison
from desk.learning.corrected import Snapshot
from desk.learning.differing import pictures_folder, view_of
from desk.learning.doubts import Doubt, newest_doubts
from desk.learning.examples import Example, read_examples, reviewed_examples
from desk.learning.fallback import Fallback, who_answers_instead
from desk.learning.model_shelf import (
    SHIPPED_NAME,
    InUse,
    ModelLine,
    cannot_answer,
    card_of,
    comparison_of,
    folder_of,
    in_use,
    is_with,
    model_lines,
    way_back,
)
from desk.learning.next import LearningCurve, read_curve
from desk.learning.seen import Drifted, drifted, seen
from desk.learning.shelf import Shelf, kept_snapshots, snapshot_named
from desk.records import tables
from desk.shop.desk import Desk
from desk.shop.review_entries import SIGN_OFF
from desk.wording import say_label

WEAK_SHARE = 0.2
"""A model that doubts more than this share of what people said is taken to be wrong itself, mostly (our choice)."""
DOUBTS_SHOWN = 40
"""Doubts that a page shows at most."""


@dataclass(frozen=True)
class Overview:
    """The first page."""

    used: InUse
    back: str | None  # what rolling back leads to
    instead: Fallback | None  # who answers where the model in use cannot be loaded
    models: list[ModelLine]
    snapshots: list[Snapshot]
    damaged: str | None  # why the snapshots cannot be read


def overview(shelf: Shelf) -> Overview:
    """Models and snapshots of a desk."""
    used = in_use(shelf)
    back = next(reversed(way_back(used)), None)
    lines, instead = model_lines(shelf), who_answers_instead(shelf, used.version)
    try:
        return Overview(used, back, instead, lines[::-1], kept_snapshots(shelf), None)
    except DeskError as error:
        return Overview(used, back, instead, lines[::-1], [], str(error))


@dataclass(frozen=True)
class Card:
    """One model's page. `data`: its card as it is kept."""

    version: str
    used: bool
    data: dict[str, Any]
    comparison: Comparison | None
    curve: LearningCurve | None
    limits: list[str]
    pictures: frozenset[str]  # those of the comparison that are there
    held: list[HeldOut]
    called: str  # by answers
    cannot: str | None  # why it cannot answer here, as far as its card tells
    stands: bool  # whether it was compared with the model in use as that is now


def model_card(shelf: Shelf, version: str) -> Card:
    """Everything known of a model without loading it."""
    card, folder = card_of(shelf, version), folder_of(shelf, version)
    compared = comparison_of(shelf, version) if version != SHIPPED_NAME else None
    pictures = frozenset(path.name for path in pictures_folder(shelf, version).glob("*.jpg"))
    used = in_use(shelf).version
    return Card(
        version, version == used, card, compared, read_curve(folder), limits_of(card), pictures, held_out_f1(card),
        str(card.get("version", version)), cannot_answer(card), is_with(shelf, compared, used),
    )  # fmt: skip


@dataclass(frozen=True)
class HeldOut:
    """F1 of one label on candidates that the fold naming them had not learnt from, and how many of them carry it."""

    kind: str  # wires or housings
    on: str  # corrected or generated candidates
    label: str
    candidates: int | None
    f1: float


def held_out_f1(card: dict[str, Any]) -> list[HeldOut]:
    """How well a model's labels held out of fold, as its card says; empty where the card does not."""
    found = []
    for kind, f1 in card.get("f1_out_of_fold", {}).items():
        counts = card.get("candidates", {})
        of_kind = counts.get(kind) or counts.get(f"{kind}s") or {}
        parts = f1 if any(isinstance(value, dict) for value in f1.values()) else {"generated": f1}
        for on, by_label in parts.items():
            of = of_kind.get(on, of_kind)
            words = "housings" if kind == "shell" else kind
            found += [HeldOut(words, on, label, of.get(label), float(value)) for label, value in by_label.items()]
    return found


def _finder_as_shipped(kept: dict[str, Any] | None) -> list[str]:
    """What to say where a model finds places as the shipped one does: nothing of what was taught was kept."""
    if kept is None:
        return []
    if "ridge" not in kept:  # kept by a version before, a share for each pass
        as_it_was, told = {one["share"] for one in kept.values()} == {0.0}, True
    else:
        as_it_was, told = kept["ridge"] is None, bool(kept["before"]["corrected"] and kept["before"]["generated"])
    if not as_it_was:
        return []
    why = "what the finder was taught beyond added labels did no good on corrected photographs kept out of it, or cost "
    why += "more on generated ones. More corrections may change it."
    few = "too few assemblies were corrected to tell whether the finder gained by what it was taught."
    return [f"It finds places as the shipped model does: {why if told else few}"]


def limits_of(card: dict[str, Any]) -> list[str]:
    """What the model must not be trusted with, in words."""
    said = ["It names what photographs show; it infers no temperature from a colour and sees nothing under coverings."]
    if "snapshot" not in card:
        said.append("It learnt from generated scenes alone: real photographs of this shop may look different.")
        return said
    corrected: Counter[str] = Counter()
    for kind in card["candidates"].values():  # wires and housings each have sound ones
        corrected.update(kind["corrected"])
    few = [f"{say_label(label)} ({n})" for label, n in corrected.items() if n < 20]
    if few:
        said.append(f"Few corrected examples of: {', '.join(few)}. What it says of them rests on generated scenes.")
    if not card.get("shipped_lessons"):
        made = sum(n for kind in card["candidates"].values() for n in kind["generated"].values())
        said.append(
            f"The lessons of the shipped namers were not at hand: its namers rest on {made} generated candidates and "
            "the corrections. Expect them to be weaker on everything that was not corrected."
        )
    said += _finder_as_shipped(card.get("finder_kept"))
    said.append("Lengths and their uncertainties are those of the shipped model: corrections teach labels and places.")
    if card["held_out_assemblies"] == []:
        said.append("No second opinions yet: it can be compared on generated scenes only.")
    return said


def card_json(card: Card, examples: list[ExampleShown]) -> dict[str, Any]:
    """The same as JSON; examples with links to their photographs, where these are in the store."""
    return {
        "version": card.version,
        "in_use": card.used,
        "card": card.data,
        "limits": card.limits,
        "comparison": card.comparison.model_dump(mode="json") if card.comparison else None,
        "learning_curve": vars(card.curve) if card.curve else None,
        "examples": [_example_json(one) for one in examples],
    }


def _example_json(one: ExampleShown) -> dict[str, Any]:
    links = {
        "photograph": f"/photographs/{one.photograph_id}/small" if one.photograph_id else None,
        "assembly_page": f"/assemblies/{one.assembly_id}" if one.assembly_id else None,
    }
    return one.example.model_dump() | {"right": one.example.right, "rings_px": one.rings} | links


@dataclass(frozen=True)
class Pictured:
    """A place in a photograph, as pages show it. `view`: x, y, width and height of the part shown, px of the original.

    assembly_id, state, photograph_id : None where the records no longer have it
    """

    assembly_id: int | None
    state: str | None
    photograph_id: int | None
    size: tuple[int, int]
    view: tuple[int, int, int, int]
    rings: list[list[tuple[float, float]]]


@dataclass(frozen=True)
class DoubtShown(Pictured):
    """A doubt with its picture. `again`: its assembly was signed off once more after the model learnt from it."""

    doubt: Doubt
    again: bool


@dataclass(frozen=True)
class Doubts:
    """What the newest model trained from corrections doubts (`version` empty without one): how many places in all,
    and the first of them, the least probable label first; `places`: how many it learnt from (None where its card does
    not say)."""

    version: str
    total: int
    shown: list[DoubtShown]
    places: int | None = None

    @property
    def weak(self) -> bool:
        """Whether it names so many places otherwise than people did that it is the model that errs, mostly."""
        return self.places is not None and self.total > WEAK_SHARE * self.places


def doubts_shown(session: Session, shelf: Shelf, count: int = DOUBTS_SHOWN) -> Doubts:
    """At most ``count`` doubts with where they are."""
    version, doubts = newest_doubts(shelf)
    card = card_of(shelf, version) if doubts else {}
    snapshot = snapshot_named(shelf, card.get("snapshot")) if doubts else None
    signed = {p.sha256: p.signed_off_at for p in snapshot.photos} if snapshot else {}
    places = card.get("places")
    judged = sum(places.values()) - places.get("unjudged", 0) if places else None
    return Doubts(version, len(doubts), [_shown(session, d, snapshot, signed) for d in doubts[:count]], judged)


def _shown(session: Session, doubt: Doubt, snapshot: Snapshot | None, signed: dict[str, str]) -> DoubtShown:
    found = _where(session, doubt, snapshot)
    learnt, newest = signed.get(doubt.sha256), signed_off_at(session, found[0]) if found[0] is not None else None
    again = learnt is not None and newest is not None and newest > datetime.fromisoformat(learnt)
    return DoubtShown(*found, doubt, again)


def signed_off_at(session: Session, assembly_id: int) -> datetime | None:
    """When an assembly was signed off last."""
    row = tables.ReviewEntry
    query = select(row.made_at).where(row.assembly_id == assembly_id, row.kind == SIGN_OFF)
    return session.scalar(query.order_by(row.id.desc()).limit(1))


Where = tuple[
    int | None, str | None, int | None, tuple[int, int], tuple[int, int, int, int], list[list[tuple[float, float]]]
]
"""Assembly, its state, photograph, its size, the part shown, the rings."""


def _where(session: Session, of: Doubt | Example, snapshot: Snapshot | None) -> Where:
    row = session.execute(
        select(tables.Photograph.id, tables.Photograph.assembly_id, tables.Standing.state)
        .join(tables.Assembly, tables.Assembly.id == tables.Photograph.assembly_id)
        .join(tables.Standing, tables.Standing.assembly_id == tables.Assembly.id)
        .where(
            tables.Photograph.sha256 == of.sha256, tables.Photograph.counts, tables.Assembly.shop_order == of.assembly
        )
    ).first()
    photos = snapshot.photos if snapshot else []
    photo = next((p for p in photos if p.sha256 == of.sha256 and p.assembly == of.assembly), None)
    place = next((p for p in photo.places if p.region == of.region), None) if photo else None
    size = (photo.width_px, photo.height_px) if photo else (1, 1)
    rings = place.rings_px if place else []
    view = view_of(rings, size)
    if row is None:
        return None, None, None, size, view, rings
    return row.assembly_id, row.state, row.id, size, view, rings


@dataclass(frozen=True)
class ExampleShown(Pictured):
    """An example with its picture."""

    example: Example


def examples_shown(session: Session, shelf: Shelf, version: str) -> list[ExampleShown]:
    """Examples of a model: those of its training, and those of its answers that reviewers judged."""
    card = card_of(shelf, version)
    learnt_from = snapshot_named(shelf, card.get("snapshot"))
    trained = [(e, learnt_from) for e in (read_examples(folder_of(shelf, version)) if version != SHIPPED_NAME else [])]
    try:
        newest = next(iter(kept_snapshots(shelf)), None)
    except DeskError:  # the first page says which is damaged
        newest = None
    answered = [(e, newest) for e in reviewed_examples(newest, str(card["version"]))] if newest else []
    return [ExampleShown(*_where(session, e, snapshot), e) for e, snapshot in (*trained, *answered)]


@dataclass(frozen=True)
class DriftShown:
    """What moved (None before a photograph is assessed), and how many photographs have no measured light yet."""

    drifted: Drifted | None
    unmeasured: int


def drift_shown(session: Session, desk: Desk) -> DriftShown:
    """Drift of what is measured already; the desk's learner measures the rest once a day, `dataset drift` at once."""
    shelf = Shelf(desk.data)
    found = seen(session, desk.store, shelf.lessons / "light", only_kept=True)
    if not found:
        return DriftShown(None, 0)
    return DriftShown(drifted(shelf, found), sum("sharpness" not in one.values for one in found.values()))
