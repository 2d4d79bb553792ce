"""Spots of one colour kind: shapes with closed-form sizes, and scikit-image as the outside reference."""

import cv2
import numpy as np
import pytest
from skimage.measure import label, regionprops

from vision.spots import describe_spots, spot_shapes

S = 5.0


def ellipse(length_mm, width_mm, angle_deg=0.0):
    y, x = np.mgrid[0:200, 0:260] - np.array([100.0, 130.0])[:, None, None]
    turn = np.radians(angle_deg)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    return (2 * along / (length_mm * S)) ** 2 + (2 * across / (width_mm * S)) ** 2 <= 1


@pytest.mark.parametrize("angle", [0, 30, 75])
def test_an_ellipse_has_its_axes_and_a_smooth_outline(angle):
    """Length, width and area are those drawn, the outline is no longer than the ellipse's."""
    mask = ellipse(20.0, 6.0, angle)
    number, shapes = spot_shapes(mask, S)
    area, length, width, ragged = shapes[number[100, 130]]
    assert length == pytest.approx(20.0, rel=0.03)
    assert width == pytest.approx(6.0, rel=0.05)
    assert area == pytest.approx(np.pi / 4 * 20 * 6, rel=0.02)
    assert 0.9 < ragged < 1.1


def test_axes_agree_with_scikit_image():
    """`regionprops` of scikit-image is the outside reference for the ellipse with the same moments."""
    rng = np.random.default_rng(3)
    mask = cv2.GaussianBlur(rng.normal(size=(200, 260)), (0, 0), 9) > 0.01
    number, shapes = spot_shapes(mask, S)
    for region in regionprops(label(mask, connectivity=2)):
        if region.area < 0.4 * S * S:
            continue
        row = shapes[number[tuple(region.coords[0])]]
        assert row[1] == pytest.approx(region.axis_major_length / S, rel=0.01)
        assert row[2] == pytest.approx(region.axis_minor_length / S, rel=0.01, abs=0.02)


def test_a_saw_edge_is_more_ragged_than_a_straight_one():
    """A bite's scalloped edge lengthens the outline by a third or more."""
    straight = np.zeros((120, 300), bool)
    straight[40:80, 40:260] = True
    saw = straight.copy()
    for col in range(40, 260):
        saw[40 : 40 + int(8 * abs((col % 14) / 7 - 1)), col] = False
    plain, ragged = (spot_shapes(m, S)[1].max(axis=0)[3] for m in (straight, saw))
    assert ragged > 1.25 * plain


def test_copper_and_char_are_told_apart_and_far_cells_see_neither():
    """Polished copper (75, 22, 26) and char (12, 1, 1) on a green wire: each point has its own kind within reach."""
    picture = np.tile(np.array([45.0, -38.0, 25.0, 1.0], np.float32), (100, 300, 1))
    picture[40:60, 50:100] = (75, 22, 26, 1)
    picture[40:60, 200:230] = (12, 1, 1, 1)
    ix, iy = np.array([75, 215, 150]), np.array([50, 50, 50])
    found = describe_spots(picture, ix, iy, S)
    # a bar's own moment
    assert np.expm1(found["copper_spot_log_length"][0]) == pytest.approx(4 / np.sqrt(12) * 10, rel=0.03)
    assert found["copper_spot_log_area"][1] == found["copper_spot_log_area"][2] == 0
    assert np.expm1(found["char_spot_log_length"][1]) == pytest.approx(4 / np.sqrt(12) * 6, rel=0.03)
    assert found["char_spot_log_area"][0] == found["char_spot_log_area"][2] == 0
