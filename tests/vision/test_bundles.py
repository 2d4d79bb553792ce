"""Centre lines and distances along bundles, on drawings whose lengths are known."""

import cv2
import numpy as np
import pytest

from vision.bundles import trace_bundles

S = 5.0


def drawn(lines, width_mm=6.0, size_mm=(220, 160)):
    """(H, W) bool with thick polylines given in mm."""
    raster = np.zeros((round(size_mm[1] * S), round(size_mm[0] * S)), np.uint8)
    for line in lines:
        cv2.polylines(raster, [np.round(np.array(line) * S).astype(np.int32)], False, 1, round(width_mm * S))
    return raster > 0


def test_a_straight_bundle_has_its_length_and_two_ends():
    """Length of a straight bar equals its drawn length less the rounding of its ends."""
    graph = trace_bundles(drawn([[(20, 80), (180, 80)]]), S, np.zeros((800, 1100), bool))
    assert len(graph.ends) == 2
    way = graph.distances_mm(graph.ends[:1])[0][graph.ends[1]]
    assert way == pytest.approx(160, abs=6.5)
    assert np.median(graph.half_width_mm) == pytest.approx(3.0, abs=0.3)


def test_a_circle_arc_is_not_lengthened_by_stair_steps():
    """A quarter circle of 80 mm radius is 125.7 mm long; a raster path would give about 8 % more."""
    t = np.linspace(0, np.pi / 2, 60)
    arc = np.stack([30 + 80 * np.sin(t), 110 - 80 * np.cos(t)], axis=1)
    graph = trace_bundles(drawn([arc], 4.0), S, np.zeros((800, 1100), bool))
    way = graph.distances_mm(graph.ends[:1])[0][graph.ends[1]]
    assert way == pytest.approx(np.pi / 2 * 80, rel=0.035)


def test_a_breakout_gives_a_junction_and_three_ends():
    """Distances between ends add up over the junction."""
    graph = trace_bundles(drawn([[(20, 80), (200, 80)], [(110, 80), (110, 150)]]), S, np.zeros((800, 1100), bool))
    assert len(graph.ends) == 3
    assert (graph.degree >= 3).sum() >= 1
    ends = graph.points[graph.ends] / S
    right, low = ends[:, 0].argmax(), ends[:, 1].argmax()
    way = graph.distances_mm(graph.ends[[right]])[0][graph.ends[low]]
    assert way == pytest.approx(90 + 70, abs=9)


def test_a_housing_blocks_the_way():
    """Two bundles on either side of a blocked zone are not connected."""
    blocked = np.zeros((800, 1100), bool)
    blocked[300:500, 500:600] = True
    graph = trace_bundles(drawn([[(20, 80), (200, 80)]]), S, blocked)
    left = graph.points[:, 0].argmin()
    right = graph.points[:, 0].argmax()
    assert np.isinf(graph.distances_mm(np.array([left]))[0][right])


def test_nothing_drawn_gives_an_empty_graph():
    """No points, no ends, and distances of the right shape."""
    graph = trace_bundles(np.zeros((200, 200), bool), S, np.zeros((200, 200), bool))
    assert len(graph.points) == 0
    assert graph.distances_mm(np.array([], int)).shape == (0, 0)


def test_arms_are_what_leaves_a_stretch():
    """A bar leaves its middle on two sides; a T on three; none beyond an end."""
    bar = trace_bundles(drawn([[(20, 80), (180, 80)]]), S, np.zeros((800, 1100), bool))
    tee = trace_bundles(drawn([[(20, 80), (200, 80)], [(110, 80), (110, 150)]]), S, np.zeros((800, 1100), bool))
    for graph, arms, spans in ((bar, 2, (90, 120)), (tee, 3, (95, 125))):
        x, y = graph.points.T / S
        covered = np.flatnonzero((x > spans[0]) & (x < spans[1]) & (y < 92))
        found = graph.arms(covered, 2.0, 10.0)
        assert len(found) == arms
        assert not set(np.concatenate(found)) & set(covered)
        for arm in found:
            assert 4 < np.linalg.norm(np.ptp(graph.points[arm], axis=0)) / S < 10
    ends = np.flatnonzero(bar.points[:, 0] / S > 150)
    assert len(bar.arms(ends, 2.0, 10.0)) == 1
    assert bar.arms(np.zeros(0, int), 2.0, 10.0) == []
