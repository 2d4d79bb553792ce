"""Mats that must not be trusted, on rendered pictures: an exact reason, and never a false scale."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from vision.layout import MatLayout, builtin_layouts
from vision.layout_raster import raster
from vision.mat import MatView, NoMat, find_mat
from vision.own_mats import own_layout
from vision.quality import judge_quality
from vision.reading import Photo

A4 = own_layout("a4")
Shoot = Callable[..., Any]


def _reason(photo: Photo, layouts: list[MatLayout] | None = None) -> str:
    answer = find_mat(photo, layouts or builtin_layouts())
    assert isinstance(answer, NoMat), "a scale was given"
    return answer.reason


def _bare(**changes: Any) -> MatLayout:
    """The A4 mat without anything but markers, changed."""
    return replace(A4, patches=(), boxes=(), texts=(), pattern=None, **changes)


def _moved(x: float, y: float, side: float = 1.0) -> MatLayout:
    """Markers at scaled places."""
    markers = tuple(
        replace(m, centre_mm=(m.centre_mm[0] * x + 10, m.centre_mm[1] * y + 8), side_mm=m.side_mm * side)
        for m in A4.markers
    )
    return _bare(markers=markers, page_mm=(297 * x + 20, 210 * y + 16))


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        (_moved(0.9, 0.9), "% as large as layout"),
        (_moved(1.0, 1.25), "off their places on layout"),
        (
            _bare(markers=tuple(replace(m, id=A4.markers[i - 1].id) for i, m in enumerate(A4.markers))),
            "off their places on layout",
        ),
    ],
)
def test_another_mats_layout_file_is_noticed(shoot: Shoot, layout: MatLayout, words: str):
    """Same markers nearer together, farther apart one way, or in another order: each is named, no scale is given."""
    assert words in _reason(shoot(A4).photo, [layout])


def test_a_layout_wrong_as_a_whole_cannot_be_told_from_a_photograph(shoot: Shoot):
    """Everything 1.4 times as large looks the same from 1.4 times as far: only the check bars tell (README says so)."""
    markers = tuple(
        replace(m, centre_mm=(m.centre_mm[0] * 1.4, m.centre_mm[1] * 1.4), side_mm=m.side_mm * 1.4) for m in A4.markers
    )
    whole = _bare(page_mm=(420.0, 297.0), markers=markers)
    assert isinstance(find_mat(shoot(A4).photo, [whole]), MatView)


def _side_by_side(other_scale: float) -> np.ndarray:
    """Two sheets on one table, 8 px/mm; the second printed at a scale of its own."""
    a, b = raster(A4, 8.0), raster(own_layout("a4", 2), 8.0)
    b = cv2.resize(b, None, fx=other_scale, fy=other_scale, interpolation=cv2.INTER_AREA)
    table = np.full((max(a.shape[0], b.shape[0]), a.shape[1] + 16 + b.shape[1], 3), 60, np.uint8)
    table[: a.shape[0], : a.shape[1]] = a
    table[: b.shape[0], a.shape[1] + 16 :] = b
    return table


@pytest.mark.parametrize("scale", [0.93, 0.97, 1.0])
def test_two_mats_that_disagree_are_refused_and_sheets_that_agree_are_used(shoot: Shoot, scale: float):
    """A sheet printed at 97 % beside a true one: which is right cannot be known; two true sheets are no harm."""
    shot = shoot(A4, page=_side_by_side(scale), aim_mm=(297, 105), distance_mm=330, size=(1600, 1200))
    if scale < 1:
        assert "disagree" in _reason(shot.photo)
    else:
        view = find_mat(shot.photo, builtin_layouts())
        assert isinstance(view, MatView)
        at = view.middle_mm + (0 if view.layout.name == A4.name else np.array([299, 0]))
        assert abs(view.mm_per_px / shot.mm_per_px(at) - 1) < view.u95_rel


def _folded(angle_deg: float, crease_mm: float) -> Photo:
    """The page right of a crease stands up by an angle: both planes drawn with their own homography."""
    page, size = cv2.GaussianBlur(raster(A4, 8.0), (0, 0), 1.2), (1000, 750)
    K = np.array([[780.0, 0, 499.5], [0, 780, 374.5], [0, 0, 1]])
    turn = cv2.Rodrigues(np.array([0.26, 0, 0]))[0] @ cv2.Rodrigues(np.array([0, 0, 0.17]))[0]
    place = np.array([0, 0, 300.0]) - turn @ [148.5, 105, 0]
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    lying = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 0]])
    standing = np.array([[c, 0, crease_mm * (1 - c)], [0, 1, 0], [-s, 0, s * crease_mm]])
    grid = np.array([[1 / 8, 0, 1 / 16], [0, 1 / 8, 1 / 16], [0, 0, 1]])
    out = np.full((size[1], size[0], 3), 50, np.uint8)
    for plane, left in ((lying, True), (standing, False)):
        side = np.zeros(page.shape[:2], np.uint8)
        side[:, : int(8 * crease_mm)] = 255
        H = K @ (turn @ plane + np.outer(place, [0, 0, 1])) @ grid
        seen = cv2.warpPerspective(side if left else 255 - side, H, size) > 127
        out[seen] = cv2.warpPerspective(page, H, size)[seen]
    return Photo(cv2.GaussianBlur(out, (0, 0), 0.7), "folded.jpg", "", *size)


@pytest.mark.parametrize(("angle", "crease"), [(10, 148), (20, 148), (40, 148), (20, 220), (40, 220), (20, 265)])
def test_a_folded_mat_is_refused(angle: float, crease: float):
    """Half of the page, a third of it or its last strip standing up: the reason says so."""
    assert "folded" in _reason(_folded(angle, crease))


def test_a_slightly_curled_mat_is_used_and_mentioned():
    """A side raised by 3 degrees: scale within its U95 at the crease, and the advice to lay it flat."""
    photo = _folded(3, 148)
    view = find_mat(photo, builtin_layouts())
    assert isinstance(view, MatView)
    assert any("not flat" in r.fault for r in judge_quality(photo, view))
    flat = find_mat(_folded(0, 148), builtin_layouts())
    assert isinstance(flat, MatView)
    at = np.array([120.0, 105.0])
    assert abs(view.mm_per_px_at(at) / flat.mm_per_px_at(at) - 1) < view.u95_rel
    assert not any("not flat" in r.fault for r in judge_quality(photo, flat))


def _covered(keep: tuple[int, ...]) -> np.ndarray:
    page = raster(A4, 8.0)
    for i, m in enumerate(A4.markers):
        if i not in keep:
            x, y, w, h = (int(v * 8) for v in m.rect_mm)
            page[y - 8 : y + h + 8, x - 8 : x + w + 8] = 90
    return page


@pytest.mark.parametrize("keep", [(0, 1), (0, 2), (0, 11), (3, 15), (7,)])
@pytest.mark.parametrize("tilt", [5.0, 30.0])
def test_markers_covered_but_for_two_give_a_scale_within_its_wider_u95(
    shoot: Shoot, keep: tuple[int, ...], tilt: float
):
    """Neighbours, opposite corners, a single one: right within U95, which is wider than with all."""
    shot = shoot(A4, page=_covered(keep), tilt_deg=tilt)
    view = find_mat(shot.photo, builtin_layouts())
    assert isinstance(view, MatView) and len(view.markers) == len(keep)
    at = view.middle_mm
    assert abs(view.mm_per_px_at(at, 5) / shot.mm_per_px(at, 5) - 1) <= view.u95_rel
    assert view.u95_rel > 0.0055


@pytest.mark.parametrize("aim", [(0.0, 0.0), (-60.0, 105.0), (297.0, 210.0), (148.5, 230.0)])
def test_a_mat_partly_outside_gives_its_scale_within_u95(shoot: Shoot, aim: tuple[float, float]):
    """Only a corner or a rim of the page in the picture."""
    shot = shoot(A4, aim_mm=aim, distance_mm=220)
    view = find_mat(shot.photo, builtin_layouts())
    assert isinstance(view, MatView) and len(view.markers) < len(A4.markers)
    at = view.middle_mm
    assert abs(view.mm_per_px_at(at, 5) / shot.mm_per_px(at, 5) - 1) <= view.u95_rel


def test_a_mirrored_print_beside_nothing_else_is_named(shoot: Shoot):
    """Printed from a flipped file, photographed at a slant."""
    page = np.ascontiguousarray(raster(A4, 8.0)[:, ::-1])
    assert "mirrored" in _reason(shoot(A4, page=page, tilt_deg=30).photo)
