"""Bundles made straight."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.bundles import BundleGraph, trace_bundles
from vision.strips import ACROSS_MM, graph_paths, straighten


def _graph(links: list[tuple[int, int]], points: np.ndarray) -> BundleGraph:
    pairs = np.array(links)
    length = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    degree = np.bincount(pairs.ravel(), minlength=len(points))
    return BundleGraph(points, pairs, length, np.full(len(points), 2.0), degree)


def test_paths_of_a_fork_run_from_node_to_node():
    """Three branches at one point: three paths, every link once."""
    points = np.array([[0, 0], [1, 0], [2, 0], [3, 0], [4, 1], [5, 2], [4, -1]], float)
    links = [(0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (3, 6)]
    paths = [p.tolist() for p in graph_paths(_graph(links, points))]
    ends = {frozenset((p[0], p[-1])) for p in paths}
    assert ends == {frozenset((0, 3)), frozenset((3, 5)), frozenset((3, 6))}
    walked = sorted(tuple(sorted(pair)) for p in paths for pair in pairwise(p))
    assert walked == sorted(links)


def test_a_closed_loop_is_one_path():
    """No end anywhere: still walked, once."""
    points = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    links = [(0, 1), (1, 2), (2, 3), (0, 3)]
    (path,) = graph_paths(_graph(links, points))
    assert path[0] == path[-1]
    assert len(path) == 5


@settings(max_examples=15, deadline=None)
@given(st.floats(0, np.pi), st.floats(2.0, 5.0))
def test_a_band_at_any_angle_keeps_its_width_and_its_colour(angle, px_per_mm):
    """Closed form: in the strip a band of 6 mm is 6 mm wide everywhere but at its ends."""
    n = round(100 * px_per_mm)
    y, x = np.mgrid[:n, :n] / px_per_mm - 50
    along, across = x * np.cos(angle) + y * np.sin(angle), -x * np.sin(angle) + y * np.cos(angle)
    band = (np.abs(across) <= 3) & (np.abs(along) <= 40)
    lab = np.full((n, n, 3), (90, 0, 0), np.float32)
    lab[band] = (40, 50, 20)
    strips = straighten(trace_bundles(band, px_per_mm, np.zeros_like(band)), lab, band, px_per_mm)
    strip = max(strips.strips, key=lambda s: s.columns)
    assert strip.columns == pytest.approx(75, abs=8)
    rows = slice(strip.first + 15, strip.first + strip.columns - 15)
    width = (strips.solid[rows] > 0.5).sum(axis=1) * ACROSS_MM
    # the raster itself may be a pixel off
    assert np.median(width) == pytest.approx(6.0, abs=1 / px_per_mm + ACROSS_MM)
    middle = len(strips.offset_mm) // 2
    assert np.allclose(strips.lab[rows, middle], (40, 50, 20), atol=1)


def test_nothing_to_straighten():
    """No bundle: no strips, no failure."""
    empty = np.zeros((50, 50), bool)
    strips = straighten(trace_bundles(empty, 5.0, empty), np.zeros((50, 50, 3), np.float32), empty, 5.0)
    assert strips.strips == []
    assert strips.lab.shape[0] == 0
