"""Assesses many photographs and takes the decision on each assembly."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from desk import assess
from desk.assess import AssessSettings
from desk.parallel import pool_map
from desk.together import together
from models.repair import decide
from vision.findings import AssemblyFindings, PhotoFindings, RegionRef
from vision.reading import PhotoError


@dataclass(frozen=True)
class Entry:
    """What came of one photograph: findings, or the line that says why it could not be read."""

    path: Path
    findings: PhotoFindings | None
    error: str | None
    seconds: float


@dataclass(frozen=True)
class Run:
    """The answers on all photographs of one command, and on the assembly when one was named."""

    entries: tuple[Entry, ...]
    assembly: AssemblyFindings | None

    @property
    def all_read(self) -> bool:
        """Whether every photograph could be read."""
        return all(entry.error is None for entry in self.entries)


def assess_all(
    paths: Iterable[Path],
    settings: AssessSettings,
    on_progress: Callable[[Entry], None] | None = None,
    workers: int = 1,
) -> Run:
    """Assess each photograph; one that cannot be read does not stop the others. `on_progress` sees every entry, in the
    order of the photographs. workers : processes that assess; the answers are the same whatever their number."""
    entries = []
    for entry in pool_map(partial(_entry, settings=settings), list(paths), workers, 1):
        entries.append(entry)
        if on_progress:
            on_progress(entry)
    read = [entry.findings for entry in entries if entry.findings is not None]
    if settings.assembly is None or not read:
        return Run(tuple(entries), None)
    read = together(read)
    one_by_one = iter(read)
    entries = [entry if entry.findings is None else replace(entry, findings=next(one_by_one)) for entry in entries]
    return Run(tuple(entries), _assembly(settings.assembly, read, settings))


def _entry(path: Path, settings: AssessSettings) -> Entry:
    start = time.perf_counter()
    try:
        findings = assess.assess_photo(path, settings)
    except PhotoError as error:
        return Entry(path, None, str(error), time.perf_counter() - start)
    decision = None if settings.assembly is not None else decide([findings], settings.answers, settings.rules)
    findings = findings.model_copy(update={"decision": decision})
    return Entry(path, findings, None, time.perf_counter() - start)


def _assembly(name: str, photos: Sequence[PhotoFindings], settings: AssessSettings) -> AssemblyFindings:
    """One decision over all photographs; a photograph given twice is the same picture and counts once."""
    once = list({photo.photo.sha256: photo for photo in photos}.values())
    return AssemblyFindings(
        assembly=name,
        photos=[photo.photo.sha256 for photo in once],
        regions=[RegionRef(photo=photo.photo.sha256, id=region.id) for photo in once for region in photo.regions],
        decision=decide(once, settings.answers, settings.rules),
    )
