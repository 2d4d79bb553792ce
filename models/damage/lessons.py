"""Keeps the candidates that namers learnt from, so that a later training can go on from them without the pictures."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from models.damage.files import write_file

LESSONS_FILE = "lessons.npz"
KINDS = ("wires", "shell")
_FIELDS = ("x", "labels", "groups", "weights")


class LessonsError(ValueError):
    """The lessons cannot be used; the message says what was expected, what came and what to do."""


@dataclass(frozen=True)
class Lessons:
    """What one namer learns from.

    names : (F,) of the features; x : (n, F) float32; labels : (n,) str; groups : (n,) str, scene or assembly: what
    must never be on both sides of a split; weights : (n,) float, how much each counts
    """

    names: tuple[str, ...]
    x: np.ndarray
    labels: np.ndarray
    groups: np.ndarray
    weights: np.ndarray

    def __post_init__(self) -> None:
        n = len(self.x)
        if self.x.shape != (n, len(self.names)) or {len(self.labels), len(self.groups), len(self.weights)} != {n}:
            raise LessonsError(
                f"expected as many labels, groups and weights as candidates of {len(self.names)} features, got "
                f"{len(self.labels)}, {len(self.groups)}, {len(self.weights)} for {self.x.shape}: record them anew"
            )

    def __len__(self) -> int:
        return len(self.x)

    def where(self, rows: np.ndarray) -> Lessons:
        """Those of the (n,) bool mask or row numbers."""
        return Lessons(self.names, self.x[rows], self.labels[rows], self.groups[rows], self.weights[rows])

    def counting(self, weight: float) -> Lessons:
        """The same, each counting ``weight``."""
        return Lessons(self.names, self.x, self.labels, self.groups, np.full(len(self), float(weight)))


def lessons_of(rows: Sequence[tuple[tuple[str, ...], np.ndarray, str, str]], weight: float = 1.0) -> Lessons:
    """Lessons from (feature names, vector, label, group) of candidates; all must have the same features."""
    kinds = {names for names, _, _, _ in rows}
    if len(kinds) > 1:
        raise LessonsError("expected candidates of one feature version, got several: compute them anew")
    names = next(iter(kinds), ())
    x = np.array([vector for _, vector, _, _ in rows], np.float32).reshape(len(rows), len(names))
    labels, groups = (np.array([row[k] for row in rows], dtype=np.str_) for k in (2, 3))
    return Lessons(names, x, labels, groups, np.full(len(rows), float(weight)))


def together(first: Lessons, second: Lessons) -> Lessons:
    """Both; LessonsError where their features differ."""
    if not len(first) or not len(second):
        return second if len(second) else first
    if first.names != second.names:
        odd = sorted(set(first.names) ^ set(second.names))[:3]
        raise LessonsError(f"expected lessons of the same features, got others ({', '.join(odd)} ...): compute anew")
    parts = [np.concatenate([getattr(s, f) for s in (first, second)]) for f in _FIELDS]
    return Lessons(first.names, *parts)


def save_lessons(lessons: Mapping[str, Lessons], made_for: str, path: Path) -> None:
    """Write lessons by kind, whole or not at all. made_for : content hash of the model whose finder found them."""
    arrays: dict[str, np.ndarray] = {"made_for": np.array(made_for)}
    for kind, one in lessons.items():
        arrays[f"{kind}_names"] = np.array(one.names, dtype=np.str_)
        arrays |= {f"{kind}_{field}": getattr(one, field) for field in _FIELDS}
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **arrays)
    write_file(path, stream.getvalue())


def read_kept(path: Path, made_for: str | None = None) -> dict[str, Lessons]:
    """Lessons that were computed and kept; a damaged file is taken away, so that the next run computes it again."""
    try:
        return load_lessons(path, made_for)
    except LessonsError as error:
        path.unlink(missing_ok=True)
        raise LessonsError(f"expected kept lessons in {path.name}, got {error}: taken away, start again") from error


def load_lessons(path: Path, made_for: str | None = None) -> dict[str, Lessons]:
    """Lessons by kind; LessonsError where the file is damaged or belongs to another model than ``made_for``."""
    try:
        with np.load(path, allow_pickle=False) as kept:
            found = {name: kept[name] for name in kept.files}
        told = str(found["made_for"])
        lessons = {
            kind: Lessons(tuple(found[f"{kind}_names"].tolist()), *(found[f"{kind}_{f}"] for f in _FIELDS))
            for kind in (name.removesuffix("_names") for name in found if name.endswith("_names"))
        }
    except (OSError, ValueError, KeyError, BadZipFile) as error:
        raise LessonsError(f"expected recorded lessons in {path}, got {error}: train with --from-samples") from error
    if made_for is not None and told != made_for:
        raise LessonsError(
            f"expected lessons of the model {made_for[:10]}, got those of {told[:10]} in {path}: train it again"
        )
    return lessons
