"""Trains a model from corrections: the shipped model taught further, its namers fitted anew, a card that says all."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from desk.errors import DeskError
from desk.learning.candidates import Candidates, corrected_candidates
from desk.learning.cells import kept_cells, look_at_reviewed
from desk.learning.choices import TrainingChoices
from desk.learning.corrected import ReviewedPhoto, Snapshot
from desk.learning.doubts import Doubt, doubts_of
from desk.learning.examples import Example, examples_of
from desk.learning.finder import teach_finder
from desk.learning.finder_rows import CellSettings
from desk.learning.generated import Generated, generated_lessons
from desk.learning.seeds import CARD_SEEDS
from desk.learning.shelf import Shelf
from desk.learning.sides import Sides, split
from desk.parallel import Progress
from desk.records.photo_store import PhotoStore
from desk.retrain import SHELL_LABELS, WIRE_LABELS
from desk.statistics import f1_by_label
from models.damage.lessons import Lessons, together
from models.damage.namer import MISCOVERAGE, SHELL_SOUND_MISCOVERAGE, Namer
from models.damage.packed import gains
from models.damage.refit import CHOICES, SHELL_CHOICES, ClassifierSettings, RefitError, Refitted, refit_namer
from models.damage.store import DamageModel, content_hash
from vision.cells import FEATURE_VERSION
from vision.findings import LABELS
from vision.layout import MatLayout

_PRIOR_PHOTOS = 30.0
"""How many photographs the shipped rates of what is missed count as."""


@dataclass(frozen=True)
class RelearnSettings(TrainingChoices):
    """How a model is trained from corrections."""

    workers: int = 2
    cells: CellSettings = field(default_factory=CellSettings)
    choices: tuple[ClassifierSettings, ...] = CHOICES
    shell_choices: tuple[ClassifierSettings, ...] = SHELL_CHOICES


@dataclass(frozen=True)
class Relearnt:
    """A trained model; photographs that could not be looked at, one line each; labels that it finds improbable; places
    that it named right and wrong unseen; the lessons of its namers."""

    model: DamageModel
    sides: Sides
    amiss: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    examples: tuple[Example, ...]
    lessons: dict[str, Lessons]


def relearn(
    snapshot: Snapshot,
    base: DamageModel,
    shelf: Shelf,
    layouts: Sequence[MatLayout],
    settings: RelearnSettings,
    keep_out: Collection[str] = (),
    on_progress: Progress | None = None,
) -> Relearnt:
    """A model from a snapshot. It always starts from the shipped one, so that no earlier training has seen what this
    one tests on; the same snapshot, versions and seed give the same model.
    """
    check_version(snapshot)
    sides = split(snapshot, keep_out)
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    with threadpool_limits(1):
        return _relearnt(snapshot, sides, base, shelf, layouts, settings, on_progress)


def check_version(snapshot: Snapshot) -> None:
    """DeskError where the snapshot was kept with other features than this version computes. What it holds are outlines
    and labels, so a newer version may learn from it; an older one cannot know what it means."""
    if _number(snapshot.feature_version) > _number(FEATURE_VERSION):
        raise DeskError(
            f"snapshot {snapshot.id}: expected feature version {FEATURE_VERSION} or older, got "
            f"{snapshot.feature_version}: update loomtriage, or make the snapshot here"
        )


def _number(version: str) -> int:
    return int(version) if version.isdigit() else 10**6


def _relearnt(
    snapshot: Snapshot,
    sides: Sides,
    base: DamageModel,
    shelf: Shelf,
    layouts: Sequence[MatLayout],
    settings: RelearnSettings,
    on_progress: Progress | None,
) -> Relearnt:
    store = PhotoStore(shelf.data / "photos")
    mixed = generated_lessons(base, layouts, shelf.lessons, settings.scenes, settings.workers, on_progress)
    eye = base.finder.eye
    cells_folder = kept_cells(shelf.lessons, eye)
    looked = look_at_reviewed(sides.learn, store, layouts, cells_folder, settings.workers, eye, on_progress)
    photos = [p for p in sides.learn if p.sha256 in looked.cells]
    if not photos:
        raise DeskError(f"snapshot {snapshot.id}: expected its photographs in the store, got none: bring them back")
    folds = replace(sides, learn=tuple(photos)).folds()

    def step(name: str):
        return (lambda done, total: on_progress(name, done, total)) if on_progress else None

    cells = [(looked.cells[p.sha256], folds[p.assembly]) for p in photos]
    weighted = replace(settings.cells, weight=settings.weight)
    taught = teach_finder(base.finder, cells, mixed.cells, weighted, settings.seed, on_progress)
    found = corrected_candidates(
        photos, folds, taught, store, layouts, shelf.lessons, settings.workers, on_progress
    )  # fmt: skip
    new = taught.final.classes[len(base.finder.classes) :]
    wires, shells = (
        _namer(kind, labels, shift, mixed, found, settings, step(f"fitting the namer of {words}"))
        for kind, labels, shift, words in (
            ("wires", (*WIRE_LABELS[:-1], *new, "sound"), base.wires.sound_shift, "wires"),
            ("shell", SHELL_LABELS, base.shells.sound_shift, "housings"),
        )
    )
    told = {"wires": wires, "shell": shells}
    card = _card(snapshot, sides, photos, base, settings, mixed, found, told, new)
    card["finder_kept"] = taught.kept.as_dict()
    model = replace(base, finder=taught.final, wires=wires.refitted.namer, shells=shells.refitted.namer, card=card)
    card["version"] = f"desk-{content_hash(model)[:10]}"
    doubts = [d for kind, one in told.items() for d in one.doubts(found.shown[kind])]
    doubts.sort(key=lambda d: d.p_given)
    examples = tuple(e for kind, one in told.items() for e in one.examples(found.shown[kind]))
    lessons = {kind: one.lessons for kind, one in told.items()}
    return Relearnt(
        replace(model, card=card), replace(sides, learn=tuple(photos)), looked.amiss, tuple(doubts), examples, lessons
    )


@dataclass(frozen=True)
class _Named:
    """A fitted namer with the lessons it learnt from. corrected : (n,) bool"""

    refitted: Refitted
    lessons: Lessons
    corrected: np.ndarray

    def doubts(self, shown: Sequence[tuple[str, str, str]]) -> list[Doubt]:
        """Corrected places whose label folds not trained on find improbable."""
        mine, refitted = self.corrected, self.refitted
        return doubts_of(refitted.namer.labels, self.lessons.labels[mine].tolist(), refitted.held_out[mine], shown)

    def examples(self, shown: Sequence[tuple[str, str, str]]) -> list[Example]:
        """A few corrected places of each label that folds not trained on named right and wrong."""
        mine, refitted = self.corrected, self.refitted
        return examples_of(refitted.namer.labels, self.lessons.labels[mine].tolist(), refitted.held_out[mine], shown)

    def pairs(self, corrected: bool) -> list[tuple[str, str | None]]:
        """True labels beside those that folds not trained on gave."""
        names = self.refitted.namer.labels
        said = [names[i] for i in self.refitted.held_out.argmax(axis=1)]
        return [
            (str(true), name)
            for true, name, mine in zip(self.lessons.labels, said, self.corrected, strict=True)
            if mine == corrected
        ]


def _namer(
    kind: str,
    labels: tuple[str, ...],
    sound_shift: float,
    mixed: Generated,
    found: Candidates,
    settings: RelearnSettings,
    on_step,
) -> _Named:
    mine = found.lessons[kind].counting(settings.weight)
    made = aligned(mixed.lessons[kind], mine.names) if len(mine) else mixed.lessons[kind]
    lessons = together(made, mine)
    corrected = np.arange(len(lessons)) >= len(made)
    calibrates = np.concatenate([np.ones(len(made), bool), found.calibrates[kind]])
    wires = kind == "wires"
    choices = settings.choices if wires else settings.shell_choices
    may_lose = MISCOVERAGE if wires else SHELL_SOUND_MISCOVERAGE
    try:
        refitted = refit_namer(
            labels, lessons, settings.seed, calibrates, choices, settings.workers, on_step, sound_shift, may_lose
        )
    except RefitError as error:
        raise DeskError(f"retrain: namer of {kind}: {error}") from error
    return _Named(refitted, lessons, corrected)


def aligned(lessons: Lessons, names: tuple[str, ...]) -> Lessons:
    """Lessons with the features ``names``: what a finder says of a class it did not know yet is nothing."""
    if lessons.names == names or not len(lessons):
        return lessons
    at = {name: k for k, name in enumerate(lessons.names)}
    foreign = [n for n in names if n not in at and not n.startswith("finder_")] + sorted(set(at) - set(names))
    if foreign:
        raise DeskError(f"retrain: expected lessons of this feature version, got others ({foreign[0]}): train anew")
    x = np.zeros((len(lessons), len(names)), np.float32)
    for k, name in enumerate(names):
        if name in at:
            x[:, k] = lessons.x[:, at[name]]
    return replace(lessons, names=names, x=x)


def _card(
    snapshot: Snapshot,
    sides: Sides,
    photos: Sequence[ReviewedPhoto],
    base: DamageModel,
    settings: RelearnSettings,
    mixed: Generated,
    found: Candidates,
    told: dict[str, _Named],
    new: Sequence[str],
) -> dict[str, Any]:
    days = snapshot.days()
    places = Counter(place.verdict for photo in photos for place in photo.places)
    return {
        "feature_version": FEATURE_VERSION,
        "trained_on": f"{sum(len(p.judged) for p in photos)} judged places of {len(photos)} photographs "
        f"(snapshot {snapshot.id}), from model {base.version}",
        "snapshot": snapshot.id,
        "snapshot_days": list(days) if days else None,
        "base": {name: base.card[name] for name in ("version", "content_sha256", *CARD_SEEDS) if name in base.card},
        "labels_added": list(new),
        "settings": {k: v for k, v in asdict(settings).items() if k != "workers"},
        "assemblies": len({p.assembly for p in photos}),
        "photographs": len(photos),
        "learnt_assemblies": sorted({p.assembly for p in photos}),
        "held_out_assemblies": sorted({p.assembly for p in sides.held}),
        "places": {verdict: places.get(verdict, 0) for verdict in sorted(places)},
        "candidates": {
            kind: {
                "corrected": _counts(one.lessons.labels[one.corrected]),
                "generated": _counts(one.lessons.labels[~one.corrected]),
                "shown as the final finder sees them": int((~found.calibrates[kind]).sum()),
            }
            for kind, one in told.items()
        },
        "f1_out_of_fold": {
            kind: {"corrected": f1_by_label(one.pairs(True)), "generated": f1_by_label(one.pairs(False))}
            for kind, one in told.items()
        },
        "choice": {
            kind: {
                "classifier": one.refitted.settings.words,
                "settings": asdict(one.refitted.settings),
                "log_loss": one.refitted.losses,
            }
            for kind, one in told.items()
        },
        "importance": {kind: _importance(one.refitted.namer) for kind, one in told.items()},
        "no_region_rates": _rates(base, photos, told, new),
        "generated_scenes": len(mixed.cells),
        "shipped_lessons": mixed.shipped,
    }


def _importance(namer: Namer) -> list[tuple[str, float]]:
    """The features that the classifier's splits gain most by, with their shares."""
    gain = gains(namer.classifier)
    return [(namer.feature_names[i], round(float(gain[i]), 4)) for i in np.argsort(-gain)[:15]]


def _counts(labels: np.ndarray) -> dict[str, int]:
    return {str(name): int(n) for name, n in zip(*np.unique(labels, return_counts=True), strict=True)}


def _rates(
    base: DamageModel, photos: Sequence[ReviewedPhoto], told: dict[str, _Named], new: Sequence[str]
) -> dict[str, float]:
    """What photographs without any named damage really show: the shipped rates, moved by what reviewers found."""
    damaged: set[str] = set()
    for one in told.values():
        names = np.array(one.refitted.namer.labels)[one.refitted.held_out.argmax(axis=1)]
        groups = one.lessons.groups[one.corrected & (names != "sound")]
        damaged |= {str(g).removeprefix("assembly ") for g in groups}
    counts = {name: _PRIOR_PHOTOS * base.card["no_region_rates"].get(name, 0.0) for name in (*LABELS, *new)}
    for photo in photos:
        if photo.assembly not in damaged:
            labels = [p.label for p in photo.judged if p.label != "sound"] or ["sound"]
            counts[labels[0]] = counts.get(labels[0], 0.0) + 1.0
    total = sum(counts.values())
    return {name: value / total for name, value in counts.items()}
