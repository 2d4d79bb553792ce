"""The kept set of generated lessons that a training mixes with the corrected ones, made once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from desk.learning.cells import PhotoCells, of_scene, read_cells, write_cells
from desk.parallel import Progress, counted, pool_map
from desk.recognition import seen_by
from desk.retrain import recorded
from desk.training_set import SceneJob, candidates_of, cells_of
from models.damage.card import SHIPPED
from models.damage.finder import Finder
from models.damage.lessons import (
    KINDS,
    LESSONS_FILE,
    Lessons,
    LessonsError,
    load_lessons,
    read_kept,
    save_lessons,
    together,
)
from models.damage.store import DamageModel
from sample_images.scene import SCENARIOS
from vision.cells import FEATURE_VERSION
from vision.layout import MatLayout
from vision.sight import first_look

FIRST_SEED = 600_000
"""Far from the seeds that the shipped model learnt from: no part of its finder has seen these scenes."""
_EXTRA = 4
_USUAL_EVERY = 4


@dataclass(frozen=True)
class Generated:
    """Cells of generated scenes, and candidates that the shipped model's finder found on scenes it never saw.

    shipped : how many of the candidates are those that the shipped namers learnt from; 0 where they were not kept
    """

    cells: tuple[PhotoCells, ...]
    lessons: dict[str, Lessons]
    shipped: int


def scenes_to_keep(count: int) -> list[SceneJob]:
    """Every scenario in turn; in every fourth round what a shop's photographs show, else crowded with damages."""
    n = len(SCENARIOS)
    return [
        SceneJob(SCENARIOS[i % n], FIRST_SEED + i // n, None, 0 if (i // n) % _USUAL_EVERY == 3 else _EXTRA)
        for i in range(count)
    ]


def generated_lessons(
    base: DamageModel,
    layouts: Sequence[MatLayout],
    folder: Path,
    count: int,
    workers: int,
    on_progress: Progress | None = None,
) -> Generated:
    """The kept set of ``count`` scenes; scenes in ``folder`` already are not made again, so a run can be resumed."""
    mine = folder / f"generated-{FEATURE_VERSION}-{base.card['content_sha256'][:12]}"
    mine.mkdir(parents=True, exist_ok=True)
    jobs = scenes_to_keep(count)
    absent = [job for job in jobs if not (mine / f"{job.name}.lessons.npz").exists()]
    work = partial(_made, finder=base.finder, made_for=base.card["content_sha256"], layouts=tuple(layouts), folder=mine)
    for _ in counted(pool_map(work, absent, workers), len(absent), "making scenes to mix in", on_progress):
        pass
    cells = [read_cells(mine / f"{job.name}.cells.npz") for job in jobs]
    lessons = shipped_lessons(base)
    shipped = sum(len(one) for one in lessons.values())
    for job in jobs:
        kept = read_kept(mine / f"{job.name}.lessons.npz", base.card["content_sha256"])
        lessons = {kind: together(lessons[kind], kept[kind]) for kind in KINDS}
    return Generated(tuple(one for one in cells if len(one)), lessons, shipped)


def shipped_lessons(base: DamageModel, folder: Path = SHIPPED) -> dict[str, Lessons]:
    """The candidates that the shipped model's namers learnt from, where they were kept beside it; else none."""
    path = folder / LESSONS_FILE
    if not path.exists():
        nothing = Lessons((), np.zeros((0, 0), np.float32), *(np.zeros(0, dtype=np.str_),) * 2, np.zeros(0))
        return {kind: nothing for kind in KINDS}
    try:
        return load_lessons(path, base.card["content_sha256"])
    except LessonsError as error:
        raise LessonsError(f"shipped model: {error}") from error


def _made(job: SceneJob, finder: Finder, made_for: str, layouts: Sequence[MatLayout], folder: Path) -> None:
    """Render one scene, keep its cells and then its candidates: whatever is missing is made by the next run."""
    photo, truth = job.load()
    look = seen_by(first_look(photo, layouts), finder.eye)
    write_cells(folder / f"{job.name}.cells.npz", of_scene(cells_of(look, truth)))
    found = candidates_of(look, truth, finder, job.name, job.usual)
    save_lessons(recorded([found]), made_for, folder / f"{job.name}.lessons.npz")
