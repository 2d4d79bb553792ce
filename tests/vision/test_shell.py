"""Housing shells drawn with known faults."""

from itertools import pairwise

import cv2
import numpy as np
import pytest

from vision.shell import examine_shell

S = 5.0


def box(crack=None, corner_mm=0.0, fragment=False, mould_line=False):
    """A grey housing 30 x 20 mm on white, optionally broken; wires enter at its left."""
    lab = np.tile(np.array((97.0, 0, 0), np.float32), (400, 500, 1))
    mask = np.zeros((400, 500), np.uint8)
    mask[100:200, 150:300] = 1
    if corner_mm:
        r = round(corner_mm * S)
        cv2.fillPoly(mask, [np.array([[300 - r, 99], [301, 99], [301, 100 + r]])], 0)
    lab[mask > 0] = (50, 0, 0)
    if mould_line:
        lab[148:151, 160:290] = (22, 0, 0)
    if crack is not None:
        line = np.zeros(mask.shape, np.uint8)
        cv2.polylines(line, [np.round(np.array(crack) * S).astype(np.int32)], False, 1, 3)
        lab[line > 0] = (8, 0, 0)
    solid = mask > 0
    if fragment:
        cv2.fillPoly(mask, [np.array([[340, 60], [360, 70], [350, 85]])], 1)
        lab[(mask > 0) & ~solid] = (50, 0, 0)
        whole = mask > 0
    else:
        whole = solid
    return examine_shell(solid, lab, whole, np.array([150.0, 150.0]), S)


def test_a_sound_box_has_no_signs():
    """No crack, no lack, no fragments; sides as drawn."""
    values = box().values
    assert values["crack_ridge_mm"] == 0
    assert values["corner_lack_max_mm2"] < 1
    assert values["fragments"] == 0
    assert values["long_side_mm"] == pytest.approx(30, abs=0.5)
    assert values["area_mm2"] == pytest.approx(600, rel=0.02)


def test_a_crooked_crack_is_as_long_as_drawn():
    """A zigzag of known length is found within a twentieth."""
    line = [(36, 22), (41, 29), (46, 24), (51, 33)]
    drawn = sum(np.hypot(*np.subtract(b, a)) for a, b in pairwise(line))
    assert box(line).values["crack_ridge_mm"] == pytest.approx(drawn, rel=0.05)


def test_a_straight_mould_line_is_not_a_crack():
    """Dark lines along the housing's own axis do not count."""
    assert box(mould_line=True).values["crack_ridge_mm"] < 2


def test_a_missing_corner_has_its_area():
    """A triangle of 8 mm legs lacks 32 mm²."""
    values = box(corner_mm=8).values
    assert values["corner_lack_max_mm2"] == pytest.approx(32, rel=0.2)
    assert values["front_corner_odd_mm2"] == pytest.approx(32, rel=0.2)


def test_a_loose_piece_of_the_same_colour_is_counted():
    """One fragment beside the housing: a triangle of 8 mm² and its rim, of the housing's 600 mm² and its colour."""
    values = box(fragment=True).values
    assert values["fragments"] == 1
    assert values["fragment_largest_mm2"] == pytest.approx(8 + 0.5 * 71 / S**2, rel=0.1)
    assert values["fragment_of_shell"] == pytest.approx(values["fragment_largest_mm2"] / 600, rel=0.02)
    assert values["fragment_other_colour"] == 0
