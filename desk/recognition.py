"""Joins seeing and the finder: from a first look to the recognised scene."""

from __future__ import annotations

from functools import partial

from models.damage.finder import Finder
from vision.grid import surroundings
from vision.recognise import Scene, recognise
from vision.regions import GrowSettings
from vision.sight import FirstLook

LESSONS = GrowSettings(seed=0.65, grow=0.40)
"""Namers learn from candidates grown more loosely than those they are asked about: more examples, and harder ones."""


def find_scene(look: FirstLook, finder: Finder, grow: GrowSettings | None = None) -> Scene:
    """Recognise what the photograph shows."""
    neighbourhood = partial(surroundings, look.grid, look.cells.lanes)
    probabilities = finder.probabilities(look.cells.features, neighbourhood)
    return recognise(look, probabilities, finder.classes, grow or GrowSettings())
