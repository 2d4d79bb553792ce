"""Joins seeing and the model: from a first look to cells that the eye saw, and to the recognised scene."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from models.damage.eye import Eye
from models.damage.finder import Finder
from vision.cell_patches import LEARNT, cell_patches
from vision.grid import surroundings
from vision.recognise import Scene, recognise
from vision.regions import GrowSettings
from vision.sight import FirstLook


def seen_by(look: FirstLook, eye: Eye | None) -> FirstLook:
    """The look with what the eye says of every cell beside its measured features; as it is when it has that already.

    A look is for one eye: models with other eyes start from the first look.
    """
    cells = look.cells
    if eye is None or len(cells.xy) == 0:
        return look
    names = tuple(f"{LEARNT}{name}" for name in eye.classes)
    if set(names) <= set(cells.names):
        return look
    patches = cell_patches(look.even.lab, cells.xy, cells.direction, look.canvas.px_per_mm)
    features = np.hstack([cells.features, eye.features(len(cells.xy), patches)])
    return replace(look, cells=replace(cells, features=features, names=(*cells.names, *names)))


def find_scene(look: FirstLook, finder: Finder) -> Scene:
    """Recognise what the photograph shows; ``look`` was `seen_by` the finder's eye."""
    neighbourhood = partial(surroundings, look.grid, look.cells.lanes)
    probabilities = finder.probabilities(look.cells.features, neighbourhood)
    return recognise(look, probabilities, finder.classes, GrowSettings())
