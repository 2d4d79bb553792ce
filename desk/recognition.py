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
from vision.sight import FirstLook


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
    if look.eye is not finder.eye:
        raise ValueError("expected a look that the finder's own eye has seen")
    neighbourhood = partial(surroundings, look.grid, look.cells.lanes)
    probabilities = finder.probabilities(look.cells.features, neighbourhood)
    breaks = None if finder.shell_eye is None else finder.shell_eye.breaks
    return recognise(look, probabilities, finder.classes, GrowSettings(), breaks)
