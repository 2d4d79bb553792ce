"""Who learns and who tests: photographs split by assembly, never by place."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from desk.learning.corrected import CorrectedError, ReviewedPhoto, Snapshot, once_each

FOLDS = 2


@dataclass(frozen=True)
class Sides:
    """Photographs to learn from, and those held out: drawn for second opinions, or named to be kept out."""

    learn: tuple[ReviewedPhoto, ...]
    held: tuple[ReviewedPhoto, ...]

    def folds(self) -> dict[str, int]:
        """Fold of each learnt assembly; assemblies of each label are spread evenly, the same way for the same ones."""
        of = {photo.assembly: "" for photo in self.learn}
        for photo in self.learn:
            labels = sorted(place.label for place in photo.judged if place.label != "sound")
            of[photo.assembly] = max(of[photo.assembly], labels[0] if labels else "")
        ordered = sorted(of, key=lambda a: (of[a], hashlib.sha256(a.encode()).digest()))
        return {assembly: n % FOLDS for n, assembly in enumerate(ordered)}


def split(snapshot: Snapshot, keep_out: Collection[str] = ()) -> Sides:
    """Both sides of a snapshot; CorrectedError where it cannot be learnt from, or a name is none of its assemblies."""
    once_each(snapshot.photos)
    unknown = sorted(set(keep_out) - set(snapshot.assemblies))
    if unknown:
        raise CorrectedError(
            f"--keep-out: expected assemblies of snapshot {snapshot.id}, got {', '.join(unknown[:3])}: check the file"
        )
    away = set(keep_out)
    learn = tuple(p for p in snapshot.photos if not p.blind and p.assembly not in away)
    held = tuple(p for p in snapshot.photos if p.blind or p.assembly in away)
    apart(learn, held)
    labels = {place.label for photo in learn for place in photo.judged}
    if len(labels) < 2:
        got = f"only {next(iter(labels))}" if labels else "none"
        raise CorrectedError(
            f"snapshot {snapshot.id}: expected judged places of two labels or more to learn from, got {got}: "
            "review more assemblies, a rejected find counts as sound"
        )
    return Sides(learn, held)


def apart(learn: Sequence[ReviewedPhoto], held: Sequence[ReviewedPhoto]) -> None:
    """CorrectedError where an assembly or a photograph is on both sides."""
    both = sorted({p.assembly for p in learn} & {p.assembly for p in held})
    if both:
        raise CorrectedError(
            f"expected each assembly on one side, got {', '.join(both[:3])} among those learnt from and those held "
            "out: keep all photographs of an assembly together"
        )
    once_each([*learn, *held])


def read_keep_out(path: Path) -> list[str]:
    """Names of assemblies, one a line; CorrectedError where the file cannot be read or names none."""
    try:
        lines = [line.strip() for line in path.read_text("utf-8").splitlines()]
    except (OSError, UnicodeDecodeError) as error:
        raise CorrectedError(f"--keep-out: expected a text file with one assembly a line, got {error}") from error
    found = [line for line in lines if line]
    if not found:
        raise CorrectedError(f"--keep-out: expected one assembly a line in {path}, got none: leave the option out")
    return found
