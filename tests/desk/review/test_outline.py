"""Outlines and lines in the plane, against what a ruler or a counted raster says."""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.review import outline

SQUARE = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
ANGLE = [(0.0, 0.0), (10.0, 0.0), (10.0, 4.0), (4.0, 4.0), (4.0, 10.0), (0.0, 10.0)]
coordinate = st.floats(-50, 50, allow_nan=False)


def test_area_of_an_angle_is_counted_in_squares():
    """Ten by ten less six by six."""
    assert outline.area(ANGLE) == 64.0


@given(st.floats(0, 2 * math.pi), st.floats(-4, 4), st.sampled_from([SQUARE, ANGLE]))
def test_a_cut_loses_and_makes_no_area(turn, shift, ring):
    """Whatever line goes through an outline, convex or not, the parts weigh what the whole did."""
    middle = np.array([3.0, 3.0]) + shift * np.array([-math.sin(turn), math.cos(turn)])
    ends = [tuple(middle + s * np.array([math.cos(turn), math.sin(turn)])) for s in (-1, 1)]
    parts = outline.cut(ring, *ends)
    assert sum(outline.area(part) for part in parts if part) == pytest.approx(outline.area(ring), abs=1e-6)


def test_the_parts_of_a_cut_lie_on_their_sides():
    """Seen along an upright line (y down), left is where x is larger."""
    left, right = outline.cut(SQUARE, (4.0, 0.0), (4.0, 10.0))
    assert min(x for x, _ in left) == 4.0 and max(x for x, _ in right) == 4.0


@given(st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=9), coordinate, coordinate)
def test_inside_agrees_with_opencv(ring, x, y):
    """The even-odd rule, against cv2.pointPolygonTest; points within a thousandth of an edge may count either way."""
    contour = np.asarray(ring, np.float32).reshape(-1, 1, 2)
    if outline.distance_to_edges(np.array([[x, y]]), [ring])[0] < 1e-3 or outline.crosses_itself(ring):
        return
    assert bool(outline.inside(np.array([[x, y]]), [ring])[0]) == (cv2.pointPolygonTest(contour, (x, y), False) > 0)


def test_an_outline_that_crosses_itself_is_told_from_one_that_touches_a_corner():
    """A bow tie crosses itself; a square and an angle do not."""
    assert outline.crosses_itself([(0, 0), (10, 10), (10, 0), (0, 10)])
    assert not outline.crosses_itself(SQUARE) and not outline.crosses_itself(ANGLE)


@given(st.floats(-20, 20), st.floats(0.5, 30))
def test_a_run_inside_is_where_the_line_enters_and_leaves(start, length):
    """A level line through the square: the part between x = 0 and x = 10, or nothing."""
    line = np.array([[start, 5.0], [start + length, 5.0]])
    low, high = max(0.0, start), min(10.0, start + length)
    span = outline.run_inside(line, [SQUARE])
    if high - low < 1e-6:
        return
    piece = outline.piece(line, *span)
    assert piece[0][0] == pytest.approx(low, abs=1e-6) and piece[-1][0] == pytest.approx(high, abs=1e-6)


def test_a_bent_line_is_followed_round_its_corners():
    """Down, right, up, between two positions half way along the first and the last segment."""
    line = np.array([[0, 0], [0, 10], [10, 10], [10, 0]], float)
    piece = outline.piece(line, 0.5, 2.5)
    assert piece.tolist() == [[0, 5], [0, 10], [10, 10], [10, 5]]


def test_a_larger_outline_contains_a_smaller_one_and_not_the_other_way():
    """With corners on the border and with a notch."""
    assert outline.contains([SQUARE], [ANGLE]) and not outline.contains([ANGLE], [SQUARE])


def test_outlines_meet_when_a_thin_one_goes_straight_through():
    """Neither holds a corner of the other, yet they meet; side by side they do not."""
    bar = [(-5.0, 4.0), (15.0, 4.0), (15.0, 5.0), (-5.0, 5.0)]
    assert outline.meets([SQUARE], [bar]) and not outline.meets([SQUARE], [[(x + 40, y) for x, y in bar]])
