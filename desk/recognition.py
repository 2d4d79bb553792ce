"""Joins seeing and the model: from a first look to cells that the eye saw, and to the recognised scene."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from models.damage.eye import Eye
from models.damage.finder import Finder
from vision.cell_patches import LEARNT, cell_patches
from vision.grid import every_second, filled_in, surroundings
from vision.lay import inside_photo
from vision.recognise import Scene, recognise
from vision.regions import GrowSettings
from vision.sight import FirstLook, at_field


def patches_of(look: FirstLook, mine: np.ndarray) -> Iterator[np.ndarray]:
    """Patches of the cells with these numbers, a few hundred at a time."""
    canvas, cells = look.canvas, look.cells
    seen = inside_photo(canvas.to_photo_px, canvas.ground.shape, look.photo, 0)
    return cell_patches(look.even.lab, seen, cells.xy[mine], cells.direction[mine], canvas.px_per_mm)


def seen_by(look: FirstLook, eye: Eye | None) -> FirstLook:
    """The look with what the eye says of every cell beside its measured features; as it is when it has that already.

    The eye looks at the cells of every second row and column; what it says of the others is the mean of those beside
    them. A look is for one eye: models with other eyes start from the first look. Raises ValueError where they do not.
    """
    if look.eye is not None:
        if look.eye is not eye:
            raise ValueError("expected a first look, got one that another eye has seen")
        return look
    cells = look.cells
    if eye is None or len(cells.xy) == 0:
        return look
    names = tuple(f"{LEARNT}{name}" for name in eye.classes)
    mine = np.flatnonzero(every_second(look.grid))
    said = np.zeros((len(cells.xy), len(eye.classes)), np.float32)
    said[mine] = np.concatenate([eye.logs(some) for some in patches_of(look, mine)])
    features = np.hstack([cells.features, filled_in(look.grid, said, mine)])
    return replace(look, eye=eye, cells=replace(cells, features=features, names=(*cells.names, *names)))


def find_scene(look: FirstLook, finder: Finder) -> Scene:
    """Recognise what the photograph shows; ``look`` was `seen_by` the finder's eye. Raises ValueError where not."""
    return _scene(look, finder, _answers(look, finder))


def recognised(look: FirstLook, finder: Finder) -> tuple[FirstLook, Scene]:
    """What a first look that shows something was at, and what the photograph shows.

    Where nothing gives a scale the look is at the field at which the finder is surest of what its cells are: a
    photograph from near, taken for one of a whole assembly, looks like nothing it knows.
    """
    if look.canvas.mm_known:
        seen = seen_by(look, finder.eye)
        return seen, find_scene(seen, finder)
    best: tuple[float, FirstLook, np.ndarray] | None = None  # no other is kept: each is large
    surest = 0.0
    for steps, one in _nearer_first(look):
        seen = seen_by(one, finder.eye)
        answers = _answers(seen, finder)
        there = 1 - answers[:, finder.classes.index("ground")]
        if one is not look and there.sum() < _FEWEST_CELLS:
            continue
        sure = _sureness(answers, there)
        worth = sure - _A_STEP_NEARER * steps
        if best is None or worth > best[0]:
            best = worth, seen, answers
        surest = max(sure, surest)
        if steps <= _STEPS_AT_LEAST and sure < surest - _FALLEN:
            break
    assert best is not None  # the look itself is tried, unless one before it was
    _, seen, answers = best
    return seen, _scene(seen, finder, answers)


NEARER_FIELDS_MM = (100.0, 150.0, 220.0, 320.0)
"""Long sides of a picture that are tried before that of a bench photograph, each about 1.45 times the one before."""
_A_STEP_NEARER = 0.025
"""So much surer the finder must be for each step nearer: of whole assemblies on a bench without a mat it was up to 0.07
surer three steps nearer, without being righter; of parts cut out of photographs it is by 0.1 to 0.4."""
_FALLEN, _STEPS_AT_LEAST = 0.08, 2
"""Once it is so much less sure than it was, wider fields are not tried; but all up to 220 mm are, for of a whole
assembly at 100 mm only the coarsest is seen, and that may look like something, and at 150 mm like nothing again."""
_FEWEST_CELLS = 300.0
"""Cells that must be no bare ground at a nearer field, by what the finder says: of fewer it may be sure by chance."""


def _nearer_first(look: FirstLook) -> Iterator[tuple[int, FirstLook]]:
    """The photograph at every field, the nearest first, with how many steps nearer it is; the look itself last."""
    for number, long_side_mm in enumerate(NEARER_FIELDS_MM):
        near = at_field(look, long_side_mm)
        if len(near.cells.xy) >= _FEWEST_CELLS:
            yield len(NEARER_FIELDS_MM) - number, near
    yield 0, look


def _sureness(answers: np.ndarray, there: np.ndarray) -> float:
    """Mean probability of the likeliest class over what is not bare ground.

    answers : (N, C); there : (N,) probability that a cell is not bare ground
    """
    return float((answers.max(axis=1) * there).sum() / max(float(there.sum()), 1e-9))


def _answers(look: FirstLook, finder: Finder) -> np.ndarray:
    """(N, C) what the finder says of each cell."""
    if look.eye is not finder.eye:
        raise ValueError("expected a look that the finder's own eye has seen")
    return finder.probabilities(look.cells.features, partial(surroundings, look.grid, look.cells.lanes))


def _scene(look: FirstLook, finder: Finder, answers: np.ndarray) -> Scene:
    breaks = None if finder.shell_eye is None else finder.shell_eye.breaks
    return recognise(look, answers, finder.classes, GrowSettings(), breaks)
