"""Patches of strange cells on a grid drawn by hand."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from vision.cells import Cells
from vision.grid import make_grid
from vision.strange import largest_mass, strange_patches

SIDE = 20


def grid():
    """A full square of cells, 5 px apart."""
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    xy = 5.0 * np.stack([x.ravel(), y.ravel()], axis=1)
    none = np.zeros((len(xy), 1), np.float32)
    return make_grid(Cells(xy, none, ("u",), xy, none.astype(np.int32)))


def square(x, y, size, value=1.0):
    """Scores that are ``value`` in a square of cells and 0 elsewhere."""
    scores = np.zeros((SIDE, SIDE))
    scores[y : y + size, x : x + size] = value
    return scores.ravel()


def test_a_patch_is_found_where_it_lies():
    """A square of 6 by 6: most of its cells, no others; too light for a greater mass."""
    scores = square(4, 9, 6)
    (patch,) = strange_patches(grid(), scores, 0.5, 10.0)
    assert set(patch.cells) <= set(np.flatnonzero(scores)) and len(patch.cells) >= 30
    assert strange_patches(grid(), scores, 0.5, 40.0) == []


def test_a_patch_on_named_damage_is_left_out():
    """Half of it lies on a damage with a name: not told again. A twentieth does: told."""
    scores = square(4, 9, 6)
    mine = np.flatnonzero(scores)
    assert strange_patches(grid(), scores, 0.5, 10.0, [mine[: len(mine) // 2]]) == []
    assert len(strange_patches(grid(), scores, 0.5, 10.0, [mine[:2]])) == 1


def test_lone_cells_are_no_patch():
    """Single strange cells far from each other say nothing."""
    scores = np.zeros(SIDE * SIDE)
    scores[:: SIDE + 5] = 1.0
    assert strange_patches(grid(), scores, 0.5, 0.1) == [] and largest_mass(grid(), scores, 0.5) == 0
    assert largest_mass(grid(), np.zeros(SIDE * SIDE), 0.5) == 0


@given(st.integers(0, 12), st.integers(0, 12), st.integers(3, 7), st.floats(0.1, 60))
def test_a_photograph_shows_patches_just_when_its_largest_mass_reaches_the_limit(x, y, size, limit):
    """The limit that training sets on the largest mass is the one that patches are held to."""
    scores = square(x, y, size, 0.9)
    assert bool(strange_patches(grid(), scores, 0.5, limit)) == (largest_mass(grid(), scores, 0.5) >= limit)
