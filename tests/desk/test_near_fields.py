"""A photograph without a scale is recognised at the field at which the finder is surest, wherever it was taken from."""

from types import SimpleNamespace

import numpy as np
import pytest

from desk.assess import model_in_use
from desk.cell_truth import CELL_CLASSES
from desk.recognition import NEARER_FIELDS_MM, recognised
from desk.training_set import as_photo
from sample_images.scene import SceneSettings, render_scene
from vision.layout import builtin_layouts
from vision.sight import first_look


@pytest.fixture(scope="module")
def bitten():
    """A bitten assembly on a bare bench, and its truth."""
    return render_scene(5, "rodent", SceneSettings(width_px=1600, mat=None, closeup=False))


def field_mm(look):
    """How long the picture's long side was taken to be."""
    photo = look.photo
    return look.canvas.photo_mm_per_px(photo.width_px) * max(photo.width_px, photo.height_px)


def surest_at(sureness):
    """A finder that is so sure, one time after the other, and has learnt nothing else. asked : how often it was"""
    asked = []

    def probabilities(features, _):
        asked.append(len(features))
        rest = (1 - sureness[len(asked) - 1]) / (len(CELL_CLASSES) - 1)
        said = np.full((len(features), len(CELL_CLASSES)), rest)
        said[:, 0] = sureness[len(asked) - 1]
        return said

    return SimpleNamespace(eye=None, shell_eye=None, classes=CELL_CLASSES, probabilities=probabilities, asked=asked)


@pytest.mark.parametrize(
    ("sureness", "field", "asked"),
    [
        ([0.70, 0.80, 0.74], NEARER_FIELDS_MM[1], 3),  # it falls: wider fields are not looked at
        ([0.70, 0.80, 0.76, 0.78, 0.76], NEARER_FIELDS_MM[1], 5),  # nowhere far below its best
        ([0.70, 0.72, 0.74, 0.76, 0.74], 460.0, 5),  # hardly surer at a nearer one: that of a bench photograph
        ([0.90, 0.80], NEARER_FIELDS_MM[0], 2),
    ],
)
def test_the_surest_field_is_taken_and_no_more_looked_at_than_needed(bitten, sureness, field, asked):
    """Nearer fields first; a whole assembly unless it is clearly surer at one of them."""
    finder = surest_at(sureness)
    look, scene = recognised(first_look(as_photo(bitten[0], "a"), ()), finder)
    assert field_mm(look) == pytest.approx(field, rel=0.01) and len(finder.asked) == asked
    assert len(scene.probabilities) == len(look.cells.xy) == finder.asked[sureness.index(max(sureness))] or asked == 5


def test_a_stated_scale_is_the_only_one_looked_at(bitten):
    """As a mat's is."""
    finder = surest_at([0.5])
    look, _ = recognised(first_look(as_photo(bitten[0], "a"), (), 0.3), finder)
    assert field_mm(look) == pytest.approx(0.3 * max(bitten[0].shape[:2]), rel=0.01) and len(finder.asked) == 1


def test_a_part_photographed_from_near_is_taken_for_one(bitten):
    """130 mm about the bites, cut out of the whole: the field is right within a factor of two, and no scale is told."""
    bgr, truth = bitten
    mm_per_px = truth.mm_per_px_centre
    ring = np.concatenate([np.array(ring) for ring in truth.regions[0].rings_px])
    (x, y), half = ring.mean(axis=0), 65 / mm_per_px
    part = bgr[max(0, round(y - half)) : round(y + half), max(0, round(x - half)) : round(x + half)]
    finder = model_in_use(None).finder
    near, _ = recognised(first_look(as_photo(np.ascontiguousarray(part), "near"), builtin_layouts()), finder)
    assert 0.5 < field_mm(near) / (max(part.shape[:2]) * mm_per_px) < 2 and not near.canvas.mm_known
    whole, _ = recognised(first_look(as_photo(bgr, "whole"), builtin_layouts()), finder)
    assert 0.5 < field_mm(whole) / (max(bgr.shape[:2]) * mm_per_px) < 2
