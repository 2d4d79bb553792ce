"""Patches of cells: turned with the wires, true to scale, paper beyond the picture."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.cell_patches import COLUMNS, ROWS, STEPS_MM, cell_patches

PX_PER_MM = 5.0
MIDDLE = np.array([[150.0, 150.0]])


def patches_of(lab, xy, direction, seen=None):
    """All patches as one array; the camera saw everything unless said otherwise."""
    seen = np.ones(lab.shape[:2], bool) if seen is None else seen
    return np.concatenate([*cell_patches(lab, seen, xy, direction, PX_PER_MM)])


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 2 * np.pi), st.floats(-0.9, 0.9), st.floats(-0.9, 0.9))
def test_a_slope_has_its_slope_in_every_patch(angle, along_mm, across_mm):
    """A picture that is lighter by known amounts per mm along and across the wires: so are both patches, per pixel."""
    direction = np.array([[np.cos(angle), np.sin(angle)]])
    across = np.array([-direction[0, 1], direction[0, 0]])
    y, x = np.mgrid[:301, :301] - 150.0
    mm = np.stack([x, y], axis=-1) / PX_PER_MM
    lab = np.zeros((301, 301, 3), np.float32)
    lab[..., 0] = 50 + along_mm * (mm @ direction[0]) + across_mm * (mm @ across)
    for k, step in enumerate(STEPS_MM):
        light = patches_of(lab, MIDDLE, direction)[0, k, :, :, 0].astype(float)
        u = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * step
        v = (np.arange(ROWS) - (ROWS - 1) / 2) * step
        wanted = 50 + along_mm * u[None, :] + across_mm * v[:, None]
        assert light == pytest.approx(wanted, abs=0.75)  # rounded to whole L, sampled between pixels


def test_beyond_the_picture_lies_paper():
    """A cell in the corner sees the picture on one side and paper on the others."""
    lab = np.full((300, 300, 3), (40.0, 10.0, -20.0), np.float32)
    fine = patches_of(lab, np.array([[0.0, 0.0]]), np.array([[1.0, 0.0]]))[0, 0]
    assert fine[-1, -1].tolist() == [40, 10, -20]
    assert fine[0, 0].tolist() == fine[0, -1].tolist() == fine[-1, 0].tolist() == [97, 0, 0]


def test_what_the_camera_did_not_see_is_paper_too():
    """Black beside a cell would look like char."""
    lab = np.full((300, 300, 3), (40.0, 10.0, -20.0), np.float32)
    seen = np.ones((300, 300), bool)
    seen[:, 155:] = False
    lab[~seen] = 0.0
    both = patches_of(lab, MIDDLE, np.array([[1.0, 0.0]]), seen)[0]
    assert (both[:, :, -1] == [97, 0, 0]).all() and (both[:, :, 0] == [40, 10, -20]).all()
    assert (both[..., 0] >= 40).all()


def test_many_cells_come_in_pieces_in_their_order():
    """All cells once, each in its own place."""
    rng = np.random.default_rng(0)
    lab = np.zeros((400, 400, 3), np.float32)
    lab[..., 0] = np.arange(400)[None, :] / 4
    xy = rng.uniform(100, 300, (1100, 2))
    direction = np.tile([[1.0, 0.0]], (1100, 1))
    seen = np.ones(lab.shape[:2], bool)
    found = [*cell_patches(lab, seen, xy, direction, PX_PER_MM)]
    assert len(found) > 1 and sum(map(len, found)) == 1100
    middle = np.concatenate(found)[:, 0, ROWS // 2, COLUMNS // 2 - 1 : COLUMNS // 2 + 1, 0].mean(axis=1)
    assert middle == pytest.approx(xy[:, 0] / 4, abs=0.8)
    assert not list(cell_patches(lab, seen, xy[:0], direction[:0], PX_PER_MM))
