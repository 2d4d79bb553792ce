"""Trains a model from a corrected set and puts it on the shelf; the command and the desk's learner do the same."""

from __future__ import annotations

import logging
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from desk.errors import DeskError, one_line
from desk.learning.choices import LEAST_MIXED_IN
from desk.learning.corrected import Snapshot
from desk.learning.doubts import write_doubts
from desk.learning.examples import write_examples
from desk.learning.model_shelf import keep_model, usable_model
from desk.learning.next import LearningCurve, learning_curve, write_curve
from desk.learning.relearn import RelearnSettings, Relearnt, relearn
from desk.learning.shelf import Shelf
from desk.parallel import Progress
from models.damage.card import SHIPPED
from models.damage.lessons import LESSONS_FILE, LessonsError, save_lessons
from models.damage.store import load_model
from vision.layout import MatLayout
from vision.reading import PhotoError

log = logging.getLogger("loomtriage.train")


@dataclass(frozen=True)
class Trained:
    """A model that is proposed. `amiss`: photographs that could not be looked at, a curve that could not be drawn; one
    line each."""

    version: str
    content_sha256: str
    trained_on: str
    amiss: tuple[str, ...]


def train_from_corrections(
    shelf: Shelf,
    snapshot: Snapshot,
    settings: RelearnSettings,
    layouts: Sequence[MatLayout],
    keep_out: Collection[str] = (),
    on_progress: Progress | None = None,
) -> Trained:
    """Train on a snapshot and keep the model, its doubts, lessons and learning curve; it answers nobody yet."""
    check_scenes(settings.scenes)
    base = usable_model(SHIPPED)
    try:
        done = relearn(snapshot, base, shelf, layouts, settings, keep_out, on_progress)
    except (LessonsError, PhotoError) as error:  # a kept file is damaged
        raise DeskError(f"retrain: {one_line(error)}") from error
    curve, amiss = _curve(done, on_progress)
    folder = keep_model(shelf, done.model)  # last of all: work that is stopped proposes nothing
    write_doubts(folder, done.doubts)
    write_examples(folder, done.examples)
    card = load_model(folder).card
    save_lessons(done.lessons, card["content_sha256"], folder / LESSONS_FILE)
    if curve is not None:
        write_curve(folder, curve)
    return Trained(done.model.version, card["content_sha256"], card["trained_on"], (*done.amiss, *amiss))


def _curve(done: Relearnt, on_progress: Progress | None) -> tuple[LearningCurve | None, tuple[str, ...]]:
    """The learning curve, or one line on why there is none: the model stands without it."""
    on_step = (lambda at, total: on_progress("drawing the learning curve", at, total)) if on_progress else None
    try:
        return learning_curve(done.model.wires.labels, done.lessons["wires"], on_step=on_step), ()
    except DeskError as error:
        return None, (one_line(error),)
    except Exception as error:  # a mistake of the program must not cost hours of training
        log.exception("learning curve")
        said = f"{type(error).__name__}: {one_line(error)}"
        return None, (f"learning curve: expected one, got an error ({said}); the model is kept: tell the maintainers",)


def check_scenes(count: int) -> None:
    """DeskError where too few generated scenes are mixed in."""
    if count < LEAST_MIXED_IN:
        raise DeskError(f"retrain: --scenes: expected at least {LEAST_MIXED_IN} to mix in, got {count}")
