"""What lies around a cell: means along its lane, by hand on a row of cells."""

import numpy as np

from vision.grid import LANE_RINGS, lane_means


def lanes_of_a_row(n, reach=19):
    """Cells 0..n-1 in a row; each lane is the row itself."""
    lanes = np.arange(n)[:, None] + np.arange(-reach, reach + 1)
    return np.where((lanes >= 0) & (lanes < n), lanes, -1)


def test_each_stretch_of_the_lane_has_its_own_mean():
    """On a ramp the mean over symmetric stretches is the cell's own value wherever both sides are known."""
    n = 60
    values = np.stack([np.arange(n, dtype=float), np.full(n, 7.0)], axis=1)
    means = lane_means(lanes_of_a_row(n), values)
    assert means.shape == (n, 2 * len(LANE_RINGS))
    inner = slice(19, n - 19)
    assert np.allclose(means[inner, 0::2], values[inner, :1])
    assert np.allclose(means[:, 1::2], 7.0)  # unknown places do not count


def test_a_step_far_along_the_lane_is_seen_by_its_stretch_only():
    """A change 8 to 10 steps away shows in the stretch of 7 to 12 steps alone."""
    values = np.zeros((60, 1))
    values[38:41] = 1.0
    means = lane_means(lanes_of_a_row(60), values)[30]
    assert means[2] == np.float32(3 / 12) and means[[0, 1, 3]].max() == 0


def test_a_cell_without_a_lane_has_zeros():
    """No known place: zero, not a division by nothing."""
    assert (lane_means(np.full((3, 39), -1), np.ones((3, 2))) == 0).all()
