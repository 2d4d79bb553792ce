"""Places whose given label a model that never saw their assembly finds improbable: is the label right?"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from pydantic import TypeAdapter, ValidationError

from desk.errors import DeskError
from desk.learning.corrected import LearningValue, Place, Snapshot
from desk.learning.model_shelf import folder_of, versions
from desk.learning.shelf import Shelf
from desk.review.agreement import cohen_kappa
from desk.statistics import wilson
from models.damage.files import write_file

DOUBTS_FILE = "doubts.json"


class Doubt(LearningValue):
    """One place: the label it was given and the label that folds without its assembly find likeliest, each with p."""

    assembly: str
    sha256: str
    region: str
    given: str
    p_given: float
    likeliest: str
    p_likeliest: float


_DOUBTS = TypeAdapter(list[Doubt])


def doubts_of(
    labels: tuple[str, ...],
    given: Sequence[str],
    held_out: np.ndarray,
    shown: Sequence[tuple[str, str, str]],
) -> list[Doubt]:
    """Places whose given label is not the likeliest, the least probable first. A place that was seen with several
    outlines is named by the one that speaks most for its label.

    held_out : (n, C) calibrated probabilities that folds not trained on gave; shown : assembly, photograph, region
    """
    seen: dict[tuple[str, str, str], tuple[str, np.ndarray]] = {}
    for label, p, place in zip(given, held_out, shown, strict=True):
        k = labels.index(label)
        if place not in seen or p[k] > seen[place][1][k]:
            seen[place] = label, p
    found = []
    for (assembly, sha, region), (label, p) in seen.items():
        best = int(p.argmax())
        if region and labels[best] != label:
            found.append(
                Doubt(
                    assembly=assembly, sha256=sha, region=region, given=str(label),
                    p_given=round(float(p[labels.index(label)]), 4), likeliest=labels[best],
                    p_likeliest=round(float(p[best]), 4),
                )
            )  # fmt: skip
    return sorted(found, key=lambda d: (d.p_given, d.assembly, d.region))


def write_doubts(folder: Path, doubts: Sequence[Doubt]) -> None:
    """Lay them beside the model that has them."""
    write_file(folder / DOUBTS_FILE, json.dumps([d.model_dump() for d in doubts], indent=1).encode())


def read_doubts(folder: Path) -> list[Doubt]:
    """Doubts of a model; none where it was not trained from corrections."""
    try:
        return _DOUBTS.validate_json((folder / DOUBTS_FILE).read_bytes())
    except FileNotFoundError:
        return []
    except ValidationError as error:
        raise DeskError(f"{folder.name}: expected the model's doubts, got a damaged file: train it again") from error


def newest_doubts(shelf: Shelf) -> tuple[str, list[Doubt]]:
    """The newest model trained from corrections and everything it doubts; an empty name where there is none. Doubts of
    the models before it are of labels as they were then."""
    for version in reversed(versions(shelf)):
        folder = folder_of(shelf, version)
        if (folder / DOUBTS_FILE).exists():
            return version, read_doubts(folder)
    return "", []


class PairAgreement(LearningValue):
    """How often two people gave one place the same label. `kappa`: Cohen's; None where chance alone explains all."""

    first: str
    second: str
    places: int
    same: int
    kappa: float | None


class Agreed(LearningValue):
    """Agreement of first reviewers with blind second opinions, and the ceiling that it puts on any model.

    `by_label`: for each label the first gave, places and how many the second called the same;
    `ceiling_low`, `ceiling`, `ceiling_high`: share of places on which both agree. A model measured against one of two
    people who differ cannot be right more often than they agree, but for luck.
    """

    by_pair: list[PairAgreement]
    by_label: dict[str, tuple[int, int]]
    places: int
    ceiling: float | None
    ceiling_low: float | None
    ceiling_high: float | None


def agreed(snapshot: Snapshot) -> Agreed:
    """Agreement over every place of the snapshot that was named twice."""
    twice = [p for photo in snapshot.photos for p in photo.places if p.second is not None and p.verdict != "unjudged"]
    by_label: dict[str, tuple[int, int]] = {}
    for place in twice:
        n, same = by_label.get(place.label, (0, 0))
        by_label[place.label] = (n + 1, same + (place.second == place.label))
    share = wilson(sum(p.second == p.label for p in twice), len(twice))
    people = sorted({(p.reviewer, p.second_by or "") for p in twice})
    return Agreed(
        by_pair=[_pair(*two, [p for p in twice if (p.reviewer, p.second_by or "") == two]) for two in people],
        by_label=by_label,
        places=len(twice),
        ceiling=share.value,
        ceiling_low=share.low,
        ceiling_high=share.high,
    )


def _pair(first: str, second: str, places: Sequence[Place]) -> PairAgreement:
    pairs = [(p.label, str(p.second)) for p in places]
    same = sum(a == b for a, b in pairs)
    return PairAgreement(first=first, second=second, places=len(pairs), same=same, kappa=cohen_kappa(pairs))
