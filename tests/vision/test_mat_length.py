"""Lengths above the mat: at the height of their axis, and within U95 in 95 of 100 cases."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from vision.mat import MatView
from vision.mat_length import Height, axis_height, lifted_mm, path_length, true_diameter_mm
from vision.mat_pose import solve_pose
from vision.own_mats import own_layout
from vision.uncertainty import PARALLAX, PRINT_SCALE

A4 = own_layout("a4")
CORNERS = np.stack([m.corners_mm() for m in A4.markers])
PAGE = np.array(A4.page_mm)
BOW = np.column_stack([np.linspace(0, 1, 12), 0.15 * np.sin(np.linspace(0, 3, 12))])


def _view(rng: np.random.Generator, scene: Any, noise: float = 0.12) -> MatView:
    seen = np.sort(rng.permutation(len(CORNERS))[: rng.integers(9, 14)])
    mm = CORNERS[seen].reshape(-1, 2)
    pose = solve_pose(mm, scene.to_px(mm) + rng.normal(0, noise, mm.shape), (4000, 3000), None, A4.page_mm)
    assert pose is not None
    return MatView(A4, pose, (), 0, 0, 0)


def _line(rng: np.random.Generator) -> np.ndarray:
    """A bowed line of 60 to 180 mm anywhere on the page."""
    angle, long = rng.uniform(0, 2 * np.pi), rng.uniform(60, 180)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    line = long * (BOW - BOW.mean(0)) @ turn.T
    return line + PAGE / 2 + rng.uniform(-40, 40, 2)


def test_lengths_of_raised_wires_are_covered_in_95_of_100(cameras: Any):
    """400 lines 1 to 8 mm up, in prints off by 0.25 % (sigma), ends known to 0.4 px and 0.3 mm: Wilson holds 0.95."""
    rng = np.random.default_rng(31)
    hits, ratios = 0, []
    for _ in range(400):
        scene, line = cameras.random_scene(rng), _line(rng)
        guess = Height(rng.uniform(2, 7), 0.8)
        px = scene.to_px(line, guess.mm + rng.normal(0, guess.standard_mm))
        true = np.linalg.norm(np.diff(line, axis=0), axis=1).sum() + rng.normal(0, 0.3 * 2**0.5)
        px[[0, -1]] += rng.normal(0, 0.4, (2, 2))
        budget = path_length(_view(rng, scene), px, guess, edge_px=0.4, end_mm=0.3)
        error = budget.value * (1 + rng.normal(0, A4.print_u95_rel / 2)) - true
        hits += abs(error) <= budget.u95
        ratios.append(error / budget.standard)
    low, high = cameras.wilson(hits, 400)
    assert low <= 0.95 <= high, (hits, np.std(ratios))


def test_a_wire_measured_on_the_page_looks_longer_than_at_its_own_height(cameras: Any):
    """Similar triangles: the camera H above the page makes a wire h above it look H / (H - h) times as long."""
    rng = np.random.default_rng(4)
    scene = replace(cameras.random_scene(rng, (25, 25)), bend=np.zeros(3))
    view, line = _view(rng, scene, 0.02), _line(rng)
    px, camera = scene.to_px(line, 6.0), float(view.camera_mm[2])
    low, right = (path_length(view, px, Height(h, 0.0)).value for h in (0.0, 6.0))
    assert low / right == pytest.approx(camera / (camera - 6), rel=3e-4)
    assert right == pytest.approx(np.linalg.norm(np.diff(line, axis=0), axis=1).sum(), rel=2e-3)
    assert np.abs(lifted_mm(view, view.to_mm(px), 6.0) - line).max() < 0.3


def test_what_is_not_known_of_the_height_is_in_the_budget(cameras: Any):
    """A wire in a heap is less certain than one on the mat; the print's share grows with the length."""
    rng = np.random.default_rng(6)
    view = _view(rng, cameras.random_scene(rng))
    px = view.to_px(_line(rng), 3.0)
    alone, heap = axis_height(2.0), axis_height(2.0, stack_mm=14.0)
    assert alone.mm == 1.0 and heap.mm == 7.0 and heap.standard_mm > 5 * alone.standard_mm
    parallax = [next(s.standard for s in path_length(view, px, h).sources if s.name == PARALLAX) for h in (alone, heap)]
    assert parallax[1] / parallax[0] == pytest.approx(heap.standard_mm / alone.standard_mm, rel=0.05)
    budget = path_length(view, px, alone)
    printed = next(s.standard for s in budget.sources if s.name == PRINT_SCALE)
    assert printed == pytest.approx(budget.value * A4.print_u95_rel / 2)


@pytest.mark.parametrize("diameter", [1.2, 3.0, 12.0])
def test_a_round_wires_diameter_is_found_again(diameter: float):
    """Seen from 400 mm straight above, its axis at half its height (the rims' own place, to first order)."""
    seen = diameter * 400 / (400 - diameter / 2)
    assert true_diameter_mm(seen, 400) == pytest.approx(diameter)


def test_a_line_needs_two_points(cameras: Any):
    """Expected, got, what to do."""
    rng = np.random.default_rng(8)
    view = _view(rng, cameras.random_scene(rng))
    with pytest.raises(ValueError, match="two points or more, got 1"):
        path_length(view, np.zeros((1, 2)), Height(1, 0))
