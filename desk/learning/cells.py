"""Cells of reviewed photographs and of generated scenes, computed once and kept under what they were made of."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from desk.cell_truth import CELL_CLASSES, UNSURE_TRUTH, cell_classes
from desk.learning.corrected import SOUND, ReviewedPhoto
from desk.learning.truths import damage_places, inside_of, truth_key, truth_of
from desk.parallel import Progress, counted, pool_map
from desk.recognition import seen_by
from desk.records.errors import PhotoAltered, PhotoMissing
from desk.records.photo_store import PhotoStore
from desk.training_set import CellLesson, cells_of
from models.damage.eye import Eye
from models.damage.files import write_file
from models.damage.store import eye_hash
from vision.cells import FEATURE_VERSION
from vision.layout import MatLayout
from vision.reading import PhotoError, read_photo
from vision.sight import first_look

GROUND = CELL_CLASSES[0]
SOUND_CLASSES = CELL_CLASSES[: CELL_CLASSES.index("external_heat")]
"""What a cell can be where nothing is damaged."""


@dataclass(frozen=True)
class PhotoCells:
    """The cells of one photograph.

    names : (F,); xy : (N, 2) canvas px; features : (N, F) float32; lanes : (N, L), as of `Cells`;
    classes : (N,) numbers in `class_names`, -1 nothing taught; in a reviewed photograph `ground` says only that
    nothing is damaged there; rejected : (N,) bool, on a false find
    """

    names: tuple[str, ...]
    xy: np.ndarray
    features: np.ndarray
    lanes: np.ndarray
    classes: np.ndarray
    class_names: tuple[str, ...]
    rejected: np.ndarray
    reviewed: bool

    def __len__(self) -> int:
        return len(self.xy)


@dataclass(frozen=True)
class Looked:
    """What came of looking at photographs: their cells by hash, and one line for each that could not be looked at."""

    cells: dict[str, PhotoCells]
    amiss: tuple[str, ...]


def kept_cells(lessons: Path, eye: Eye | None) -> Path:
    """Where the cells of reviewed photographs are kept: with other features or another eye they are others."""
    return lessons / f"reviewed-{FEATURE_VERSION}-{eye_hash(eye)[:12]}"


def look_at_reviewed(
    photos: Sequence[ReviewedPhoto],
    store: PhotoStore,
    layouts: Sequence[MatLayout],
    folder: Path,
    workers: int,
    eye: Eye | None,
    on_progress: Progress | None = None,
) -> Looked:
    """The cells of every photograph; what is in ``folder`` already is not computed again, so a run can be resumed."""
    folder.mkdir(parents=True, exist_ok=True)
    work = partial(_looked, store=store, layouts=tuple(layouts), folder=folder, eye=eye)
    absent = [photo for photo in photos if not (folder / f"{truth_key(photo, FEATURE_VERSION)}.npz").exists()]
    done = counted(pool_map(work, absent, workers), len(absent), "looking at photographs", on_progress)
    amiss = [line for line in done if line]
    found = {}
    for photo in photos:
        path = folder / f"{truth_key(photo, FEATURE_VERSION)}.npz"
        if path.exists():
            found[photo.sha256] = read_cells(path)
    return Looked(found, tuple(amiss))


def _looked(
    photo: ReviewedPhoto, store: PhotoStore, layouts: Sequence[MatLayout], folder: Path, eye: Eye | None
) -> str | None:
    """Look at one photograph and keep its cells; the line that says why not, where it cannot be read."""
    try:
        picture = read_photo(store.checked(photo.sha256, photo.suffix))
    except (PhotoMissing, PhotoAltered, PhotoError) as error:
        return f"{photo.assembly}, {photo.name}: {error}"
    look = seen_by(first_look(picture, layouts, assumed_mm_per_px=photo.assumed_mm_per_px), eye)
    path = folder / f"{truth_key(photo, FEATURE_VERSION)}.npz"
    write_cells(path, cells_of_review(look.canvas.to_photo_px(look.cells.xy), cells_of(look, truth_bare(photo)), photo))
    return None


def truth_bare(photo: ReviewedPhoto):
    """The photograph's truth without damages: the cells are classed by `cells_of_review`."""
    return truth_of(photo.model_copy(update={"places": []}))


def cells_of_review(photo_xy: np.ndarray, plain: CellLesson, photo: ReviewedPhoto) -> PhotoCells:
    """The cells with what was said of each. photo_xy : (N, 2) their places in the photograph."""
    labels = [p.label for p in damage_places(photo)]
    names = (*CELL_CLASSES, *sorted(set(labels) - set(CELL_CLASSES)))
    shape = (photo.height_px, photo.width_px)
    if len(plain.xy):
        classes = cell_classes(truth_of(photo), photo_xy, classes=names)
        open_ = inside_of([p for p in photo.places if p.verdict == "unjudged"], photo_xy, shape)
        classes = np.where(open_ & (classes == 0), UNSURE_TRUTH, classes)
        rejected = inside_of([p for p in photo.judged if p.label == SOUND], photo_xy, shape) & (classes == 0)
    else:
        classes, rejected = np.zeros(0, int), np.zeros(0, bool)
    return PhotoCells(plain.names, plain.xy, plain.features, plain.lanes, classes, names, rejected, True)


def of_scene(lesson: CellLesson) -> PhotoCells:
    """The cells of a generated scene, whose truth tells every class."""
    no = np.zeros(len(lesson.xy), bool)
    return PhotoCells(
        lesson.names, lesson.xy, lesson.features, lesson.lanes, lesson.classes, CELL_CLASSES, no, reviewed=False
    )


def write_cells(path: Path, cells: PhotoCells) -> None:
    """Keep cells in one file, whole or not at all."""
    stream = io.BytesIO()
    np.savez_compressed(
        stream, allow_pickle=False, names=np.array(cells.names, dtype=np.str_), xy=cells.xy, features=cells.features,
        lanes=cells.lanes.astype(np.int32), classes=cells.classes.astype(np.int16),
        class_names=np.array(cells.class_names, dtype=np.str_), rejected=cells.rejected,
        reviewed=np.array(cells.reviewed),
    )  # fmt: skip
    write_file(path, stream.getvalue())


def read_cells(path: Path) -> PhotoCells:
    """Cells as they were kept; a damaged file is taken away, so that the next run computes it again."""
    try:
        with np.load(path, allow_pickle=False) as kept:
            return PhotoCells(
                tuple(kept["names"].tolist()), kept["xy"], kept["features"], kept["lanes"],
                kept["classes"].astype(int), tuple(kept["class_names"].tolist()), kept["rejected"],
                bool(kept["reviewed"]),
            )  # fmt: skip
    except (OSError, ValueError, KeyError, BadZipFile) as error:
        path.unlink(missing_ok=True)
        raise PhotoError(f"expected kept cells in {path.name}, got {error}: taken away, start again") from error


def as_lesson(cells: PhotoCells, answers: np.ndarray, classes: tuple[str, ...]) -> CellLesson:
    """The cells as the finder learns from them.

    answers : (N, C) what the earlier finder says of them, its classes first in ``classes``: where a reviewed
    photograph only says that nothing is damaged, a cell is what that finder takes it for apart from damage.
    """
    number = np.array([classes.index(name) for name in cells.class_names])
    taught = np.where(cells.classes >= 0, number[np.maximum(cells.classes, 0)], UNSURE_TRUTH)
    if cells.reviewed and len(cells):
        whole = [classes.index(name) for name in SOUND_CLASSES]
        likeliest = np.array(whole)[answers[:, whole].argmax(axis=1)]
        taught = np.where(taught == classes.index(GROUND), likeliest, taught)
    return CellLesson(cells.names, cells.xy, cells.features, taught, cells.lanes)
