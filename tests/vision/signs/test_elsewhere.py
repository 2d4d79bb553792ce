"""What the finder suspects of the rest of a bundle, beside what it says of a candidate."""

import numpy as np
import pytest

from vision.bundles import BundleGraph
from vision.cells import Cells
from vision.evidence import _SIGNS, View, region_signs
from vision.regions import Candidate, Extent

N = 40


def signs_of(suspicion, mine):
    """Signs of a candidate on the ``mine`` cells of one bundle, of a finder that knows one damage."""
    xy = np.stack([np.arange(N) * 6.0, np.zeros(N)], axis=1)
    along = np.tile([1.0, 0.0], (N, 1))
    cells = Cells(xy, np.zeros((N, len(_SIGNS)), np.float32), _SIGNS, along, np.arange(N)[:, None])
    graph = BundleGraph(xy, np.zeros((0, 2), int), np.zeros(0), np.full(N, 2.0), np.zeros(N, int))
    on_bundle = np.arange(N) < 30
    stretches = {"abrasion": np.where(np.asarray(suspicion) >= 0.4, 0, -1)}
    usual = np.zeros(len(_SIGNS))
    view = View(cells, np.asarray(suspicion, float)[:, None], ("abrasion",), usual, on_bundle, stretches)
    one = Candidate(np.asarray(mine), "abrasion")
    extents = Extent(1.2 * len(mine), one.cells), Extent(1.2 * len(view.stretch_of(one)), one.cells)
    return region_signs(one, view, extents, graph, 1.2).values


def test_a_bundle_suspected_all_along_is_told_from_one_suspected_in_one_place():
    """Both candidates have 0.9; elsewhere it is 0.6 on one bundle and nothing on the other."""
    mine = np.arange(10)
    alone, everywhere = np.zeros(N), np.full(N, 0.6)
    alone[mine] = everywhere[mine] = 0.9
    values = [signs_of(p, mine) for p in (alone, everywhere)]
    assert [v["finder_abrasion"] for v in values] == pytest.approx([0.9, 0.9])
    assert [v["finder_abrasion_elsewhere"] for v in values] == pytest.approx([0.0, 0.6])


def test_a_candidate_knows_how_much_of_a_suspected_stretch_it_is():
    """10 cells of 40 in the one, all of its own in the other."""
    mine = np.arange(10)
    alone, everywhere = np.zeros(N), np.full(N, 0.6)
    alone[mine] = everywhere[mine] = 0.9
    values = [signs_of(p, mine) for p in (alone, everywhere)]
    assert [v["share_of_stretch"] for v in values] == pytest.approx([1.0, 0.25])
    assert [np.expm1(v["stretch_log_length_mm"]) for v in values] == pytest.approx([12.0, 48.0])


def test_what_lies_beside_the_bundle_is_not_asked():
    """The last ten cells are ground."""
    suspicion = np.zeros(N)
    suspicion[30:] = 0.9
    assert signs_of(suspicion, np.arange(10))["finder_abrasion_elsewhere"] == 0.0


def test_a_candidate_that_is_the_whole_bundle_has_nothing_elsewhere():
    """No cell is left to ask."""
    assert signs_of(np.full(N, 0.9), np.arange(30))["finder_abrasion_elsewhere"] == 0.0
