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


@pytest.fixture(scope="module")
def part(bitten):
    """130 mm about the bites, cut out of the whole, and its millimetres per pixel."""
    bgr, truth = bitten
    ring = np.concatenate([np.array(ring) for ring in truth.regions[0].rings_px])
    (x, y), half = ring.mean(axis=0), 65 / truth.mm_per_px_centre
    cut = bgr[max(0, round(y - half)) : round(y + half), max(0, round(x - half)) : round(x + half)]
    return np.ascontiguousarray(cut), truth.mm_per_px_centre


def field_mm(look):
    """How long the picture's long side was taken to be."""
    photo = look.photo
    return look.canvas.photo_mm_per_px(photo.width_px) * max(photo.width_px, photo.height_px)


def surest_at(sureness):
    """A finder that is so sure, one time after the other, and has learnt nothing else. asked : how often it was"""
    asked = []

    def probabilities(features, _):
        asked.append(len(features))
        said = np.zeros((len(features), len(CELL_CLASSES)))
        sure = sureness[len(asked) - 1]
        said[:, CELL_CLASSES.index("wire")], said[:, CELL_CLASSES.index("housing")] = sure, 1 - sure
        return said

    # it takes nothing for ground
    return SimpleNamespace(eye=None, shell_eye=None, classes=CELL_CLASSES, probabilities=probabilities, asked=asked)


@pytest.mark.parametrize(
    ("sureness", "field", "asked"),
    [
        ([0.75, 0.85, 0.75], NEARER_FIELDS_MM[1], 3),  # it falls: wider fields are not looked at
        ([0.75, 0.85, 0.80, 0.78, 0.75], NEARER_FIELDS_MM[1], 5),  # nowhere far below its best
        ([0.78, 0.72, 0.74, 0.75, 0.74], 460.0, 5),  # hardly surer at a nearer one: that of a bench photograph
        ([0.95, 0.60, 0.62], NEARER_FIELDS_MM[0], 3),
        ([0.75, 0.55, 0.69, 0.75, 0.80], 460.0, 5),  # a whole assembly seen too coarsely looks like something else
    ],
)
def test_the_surest_field_is_taken_and_no_more_looked_at_than_needed(part, sureness, field, asked):
    """Nearer fields first; a whole assembly unless it is clearly surer at one of them."""
    finder = surest_at(sureness)
    look, scene = recognised(first_look(as_photo(part[0], "a"), ()), finder)
    assert field_mm(look) == pytest.approx(field, rel=0.01) and len(finder.asked) == asked
    assert len(scene.probabilities) == len(look.cells.xy)


def test_a_stated_scale_is_the_only_one_looked_at(bitten):
    """As a mat's is."""
    finder = surest_at([0.5])
    look, _ = recognised(first_look(as_photo(bitten[0], "a"), (), 0.3), finder)
    assert field_mm(look) == pytest.approx(0.3 * max(bitten[0].shape[:2]), rel=0.01) and len(finder.asked) == 1


def test_a_part_photographed_from_near_is_taken_for_one(bitten, part):
    """The field is right within a factor of two, as that of the whole is, and no scale is told."""
    finder = model_in_use(None).finder
    for bgr, mm_per_px in (part, (bitten[0], part[1])):
        look, _ = recognised(first_look(as_photo(bgr, "a"), builtin_layouts()), finder)
        assert 0.5 < field_mm(look) / (max(bgr.shape[:2]) * mm_per_px) < 2 and not look.canvas.mm_known
