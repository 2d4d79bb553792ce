"""The labels a shop added: how far each has come towards a training, adding one, removing one that nobody used."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import String, cast, or_, select
from sqlalchemy.orm import Session

from desk.errors import DeskError
from desk.learning.model_shelf import ModelRefused, alone, card_of, versions
from desk.learning.shelf import Shelf
from desk.records import tables
from desk.records.columns import now
from desk.shop.desk import Desk
from desk.shop.labels import LabelChange, OwnLabels, keep_from_being_given, read_own, refusal_of_new, write_own
from desk.shop.opinions import is_drawn
from desk.shop.review import named_places, review_of
from desk.shop.review_entries import SIGN_OFF
from vision.findings import LABELS

LEAST_ASSEMBLIES, GOOD_ASSEMBLIES = 10, 30
"""Assemblies from which on training a label is worth it, and up to which more of them make it better."""
FIRST_KEY, LAST_KEY = len(LABELS) + 1, 9
ADDED, REMOVED = "added", "removed"
OLD_ANSWERS = (
    "Assessments and reviews on record stay as they were. Until a model is trained on it, the one in use calls such "
    "damage novel, misses it or takes it for another kind: reviewers name it. No rule knows it, so it is taken for any "
    "damage: never back to service, and the review asks how to treat it."
)
"""What a new label does to what is there already."""
_DONE = ("reviewed", "ordered", "closed")


class LabelRefused(DeskError):
    """A label that is not added or not removed: expected, got, what to do."""


@dataclass(frozen=True)
class LabelUse:
    """One label of the shop and how far it has come.

    key : of the review page, None where it is given by its button only
    places, assemblies : that carry it, by the sign-offs as they stand
    teaching : of these assemblies, those not drawn for a second opinion, which teach nothing
    under_review : assemblies that carry it and are not signed off
    on_record : entries that name it, also those taken back
    models : those trained here that learnt it
    snapshots : corrected sets that hold it
    """

    label: str
    key: int | None
    places: int
    assemblies: int
    teaching: int
    under_review: int
    on_record: int
    models: tuple[str, ...]
    snapshots: tuple[str, ...]

    @property
    def missing(self) -> int:
        """Assemblies that are missing before a training is worth it."""
        return max(0, LEAST_ASSEMBLIES - self.teaching)

    @property
    def used(self) -> bool:
        """Whether anything on record would be left with a name that nobody can give any more."""
        return bool(self.places or self.under_review or self.on_record or self.models or self.snapshots)


@dataclass(frozen=True)
class LabelsShown:
    """What the page shows. `wrong`: why the file of labels cannot be read, None where it can."""

    uses: tuple[LabelUse, ...]
    changes: tuple[LabelChange, ...]
    wrong: str | None = None


def labels_shown(session: Session, desk: Desk) -> LabelsShown:
    """The shop's labels and their changes, newest first; a spoilt file is said, the page must come all the same."""
    try:
        own = read_own(desk.data)
    except DeskError as error:
        return LabelsShown((), (), str(error))
    return LabelsShown(tuple(label_uses(session, desk, own.labels)), own.changes[::-1])


def label_uses(session: Session, desk: Desk, labels: Sequence[str]) -> list[LabelUse]:
    """How far each of these labels has come; the first of them has the key after the last of the known labels."""
    if not labels:
        return []
    on_record: Counter[str] = Counter()
    under_review: Counter[str] = Counter()
    places: dict[str, Counter[str]] = {label: Counter() for label in labels}
    naming = _naming(session, labels)
    for _, payload in naming:
        on_record.update(set(_names_in(payload)) & set(labels))
    for order, carried, named in _assemblies(session, desk, labels, {assembly_id for assembly_id, _ in naming}):
        if named is None:
            under_review.update(set(carried) & set(labels))
            continue
        for one in named:
            if one["people"] in places:
                places[one["people"]][order] += 1
    taught, kept = _taught(Shelf(desk.data)), _kept_sets(Shelf(desk.data), labels)
    return [
        LabelUse(
            label, FIRST_KEY + n if FIRST_KEY + n <= LAST_KEY else None, places[label].total(), len(places[label]),
            sum(not is_drawn(order) for order in places[label]), under_review[label], on_record[label],
            tuple(version for version, names in taught.items() if label in names),
            tuple(snapshot for snapshot, names in kept.items() if label in names),
        )
        for n, label in enumerate(labels)
    ]  # fmt: skip


def add_label(desk: Desk, by: str, name: str) -> OwnLabels:
    """Let reviewers give a label of the shop's own from now on; LabelRefused where the name cannot be one."""
    name = name.strip()
    with alone(Shelf(desk.data)):
        own = read_own(desk.data)
        if wrong := refusal_of_new(name, own.labels):
            raise LabelRefused(wrong)
        return _written(desk, (*own.labels, name), own, by, ADDED, name)


def remove_label(desk: Desk, by: str, name: str) -> OwnLabels:
    """Take away a label that nobody used yet; LabelRefused, with where it is used, otherwise."""
    with alone(Shelf(desk.data)), desk.database.write() as session:
        keep_from_being_given(session)  # between the look and the removal
        own = read_own(desk.data)
        if name not in own.labels:
            known = ", ".join(own.labels) or "none yet"
            raise LabelRefused(f"expected a label that the shop added ({known}), got {name[:60]!r}: choose one of them")
        use = next(one for one in label_uses(session, desk, own.labels) if one.label == name)
        if use.used:
            raise LabelRefused(
                f"expected a label that nobody used yet, got {name}: {say_used(use)}; what is on record keeps its "
                "name, so leave the label here and name such damage otherwise from now on"
            )
        return _written(desk, tuple(one for one in own.labels if one != name), own, by, REMOVED, name)


def say_used(use: LabelUse) -> str:
    """Where a label is used, in words."""
    said = []
    if use.places:
        said.append(f"{_count(use.places, 'place')} in {_count(use.assemblies, 'assembly')} signed off")
    if use.under_review:
        said.append(f"{_count(use.under_review, 'assembly')} under review")
    if use.on_record and not said:
        said.append(f"{_count(use.on_record, 'entry')} on record, taken back or named otherwise since")
    said += [f"corrected set {snapshot}" for snapshot in use.snapshots[:1]]
    said += [f"model {version}, which learnt it" for version in use.models[:1]]
    return ", ".join(said)


def say_progress(use: LabelUse) -> str:
    """Whether a training is worth it, and how many assemblies it lacks."""
    drawn = use.assemblies - use.teaching
    aside = f" ({_count(drawn, 'assembly')} drawn for a second opinion not counted)" if drawn else ""
    if use.missing:
        return f"{_count(use.missing, 'more assembly')} before a training is worth it{aside}"
    if use.teaching < GOOD_ASSEMBLIES:
        return f"a training is worth it; up to {GOOD_ASSEMBLIES} assemblies make it better{aside}"
    return f"a training is worth it{aside}"


def say_labels(found: LabelsShown) -> str:
    """One line for each label, with its key, and what to do where there is none."""
    if found.wrong:
        return found.wrong
    lines = [
        f"{use.label:20} {f'key {use.key}' if use.key else 'button'}  {_count(use.places, 'place')} in "
        f"{_count(use.assemblies, 'assembly')}: {say_progress(use)}"
        for use in found.uses
    ]
    return "\n".join(lines) or "No label of your own yet: loomtriage label add NAME makes one."


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word[:-1]}ies" if word.endswith("y") else f"{n} {word}s"


def _written(desk: Desk, labels: tuple[str, ...], was: OwnLabels, by: str, what: str, name: str) -> OwnLabels:
    """One file replaced by another: labels and the note of who changed them are never apart."""
    will = OwnLabels(labels, (*was.changes, LabelChange(now().isoformat(), by, what, name)))
    write_own(desk.data, will)
    return will


def _naming(session: Session, labels: Sequence[str]) -> list[tuple[int, dict[str, Any]]]:
    """Assembly and payload of every entry that names one of these labels: edits, second opinions, sign-offs."""
    row = tables.ReviewEntry
    text = cast(row.payload, String)  # a name has small letters and _ only: it stands in JSON as it is
    named = or_(*(text.contains(f'"{label}"', autoescape=True) for label in labels))
    found = session.execute(select(row.assembly_id, row.payload).where(named).order_by(row.id)).all()
    return [(one.assembly_id, one.payload) for one in found if set(_names_in(one.payload)) & set(labels)]


def _names_in(payload: dict[str, Any]) -> Iterator[str]:
    """The labels that an entry gives or that stood when it was written."""
    if isinstance(payload.get("label"), str):
        yield payload["label"]
    if isinstance(payload.get("labels"), dict):
        yield from payload["labels"].values()
    for one in payload.get("named") or ():
        yield one["people"]
        if one["model"] is not None:
            yield one["model"]


def _assemblies(
    session: Session, desk: Desk, labels: Sequence[str], naming: set[int]
) -> Iterator[tuple[str, list[str], list[dict[str, Any]] | None]]:
    """Shop order, labels and what the sign-off named (None while it is not signed off) of each assembly that may carry
    one of the labels: it stands in an entry (`naming`), or a model that learnt it gave it."""
    standing, row = tables.Standing, tables.ReviewEntry
    text = cast(standing.labels, String)
    carry = or_(*(text.contains(f'"{label}"', autoescape=True) for label in labels))
    carried = set(session.scalars(select(standing.assembly_id).where(carry)))
    for assembly_id in sorted(naming | carried):
        where = session.execute(
            select(standing.shop_order, standing.labels, standing.state).where(standing.assembly_id == assembly_id)
        ).one()
        said = select(row).where(row.assembly_id == assembly_id, row.blind.is_(False)).order_by(row.id.desc()).limit(1)
        last = session.scalar(said)
        if last is None or last.kind != SIGN_OFF or where.state not in _DONE:
            yield where.shop_order, where.labels, None
            continue
        named = last.payload.get("named")
        if named is None:  # signed off before the records kept it
            named = named_places(review_of(session, desk, assembly_id))
        yield where.shop_order, where.labels, named


def _taught(shelf: Shelf) -> dict[str, list[str]]:
    """The labels that each model trained here learnt beside the known ones; a damaged one says so on its own line."""
    found = {}
    for version in versions(shelf):
        try:
            found[version] = list(card_of(shelf, version).get("labels_added") or ())
        except ModelRefused:
            continue
    return found


def _kept_sets(shelf: Shelf, labels: Sequence[str]) -> dict[str, set[str]]:
    """Which of the labels stand in each corrected set, damaged ones too: its text is looked through, not read."""
    found = {}
    for path in sorted(shelf.snapshots.glob("*.json")):
        named = re.findall(r'"(?:label|was|second)": "([a-z_]+)"', path.read_text("utf-8", "replace"))
        found[path.stem] = set(named) & set(labels)
    return found
