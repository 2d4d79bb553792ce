"""Sheets edge to edge: their places from photographs that see two, within U95, and what cannot be placed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.layout import builtin_layouts
from vision.layout_raster import raster
from vision.mat import NoMat, find_mat
from vision.mat_markers import FoundMarker
from vision.mat_view import MatView
from vision.own_mats import own_layout
from vision.sheets import HOME, NoPlace, Place, join, place_of, sighted

ONE, TWO, THREE = (own_layout("a4", n) for n in (1, 2, 3))
PAGE = np.array(ONE.page_mm)
NUMBERS = st.tuples(st.floats(-500, 500), st.floats(-500, 500), st.floats(-3, 3))


def _place(x: float, y: float, turn: float, u: float = 0.2) -> Place:
    return Place(x, y, turn, np.diag([u**2, u**2, (u / 200) ** 2]))


def _pair(rng: np.random.Generator, cameras: Any, at: Place, other: Any = TWO) -> tuple[MatView, MatView]:
    """Two flat sheets in one photograph taken from above their common edge."""
    scene = cameras.over_join(rng, at)
    return cameras.sheet_view(rng, scene, ONE, HOME), cameras.sheet_view(rng, scene, other, at)


def test_distances_across_two_sheets_are_covered_in_95_of_100(cameras: Any):
    """200 photographs, two distances each from one sheet to the other: Wilson's interval holds 0.95."""
    rng = np.random.default_rng(12)
    hits = 0
    for _ in range(200):
        true = _place(298 + rng.uniform(0, 6), rng.uniform(-8, 8), rng.uniform(-0.04, 0.04))
        first, second = _pair(rng, cameras, true)
        found = place_of(second, first)
        assert isinstance(found, Place)
        for _ in range(2):
            a, b = PAGE * rng.uniform(0.1, 0.9, 2), PAGE * rng.uniform(0.1, 0.9, 2)
            to = (found.apply(b) - a)[0]
            along = to / np.linalg.norm(to)
            arm = (found.apply(b) - [found.x_mm, found.y_mm])[0]
            J = along @ np.array([[1, 0, -arm[1]], [0, 1, arm[0]]])
            error = np.linalg.norm(to) - np.linalg.norm(true.apply(b)[0] - a)
            hits += abs(error) <= 2 * np.sqrt(J @ found.covariance @ J)
    low, high = cameras.wilson(hits, 400)
    assert low <= 0.95 <= high, hits


@given(NUMBERS, NUMBERS, st.tuples(st.floats(-300, 300), st.floats(-300, 300)))
def test_places_compose_and_turn_back(a: tuple, b: tuple, point: tuple):
    """After and inverse do what they do to points; a place and its inverse leave every point where it was."""
    one, two, mm = _place(*a), _place(*b), np.array([point])
    assert np.allclose(one.after(two).apply(mm), one.apply(two.apply(mm)), atol=1e-6)
    assert np.allclose(one.inverse().apply(one.apply(mm)), mm, atol=1e-6)


@pytest.mark.parametrize(
    ("a", "b"), [((0, 0, 0), (300, 5, 0.1)), ((-250, 80, 2.5), (40, -390, -1.0)), ((299, 0, -3), (299, 2, 3))]
)
def test_uncertainties_of_composed_and_inverse_places_are_those_of_drawn_samples(a: tuple, b: tuple):
    """Covariances against the spread of 4000 samples pushed through the same steps one by one."""
    rng = np.random.default_rng(0)
    one, two = _place(*a, u=0.5), _place(*b, u=0.3)

    def drawn(place: Place, n: int = 4000) -> np.ndarray:
        return rng.multivariate_normal(place.vector, place.covariance, n)

    pairs = zip(drawn(one), drawn(two), strict=True)
    composed = np.array([Place(*v, HOME.covariance).after(Place(*w, HOME.covariance)).vector[:2] for v, w in pairs])
    back = np.array([Place(*v, HOME.covariance).inverse().vector[:2] for v in drawn(one)])
    for samples, place in ((composed, one.after(two)), (back, one.inverse())):
        assert np.allclose(np.cov(samples.T), place.covariance[:2, :2], rtol=0.15, atol=0.06)


def test_three_sheets_in_a_row_are_joined_over_the_middle_one(cameras: Any):
    """No photograph shows the first with the third: both hang on the second; a fourth is named as loose."""
    rng = np.random.default_rng(3)
    step, turned = _place(299, 2, 0.01), _place(300, -1, -0.02)
    one, two = _pair(rng, cameras, step)
    scene_one, three = _pair(rng, cameras, turned, THREE)
    two_again = MatView(TWO, scene_one.pose, tuple(
        FoundMarker(m.dictionary, TWO.markers[[n.id for n in ONE.markers].index(m.id)].id, m.corners_px)
        for m in scene_one.markers
    ), 0, 0, 0)  # fmt: skip
    lonely = _pair(rng, cameras, step, own_layout("a4", 4))[1]
    table = join(sighted(views)[0] for views in ([one, two], [two_again, three], [lonely]))
    assert set(table.places) == {"bench-a4-1", "bench-a4-2", "bench-a4-3"}
    assert "no photograph shows sheet bench-a4-4" in table.loose["bench-a4-4"]
    assert isinstance(table.named(lonely.layout.name), NoPlace)
    home, far = table.named(ONE.name), table.named(THREE.name)
    assert isinstance(home, Place) and isinstance(far, Place)
    corner = np.array([[200.0, 100.0]])
    seen = np.linalg.norm(far.apply(corner) - home.apply(np.zeros((1, 2))))
    true = np.linalg.norm(step.after(turned).apply(corner))
    assert abs(seen - true) <= float(far.u95_mm(corner)[0] + home.u95_mm(np.zeros((1, 2)))[0])


def test_a_sheet_that_was_moved_between_photographs_is_noticed(cameras: Any):
    """Two photographs put the second sheet 20 mm apart: neither is believed."""
    rng = np.random.default_rng(9)
    pairs = [_pair(rng, cameras, _place(x, 0, 0)) for x in (299, 319)]
    table = join(sighted(pair)[0] for pair in pairs)
    assert "disagree" in table.loose["bench-a4-2"] and set(table.places) == {"bench-a4-1"}


def test_no_photograph_is_an_empty_table():
    """Nothing in, nothing out."""
    assert not join([]).places


def _sheets(photo: Any) -> list[MatView]:
    """Every sheet in a photograph."""
    view = find_mat(photo, builtin_layouts())
    return [] if isinstance(view, NoMat) else [view, *view.beside]


def test_sheets_of_a_rendered_photograph_are_both_found_and_placed(shoot: Callable[..., Any]):
    """Two sheets side by side, 2 mm apart, in a picture: the second lies 299 mm to the right within U95."""
    a, b = raster(ONE, 8.0), raster(TWO, 8.0)
    table = np.full((a.shape[0], a.shape[1] + 16 + b.shape[1], 3), 60, np.uint8)
    table[:, : a.shape[1]], table[:, a.shape[1] + 16 :] = a, b
    photo = shoot(ONE, page=table, aim_mm=(297, 105), distance_mm=330, size=(1600, 1200), tilt_deg=20).photo
    views = {v.layout.name: v for v in _sheets(photo)}
    assert set(views) == {"bench-a4-1", "bench-a4-2"}
    place = place_of(views["bench-a4-2"], views["bench-a4-1"])
    assert isinstance(place, Place)
    off = np.linalg.norm(place.apply(PAGE / 2)[0] - (PAGE / 2 + [299, 0]))
    assert off <= place.u95_mm(PAGE / 2)[0] < 3
    assert place.turn == pytest.approx(0, abs=0.01)


def test_a_photograph_without_a_mat_has_no_sheets(shoot: Callable[..., Any]):
    """A grey page."""
    assert _sheets(shoot(ONE, page=np.full((800, 1200, 3), 120, np.uint8)).photo) == []
