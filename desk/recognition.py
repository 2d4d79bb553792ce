"""Joins seeing and the finder: from a first look to the recognised scene."""

from __future__ import annotations

from functools import partial

from models.damage.finder import Finder
from vision.grid import surroundings
from vision.recognise import Scene, recognise
from vision.regions import GrowSettings
from vision.sight import FirstLook


def find_scene(look: FirstLook, finder: Finder) -> Scene:
    """Recognise what the photograph shows."""
    neighbourhood = partial(surroundings, look.grid, look.cells.lanes)
    probabilities = finder.probabilities(look.cells.features, neighbourhood)
    return recognise(look, probabilities, finder.classes, GrowSettings())
