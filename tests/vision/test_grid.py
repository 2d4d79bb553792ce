"""What lies around a cell: means along its lane, by hand on a row of cells; what is filled in between known cells."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from vision.grid import LANE_RINGS, CellGrid, every_second, filled_in, lane_means


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


@st.composite
def grids(draw):
    """Any assembly of cells, numbered in any order, with one empty cell around."""
    there = draw(hnp.arrays(bool, st.tuples(st.integers(1, 9), st.integers(1, 9))))
    there = np.pad(there, 1)
    index = np.full(there.shape, -1)
    index[there] = draw(st.permutations(range(int(there.sum()))))
    return CellGrid(4.0, (0.0, 0.0), index)


@given(grids())
def test_every_cell_is_chosen_or_touches_one_that_is(grid):
    """And none is chosen without need: no two of them touch. All of odd rows and columns are."""
    chosen = every_second(grid)
    ys, xs = np.nonzero(grid.index >= 0)
    there = {(y, x) for y, x in zip(ys, xs, strict=True) if chosen[grid.index[y, x]]}
    for y, x in zip(ys, xs, strict=True):
        beside = {(y + dy, x + dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)} - {(y, x)}
        assert ((y, x) in there) != bool(beside & there)
        assert (y, x) in there or not (y % 2 and x % 2)


@given(grids(), st.integers(1, 3), st.integers(0, 5))
def test_what_is_filled_in_is_the_mean_of_known_neighbours(grid, channels, seed):
    """Cell by cell against a count by hand; known cells keep what they are."""
    rng = np.random.default_rng(seed)
    count = int((grid.index >= 0).sum())
    values = rng.normal(size=(count, channels)).astype(np.float32)
    mine = np.flatnonzero(rng.random(count) < 0.5)
    out = filled_in(grid, values, mine)
    assert out.shape == values.shape and np.array_equal(out[mine], values[mine])
    for k in np.setdiff1d(np.arange(count), mine):
        y, x = np.argwhere(grid.index == k)[0]
        beside = np.intersect1d(grid.index[y - 1 : y + 2, x - 1 : x + 2], mine)
        expected = values[beside].mean(axis=0) if len(beside) else np.zeros(channels)
        assert np.allclose(out[k], expected, atol=1e-5)
