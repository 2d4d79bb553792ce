"""Joins seeing and the finder: from a first look to the recognised scene."""

from __future__ import annotations

from functools import partial

from models.damage.finder import Finder
from vision.grid import neighbourhood_means
from vision.recognise import Scene, recognise
from vision.regions import GrowSettings
from vision.sight import FirstLook

NEIGHBOURHOODS = (3, 7, 15)
"""Sides, in cells, of the neighbourhoods that the finder's second pass sees."""


def find_scene(look: FirstLook, finder: Finder) -> Scene:
    """Recognise what the photograph shows."""
    neighbourhood = partial(neighbourhood_means, look.grid, sides=NEIGHBOURHOODS)
    probabilities = finder.probabilities(look.cells.features, neighbourhood)
    return recognise(look, probabilities, finder.classes, GrowSettings())
