"""Cells are taught what the truth says lies under them."""

import numpy as np
import pytest

from desk.cell_truth import CELL_CLASSES, UNSURE_TRUTH, cell_classes
from desk.training_set import SceneJob, cell_lesson
from sample_images.scene import SceneSettings, render_scene
from vision.layout import builtin_layouts


@pytest.fixture(scope="module")
def truth():
    """Truth of one abraded scene."""
    return render_scene(3, "abrasion", SceneSettings(width_px=900, mat="corner-a3", closeup=False))[1]


def test_cells_on_wire_axes_are_wires_or_what_lies_over_them(truth):
    """No centre-line point is ground."""
    for wire in truth.wires:
        points = np.array([p for p in wire.centreline_px if 0 <= p[0] < truth.width_px and 0 <= p[1] < truth.height_px])
        classes = cell_classes(truth, points)
        assert not (classes == CELL_CLASSES.index("ground")).any()


def test_cells_in_a_damage_carry_its_label_and_those_at_its_rim_are_not_taught(truth):
    """The middle of the largest ring is damage; just outside it nothing is taught."""
    ring = max((np.array(r) for r in truth.regions[0].rings_px), key=len)
    classes = cell_classes(truth, ring)
    near = cell_classes(truth, ring + np.array([0.0, 1.5]))
    assert CELL_CLASSES.index(truth.regions[0].label) in classes
    assert UNSURE_TRUTH in np.concatenate([classes, near])


def test_pieces_that_broke_off_teach_nothing(truth):
    """Neither damage nor ground: within them and 1 mm around."""
    piece = [(20.0, 20.0), (44.0, 20.0), (44.0, 44.0), (20.0, 44.0)]
    region = truth.regions[0].model_copy(update={"pieces_px": [piece]})
    at = np.array([[32.0, 32.0], [21.0, 43.0], [44.0 + 0.5 / truth.mm_per_px_centre, 32.0]])
    assert (cell_classes(truth, at) != UNSURE_TRUTH).all()
    with_piece = truth.model_copy(update={"regions": [region, *truth.regions[1:]]})
    assert (cell_classes(with_piece, at) == UNSURE_TRUTH).all()


def test_far_from_everything_is_ground_and_outside_the_photograph_is_not_taught(truth):
    """Corners of the photograph and points beyond it."""
    classes = cell_classes(truth, np.array([[1.0, 1.0], [-40.0, 5.0]]))
    assert classes[0] in (CELL_CLASSES.index("ground"), UNSURE_TRUTH)
    assert classes[1] == UNSURE_TRUTH


def test_kept_scenes_teach_exactly_what_rendered_ones_do(tmp_path):
    """The kept picture is lossless: features and classes are the same to the bit."""
    layouts = builtin_layouts()
    fresh = cell_lesson(SceneJob("rodent", 41), layouts)
    first = cell_lesson(SceneJob("rodent", 41, str(tmp_path)), layouts)
    again = cell_lesson(SceneJob("rodent", 41, str(tmp_path)), layouts)
    for lesson in (first, again):
        assert np.array_equal(lesson.features, fresh.features)
        assert np.array_equal(lesson.classes, fresh.classes)
