"""Random matter laid over scenes: on the wires only, and the same for the same seed."""

import numpy as np
import pytest

from sample_images.crust import on_wires
from sample_images.scene import SceneSettings, render_scene
from sample_images.strange import with_strange_matter


@pytest.fixture(scope="module")
def scene():
    """A small sound scene."""
    return render_scene(4, "sound", SceneSettings(width_px=900))


def test_matter_lies_on_wires_and_changes_nothing_else(scene):
    """Where the mask says covered the picture changed; away from wires and their rims it did not."""
    bgr, truth = scene
    picture, covered = with_strange_matter(bgr, truth, 7)
    assert covered.any() and covered.mean() < 0.05
    changed = np.abs(picture.astype(int) - bgr).sum(axis=2) > 0
    assert changed[covered].mean() > 0.95
    far = ~on_wires(truth, 6.0)
    assert not changed[far].any() and not covered[far].any()


def test_the_same_seed_lays_the_same_matter_and_another_does_not(scene):
    """Bytes repeat for a seed; seeds differ."""
    bgr, truth = scene
    one, two, other = (with_strange_matter(bgr, truth, seed)[0] for seed in (7, 7, 8))
    assert np.array_equal(one, two) and not np.array_equal(one, other)


def test_a_picture_without_wires_stays_as_it_was(scene):
    """Nothing to lie on: unchanged, nothing covered."""
    bgr, truth = scene
    picture, covered = with_strange_matter(bgr, truth.model_copy(update={"wires": []}), 7)
    assert np.array_equal(picture, bgr) and not covered.any()
