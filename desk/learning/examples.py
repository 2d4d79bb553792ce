"""Examples for a model's card: for each label a few corrected places that it named right, and a few that it did not."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Literal

import numpy as np
from pydantic import TypeAdapter, ValidationError

from desk.errors import DeskError
from desk.learning.corrected import LearningValue, Place, Snapshot
from models.damage.files import write_file

EXAMPLES_FILE = "examples.json"
MOST = 3
"""Examples of one label, of each sort."""
NOTHING = "nothing"
"""What a model said of a place that it did not find."""


class Example(LearningValue):
    """One place. `said`: what the model called it, with its probability where that is known; `how`: by parts of the
    model that had not seen the assembly (`unseen`), or while the model was in use (`in use`)."""

    assembly: str
    sha256: str
    region: str
    given: str
    said: str
    p: float | None
    how: Literal["unseen", "in use"]

    @property
    def right(self) -> bool:
        """Whether the model named it as the reviewer did."""
        return self.said == self.given


_EXAMPLES = TypeAdapter(list[Example])


def examples_of(
    labels: tuple[str, ...], given: Sequence[str], held_out: np.ndarray, shown: Sequence[tuple[str, str, str]]
) -> list[Example]:
    """Examples from a training. held_out : (n, C) calibrated probabilities that folds not trained on gave;
    shown : assembly, photograph, region (empty where it is no place of a review)"""
    found = []
    for label, p, (assembly, sha, region) in zip(given, held_out, shown, strict=True):
        best = int(p.argmax())
        if region:
            found.append(
                Example(
                    assembly=assembly, sha256=sha, region=region, given=str(label), said=labels[best],
                    p=round(float(p[best]), 4), how="unseen",
                )
            )  # fmt: skip
    return few(found)


def reviewed_examples(snapshot: Snapshot, version: str) -> list[Example]:
    """Examples from what reviewers said of a model's answers."""
    return few(
        Example(
            assembly=photo.assembly,
            sha256=photo.sha256,
            region=place.region,
            given=place.label,
            said=_said(place),
            p=None,
            how="in use",
        )
        for photo in snapshot.photos
        if photo.model_version == version
        for place in photo.judged
    )


def _said(place: Place) -> str:
    return NOTHING if place.was is None else place.was


def few(examples: Iterable[Example]) -> list[Example]:
    """At most `MOST` right and `MOST` wrong ones of each label, the surest first, no two of one assembly while there
    are others."""
    ordered = sorted(examples, key=lambda e: (-(e.p or 0.0), e.assembly, e.sha256, e.region))
    out: list[Example] = []
    for label in sorted({e.given for e in ordered}):
        for right in (True, False):
            mine = [e for e in ordered if e.given == label and e.right == right]
            of_assembly = {e.assembly: e for e in reversed(mine)}  # the surest of each
            out += sorted(mine, key=lambda e: of_assembly[e.assembly] != e)[:MOST]
    return out


def write_examples(folder: Path, examples: Sequence[Example]) -> None:
    """Lay them beside the model they are of."""
    write_file(folder / EXAMPLES_FILE, json.dumps([e.model_dump() for e in examples], indent=1).encode())


def read_examples(folder: Path) -> list[Example]:
    """Examples of a model's training; none where it was not trained from corrections."""
    try:
        return _EXAMPLES.validate_json((folder / EXAMPLES_FILE).read_bytes())
    except FileNotFoundError:
        return []
    except ValidationError as error:
        raise DeskError(f"{folder.name}: expected the model's examples, got a damaged file: train it again") from error
