"""Fits the eye to patches of some cells of generated scenes, which wait in a file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import IO, Any

import numpy as np

from desk.cell_truth import CELL_CLASSES, cell_classes
from desk.errors import DeskError
from desk.parallel import Progress
from desk.recognition import patches_of
from desk.training_set import SceneJob
from models.damage.eye import Eye
from models.damage.eye_training import EyeSettings, fit_eye
from models.damage.refit import Steps
from sample_images.scene import SCENARIOS
from vision.cell_patches import COLUMNS, ROWS, STEPS_MM
from vision.findings import LABELS
from vision.layout import MatLayout
from vision.sight import first_look

_COMMON_EACH, _DAMAGED_EACH = 60, 150
"""Cells of a scene that are taught of every class: damage is rare, and what is around it is not."""
_HELD_OUT_EVERY = 16
"""One round of scenarios in so many is not taught, but tells how well the eye sees."""
_FEWEST_STEPS = 100
_SHAPE = (len(STEPS_MM), ROWS, COLUMNS, 3)


@dataclass(frozen=True)
class EyeLesson:
    """Some cells of one scene. patches : (N, 2, ROWS, COLUMNS, 3) int8; classes : (N,) indices into `CELL_CLASSES`."""

    patches: np.ndarray
    classes: np.ndarray


def eye_lesson(job: SceneJob, layouts: Sequence[MatLayout]) -> EyeLesson:
    """Look at one scene and cut out cells of every class."""
    photo, truth = job.load()
    look = first_look(photo, layouts)
    if len(look.cells.xy) == 0:
        return EyeLesson(np.zeros((0, *_SHAPE), np.int8), np.zeros(0, int))
    classes = cell_classes(truth, look.canvas.to_photo_px(look.cells.xy))
    rng = np.random.default_rng(job.seed)
    most = [_DAMAGED_EACH if name in LABELS else _COMMON_EACH for name in CELL_CLASSES]
    taken = [rng.permutation(np.flatnonzero(classes == k))[:count] for k, count in enumerate(most)]
    mine = np.sort(np.concatenate(taken))
    patches = list(patches_of(look, mine))
    return EyeLesson(np.concatenate(patches) if patches else np.zeros((0, *_SHAPE), np.int8), classes[mine])


def patches_in(file: IO[bytes], lessons: Iterable[EyeLesson]) -> tuple[np.ndarray, np.ndarray]:
    """All patches, moved to a file and mapped from it, and their classes: together they would fill the memory."""
    classes = []
    for lesson in lessons:
        file.write(lesson.patches.tobytes())
        classes.append(lesson.classes)
    file.flush()
    truth = np.concatenate(classes)
    if len(truth) == 0:
        return np.zeros((0, *_SHAPE), np.int8), truth
    return np.memmap(file, np.int8, "r", shape=(len(truth), *_SHAPE)), truth


def fitted_eye(
    lessons: Iterable[EyeLesson],
    settings: EyeSettings,
    usual_scenes: int,
    seed: int,
    on_progress: Progress | None,
    threads: int = 1,
) -> tuple[Eye, dict[str, Any]]:
    """The eye, and how well it sees scenes left out: the share of each class, of cells looked at, that it takes for
    what it is.

    lessons : every scenario in turn; usual_scenes : for how many scenes the steps are meant; of fewer it takes fewer.
    Raises DeskError where a class is not shown.
    """
    taught: list[EyeLesson] = []
    held_out: list[EyeLesson] = []

    def to_teach() -> Iterable[EyeLesson]:
        for number, lesson in enumerate(lessons):
            taught.append(replace(lesson, patches=lesson.patches[:0]))
            if number // len(SCENARIOS) % _HELD_OUT_EVERY == _HELD_OUT_EVERY - 1:
                held_out.append(lesson)
            else:
                yield lesson

    with tempfile.TemporaryFile() as file:
        patches, truth = patches_in(file, to_teach())
        absent = [name for k, name in enumerate(CELL_CLASSES) if not (truth == k).any()]
        if absent:
            raise DeskError(
                f"retrain: expected cells of every class, got none of {', '.join(absent)}: use more scenes (--scenes)"
            )
        count = max(_FEWEST_STEPS, round(settings.steps * min(1.0, len(taught) / usual_scenes)))
        steps = Steps(count, partial(on_progress, "fitting the eye") if on_progress else None)
        eye = fit_eye(CELL_CLASSES, patches, truth, replace(settings, steps=count), seed, threads, steps.step)
    figures: dict[str, Any] = {"scenes": len(taught) - len(held_out), "held_out": len(held_out)}
    if sum(len(lesson.classes) for lesson in held_out):
        said = np.concatenate([eye.logs(lesson.patches) for lesson in held_out]).argmax(axis=1)
        true = np.concatenate([lesson.classes for lesson in held_out])
        figures["recall"] = {
            name: round(float((said[true == k] == k).mean()), 3)
            for k, name in enumerate(CELL_CLASSES)
            if (true == k).any()
        }
    return eye, figures
