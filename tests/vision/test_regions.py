"""Regions grown from cell scores laid out by hand."""

import numpy as np
import pytest

from vision.bundles import BundleGraph
from vision.cells import Cells
from vision.grid import make_grid
from vision.regions import GrowSettings, extent_along, grow

STEP = 6  # canvas px between cells
S = 5.0  # px per mm: cells 1.2 mm apart


def row_of_cells(n=120, rows=4):
    """Cells of a straight bundle, 4 cells wide, and its centre line."""
    ys, xs = np.mgrid[0:rows, 0:n]
    xy = np.stack([xs.ravel() * STEP + 30.0, ys.ravel() * STEP + 30.0], axis=1)
    along, alone = np.tile([1.0, 0.0], (len(xy), 1)), np.arange(len(xy))[:, None]
    cells = Cells(xy, np.zeros((len(xy), 1), np.float32), ("x",), along, alone)
    points = np.stack([np.arange(30, 30 + n * STEP), np.full(n * STEP, 30 + 1.5 * STEP)], axis=1).astype(float)
    links = np.stack([np.arange(len(points) - 1), np.arange(1, len(points))], axis=1)
    degree = np.bincount(links.ravel(), minlength=len(points))
    graph = BundleGraph(points, links, np.full(len(links), 1 / S), np.full(len(points), 2.4), degree)
    return cells, graph


def scores_for(cells, spans, labels=2):
    """Scores of 0.9 for label k over [a, b) mm along the bundle."""
    mm = (cells.xy[:, 0] - 30) / S
    scores = np.zeros((len(cells.xy), labels))
    for k, a, b in spans:
        scores[(mm >= a) & (mm < b), k] = 0.9
    return scores


def grown(spans):
    """Candidates for spans, with the two labels a and b."""
    cells, graph = row_of_cells()
    found = grow(make_grid(cells), graph, cells.xy, scores_for(cells, spans), ("a", "b"), S, GrowSettings())
    return found, cells, graph


def test_one_span_is_one_candidate_of_its_length():
    """Extent along the bundle is the span to within a cell."""
    found, cells, graph = grown([(0, 20, 50)])
    assert [c.hint for c in found] == ["a"]
    assert extent_along(graph, cells.xy[found[0].cells], S).length_mm == pytest.approx(30, abs=1.5)


@pytest.mark.parametrize(("gap", "regions"), [(30, 1), (48, 1), (56, 2), (70, 2)])
def test_pieces_within_50_mm_are_one_region(gap, regions):
    """The design's rule: pieces of one cause within 50 mm along the wire are one region."""
    found, _, _ = grown([(0, 10, 25), (0, 25 + gap, 40 + gap)])
    assert len(found) == regions


def test_two_causes_far_apart_stay_two():
    """Different labels are never joined."""
    found, _, _ = grown([(0, 10, 30), (1, 70, 95)])
    assert sorted(c.hint for c in found) == ["a", "b"]


def test_a_speck_of_another_label_in_a_large_region_is_absorbed():
    """A few cells of b inside a's span do not make a second region."""
    found, _, _ = grown([(0, 20, 60), (1, 38, 42)])
    assert [c.hint for c in found] == ["a"]


def test_a_lone_weak_cell_is_nothing():
    """Below the seed probability nothing grows."""
    cells, graph = row_of_cells()
    scores = np.zeros((len(cells.xy), 2))
    scores[50, 0] = 0.5
    assert grow(make_grid(cells), graph, cells.xy, scores, ("a", "b"), S, GrowSettings()) == []


def test_what_a_finder_half_suspects_along_a_whole_bundle_is_not_damaged_with_it():
    """0.9 over 30 mm in a bundle at 0.5 is damaged over 30 mm, not over its 140; so is 0.998 in one at 0.8."""
    cells, graph = row_of_cells()
    for top, around in ((0.9, 0.5), (0.998, 0.8)):
        scores = np.full((len(cells.xy), 2), [around, 0.0])
        scores[scores_for(cells, [(0, 40, 70)])[:, 0] > 0, 0] = top
        (found,) = grow(make_grid(cells), graph, cells.xy, scores, ("a", "b"), S, GrowSettings())
        assert extent_along(graph, cells.xy[found.cells], S).length_mm == pytest.approx(30, abs=1.5)


def test_a_rim_that_is_likely_enough_stays():
    """At 0.9 in the middle a rim of 0.6 is part of the damage."""
    cells, graph = row_of_cells()
    scores = scores_for(cells, [(0, 40, 70)])
    rim = (scores_for(cells, [(0, 30, 80)])[:, 0] > 0) & (scores[:, 0] == 0)
    scores[rim, 0] = 0.6
    (found,) = grow(make_grid(cells), graph, cells.xy, scores, ("a", "b"), S, GrowSettings())
    assert extent_along(graph, cells.xy[found.cells], S).length_mm == pytest.approx(50, abs=1.5)
