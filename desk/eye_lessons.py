"""What the eye learns from: patches of some cells of generated scenes, which wait in a file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import IO

import numpy as np

from desk.cell_truth import CELL_CLASSES, cell_classes
from desk.training_set import SceneJob
from vision.cell_patches import COLUMNS, ROWS, STEPS_MM, cell_patches
from vision.findings import LABELS
from vision.layout import MatLayout
from vision.sight import first_look

_COMMON_EACH, _DAMAGED_EACH = 60, 150
"""Cells of a scene that are taught of every class: damage is rare, and what is around it is not."""
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
    cut = cell_patches(look.even.lab, look.cells.xy[mine], look.cells.direction[mine], look.canvas.px_per_mm)
    patches = [some for _, some in cut]
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
