"""Teaches what strange cells look like: random matter on scenes, against everything the finder learns from."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
from sklearn.exceptions import ConvergenceWarning
from sklearn.pipeline import Pipeline

from desk.recognition import seen_by
from desk.training_set import CellLesson, SceneJob, as_photo
from models.damage.eye import Eye
from models.damage.finder import balanced, new_pass, without_dust
from models.damage.strange import LEVEL, STRANGE, Strangeness
from sample_images.strange import with_strange_matter
from vision.cells import Cells
from vision.grid import make_grid
from vision.layout import MatLayout
from vision.sight import first_look
from vision.strange import largest_mass

EVERY = 7
"""One scene in so many gets strange matter: prime to the number of scenarios, so that all take part."""
FALSE_SHARE = 0.04
"""Share of ordinary photographs that one network may call strange somewhere; both together call fewer so."""
_ORDINARY_PER_CLASS = 15_000
_STRANGE_AT_MOST = 60_000
_HIDDEN = (64,)


def strange_lesson(job: SceneJob, layouts: Sequence[MatLayout], eye: Eye | None = None) -> CellLesson:
    """One scene with strange matter: its cells, of class 1 where it lies, not taught at its rim and elsewhere."""
    photo, truth = job.load()
    picture, covered = with_strange_matter(photo.bgr, truth, job.seed)
    look = seen_by(first_look(as_photo(picture, photo.name), layouts), eye)
    cells = look.cells
    xy = np.round(look.canvas.to_photo_px(cells.xy)).astype(int) if len(cells.xy) else np.zeros((0, 2), int)
    inside = ((xy >= 0) & (xy < covered.shape[::-1])).all(axis=1)
    classes = np.full(len(xy), -1)
    classes[inside] = np.where(covered[xy[inside, 1], xy[inside, 0]], STRANGE, -1)
    return CellLesson(cells.names, cells.xy, cells.features, classes, cells.lanes)


def fit_strangeness(
    ordinary: Sequence[CellLesson],
    strange: Sequence[CellLesson],
    folds: tuple[Sequence[int], Sequence[int]],
    usual: Sequence[bool],
    seed: int,
) -> Strangeness:
    """Two networks, each on one fold of whole scenes; the least mass from the usual scenes of the other fold.

    ordinary : cells with the finder's classes; strange : of `strange_lesson`; folds : of both, 0 or 1; usual : which
    ordinary scenes show what photographs of a shop show
    """
    members: list[Pipeline] = []
    masses: list[float] = []
    for k in (0, 1):
        mine = [s for s, fold in zip(ordinary, folds[0], strict=True) if fold == k and len(s.classes)]
        odd = [s for s, fold in zip(strange, folds[1], strict=True) if fold == k and len(s.classes)]
        member = _fitted(mine, odd, seed + k)
        members.append(member)
        for lesson, fold, counts in zip(ordinary, folds[0], usual, strict=True):
            if counts and fold != k:
                masses.append(_mass(member, lesson))
    names = next(s.names for s in ordinary if len(s.classes))
    # the next larger of the masses seen: at most the share may be called strange, of scenes not trained on
    least = float(np.quantile(masses, 1 - FALSE_SHARE, method="higher"))
    return Strangeness(names, tuple(members), max(least, 1.0))


def _fitted(ordinary: Sequence[CellLesson], strange: Sequence[CellLesson], seed: int) -> Pipeline:
    rng = np.random.default_rng(seed)
    x, y = [], []
    classes = np.concatenate([s.classes for s in ordinary])
    taught = np.flatnonzero(classes >= 0)
    rows = np.sort(taught[balanced(classes[taught], _ORDINARY_PER_CLASS, 1, rng)])
    start = 0
    for lesson in ordinary:
        end = start + len(lesson.classes)
        mine = rows[(rows >= start) & (rows < end)] - start
        x.append(np.asarray(lesson.features[mine]))
        start = end
    y.append(np.zeros(len(rows), int))
    odd = np.concatenate([s.features[s.classes == STRANGE] for s in strange])
    if len(odd) > _STRANGE_AT_MOST:
        odd = odd[rng.choice(len(odd), _STRANGE_AT_MOST, replace=False)]
    x.append(odd)
    y.append(np.full(len(odd), STRANGE))
    order = rng.permutation(len(rows) + len(odd))
    with warnings.catch_warnings():
        # a fixed number of epochs is meant: stopping there is the regularisation
        warnings.simplefilter("ignore", ConvergenceWarning)
        return without_dust(new_pass(_HIDDEN, seed, 10).fit(np.concatenate(x)[order], np.concatenate(y)[order]))


def _mass(member: Pipeline, lesson: CellLesson) -> float:
    if len(lesson.classes) == 0:
        return 0.0
    cells = Cells(lesson.xy, lesson.features, lesson.names, lesson.xy, lesson.lanes)
    return largest_mass(make_grid(cells), member.predict_proba(lesson.features)[:, STRANGE], LEVEL)
