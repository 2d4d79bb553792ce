"""Lengths over the mat: at their height, and within U95 in 95 of 100 cases, on one sheet and over two."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from vision.mat import MatView
from vision.mat_length import path_length
from vision.mat_pose import solve_pose
from vision.own_mats import own_layout
from vision.sheets import HOME, Place, seen_together
from vision.uncertainty import MARKER_FIT, PRINT_SCALE

A4, TWO = own_layout("a4"), own_layout("a4", 2)
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


def test_lengths_of_raised_lines_are_covered_in_95_of_100(cameras: Any):
    """400 lines 1 to 8 mm up, in prints off by 0.25 % (sigma): Wilson's interval holds 0.95."""
    rng = np.random.default_rng(31)
    hits = 0
    for _ in range(400):
        scene, line, height = cameras.random_scene(rng), _line(rng), rng.uniform(1, 8)
        true = np.linalg.norm(np.diff(line, axis=0), axis=1).sum()
        budget = path_length(_view(rng, scene), scene.to_px(line, height), height)
        error = budget.value * (1 + rng.normal(0, A4.print_u95_rel / 2)) - true
        hits += abs(error) <= budget.u95
    low, high = cameras.wilson(hits, 400)
    assert low <= 0.95 <= high, hits


def test_lengths_over_the_join_of_two_sheets_are_covered_by_the_fit_of_both(cameras: Any):
    """100 photographs, two lines each from one sheet to the other, paper that ripples: the fit's U95 covers 95 %."""
    rng = np.random.default_rng(77)
    hits, parts = 0, []
    for _ in range(100):
        scene = cameras.over_join(rng)
        at = Place(298 + rng.uniform(0, 4), rng.uniform(-3, 3), rng.uniform(-0.01, 0.01), np.zeros((3, 3)))
        lies = ((A4, HOME, 0.05), (TWO, at, 0.15))
        views = [cameras.sheet_view(rng, scene, layout, place, ripple_mm=r) for layout, place, r in lies]
        seen = seen_together(replace(views[0], beside=(views[1],)))
        assert len(seen.mats) == 2
        for _ in range(2):
            ends = np.array([PAGE * rng.uniform(0.1, 0.9, 2), at.apply(PAGE * rng.uniform(0.1, 0.9, 2))[0]])
            budget = path_length(seen.view, scene.to_px(ends))
            fit = next(s for s in budget.sources if s.name == MARKER_FIT)
            hits += abs(budget.value - np.linalg.norm(ends[1] - ends[0])) <= 2 * fit.standard
            parts.append(2 * fit.standard)
    low, high = cameras.wilson(hits, 200)
    assert low <= 0.95 <= high, hits
    assert np.median(parts) < 0.5


def test_a_line_measured_on_the_page_looks_longer_than_at_its_own_height(cameras: Any):
    """Similar triangles: the camera H above the page makes a wire h above it look H / (H - h) times as long."""
    rng = np.random.default_rng(4)
    scene = replace(cameras.random_scene(rng, (25, 25)), bend=np.zeros(3))
    view, line = _view(rng, scene, 0.02), _line(rng)
    px, camera = scene.to_px(line, 6.0), float(view.camera_mm[2])
    low, right = (path_length(view, px, h).value for h in (0.0, 6.0))
    assert low / right == pytest.approx(camera / (camera - 6), rel=3e-4)
    assert right == pytest.approx(np.linalg.norm(np.diff(line, axis=0), axis=1).sum(), rel=2e-3)


def test_the_prints_share_grows_with_the_length(cameras: Any):
    """Half of the relative U95, as a standard uncertainty."""
    rng = np.random.default_rng(6)
    view = _view(rng, cameras.random_scene(rng))
    budget = path_length(view, view.to_px(_line(rng)))
    printed = next(s.standard for s in budget.sources if s.name == PRINT_SCALE)
    assert printed == pytest.approx(budget.value * A4.print_u95_rel / 2)


def test_a_line_needs_two_points(cameras: Any):
    """Expected, got, what to do."""
    rng = np.random.default_rng(8)
    view = _view(rng, cameras.random_scene(rng))
    with pytest.raises(ValueError, match="two points or more, got 1"):
        path_length(view, np.zeros((1, 2)))
