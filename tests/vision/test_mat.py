"""Finding the mat: pose, scale and its uncertainty on pictures whose camera is known, and why none is found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.layout import Marker, MatLayout, builtin_layouts, load_layout
from vision.layout_raster import raster
from vision.mat import MatView, NoMat, find_mat, rectify
from vision.mat_camera import Frame
from vision.mat_pose import Pose
from vision.own_mats import own_layout
from vision.reading import Photo

A4 = own_layout("a4")
EXACT = replace(A4, print_u95_rel=0.0)
MIDDLE = np.array([148.5, 105.0])
GRID = np.stack(np.meshgrid(np.linspace(10, 287, 9), np.linspace(10, 200, 7)), -1).reshape(-1, 2)
Shoot = Callable[..., object]


def _found(photo: Photo, layouts: list[MatLayout] | None = None) -> MatView:
    view = find_mat(photo, layouts or builtin_layouts())
    assert isinstance(view, MatView), view
    return view


def _reason(photo: Photo, layouts: list[MatLayout] | None = None) -> str:
    answer = find_mat(photo, builtin_layouts() if layouts is None else layouts)
    assert isinstance(answer, NoMat)
    return answer.reason


@pytest.mark.parametrize("name", ["bench-a4-1", "bench-a3-1", "bench-letter-1", "bench-tabloid-1", "corner-a3"])
def test_a_slanted_view_gives_pose_lens_and_positions(shoot: Shoot, name: str):
    """Focal length within 1 %, tilt within 0.2 degrees, points of the page within a quarter pixel (half of one where
    four markers leave the paper's bend open), also above it."""
    layout = load_layout(name)
    shot = shoot(layout, distance_mm=1.05 * layout.page_mm[0])
    view = _found(shot.photo)
    assert view.layout.name == name
    assert view.K[0, 0] == pytest.approx(shot.K[0, 0], rel=0.01)
    assert view.tilt_deg == pytest.approx(15, abs=0.2)
    assert view.residual_mm < 0.22 * view.mm_per_px  # the drawn page's own edges jitter by 0.04 mm
    grid = GRID * np.array(layout.page_mm) / (297, 210)
    allowed = 0.1 if len(view.markers) > 4 else 0.5 * view.mm_per_px
    for height in (0.0, 8.0):
        px = shot.to_px(grid, height)
        seen = ((px > 0) & (px < [999, 749])).all(1)
        assert np.linalg.norm(view.to_mm(px[seen], height) - grid[seen], axis=1).max() < allowed


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 25.0, 40.0])
@pytest.mark.parametrize("exif", [None, 25.0])
def test_the_scale_lies_within_its_uncertainty(shoot: Shoot, tilt_deg: float, exif: float | None):
    """On the page and 5 mm above it, with the focal length seen, told by EXIF (4 % off) or assumed (10 % off)."""
    shot = shoot(A4, tilt_deg=tilt_deg, focal_35mm=exif)
    view = _found(shot.photo, [EXACT])
    for height in (0.0, 5.0):
        error = view.mm_per_px_at(MIDDLE, height) / shot.mm_per_px(MIDDLE, height) - 1
        assert abs(error) <= view.u95_rel
    assert view.mm_per_px == view.mm_per_px_at(MIDDLE)


def test_a_frontal_view_is_less_certain_above_the_page_than_a_slanted_one(shoot: Shoot):
    """Without tilt the focal length is not seen: only EXIF or a slant narrows the scale at bundle height."""
    frontal = _found(shoot(A4, tilt_deg=0).photo, [EXACT]).u95_rel
    told = _found(shoot(A4, tilt_deg=0, focal_35mm=26).photo, [EXACT]).u95_rel
    slanted = _found(shoot(A4, tilt_deg=25).photo, [EXACT]).u95_rel
    assert frontal > 3 * told > 0
    assert frontal > 3 * slanted > 0


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(st.floats(800, 4000), st.floats(-0.05, 0.05), st.floats(-0.03, 0.03)),
    st.tuples(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6), st.floats(-3, 3)),
    st.tuples(st.floats(-200, 0), st.floats(-150, 0), st.floats(300, 900)),
    st.floats(0, 30),
    st.tuples(st.floats(-0.02, 0.02), st.floats(-0.02, 0.02)),
    st.tuples(st.floats(-3, 3), st.floats(-3, 3), st.floats(-3, 3)),
)
def test_pixels_and_millimetres_are_inverse(
    camera: tuple, turn: tuple, place: tuple, height: float, shift: tuple, bend: tuple
):
    """Any camera, any height: mm to px to mm comes back; px agree with OpenCV's projection of z = -height."""
    focal, k1, k2 = camera
    params = np.array([np.log(focal), k1, k2, *turn, *place, 0.0, *shift, *bend])
    pose = Pose(params, np.eye(15), Frame((999.5, 749.5), A4.page_mm), np.ones(4, bool), 0.1)
    view = MatView(A4, pose, (), 0.0, 0.0, 0.0)
    u, v = (GRID[:, 0] - 148.5) / 148.5, (GRID[:, 1] - 105) / 148.5
    points = np.column_stack([GRID, bend[0] * u * u + bend[1] * u * v + bend[2] * v * v - height])
    in_camera = points @ cv2.Rodrigues(np.array(turn))[0].T + np.array(place)
    K = np.array([[focal, 0, 999.5 + 2000 * shift[0]], [0, focal, 749.5 + 2000 * shift[1]], [0, 0, 1]])
    direct = cv2.projectPoints(points, np.array(turn), np.array(place), K, np.array([k1, k2, 0, 0]))[0]
    px = view.to_px(GRID, height)
    assert np.allclose(px, direct.reshape(-1, 2))
    r2 = ((in_camera[:, :2] / in_camera[:, 2:]) ** 2).sum(1)
    # the lens has an inverse only where the radius still grows outwards
    unfolded = 1 + r2 * (3 * k1 + 5 * k2 * r2) > 0.2
    near = (in_camera[:, 2] > 50) & (np.abs(px - 1000).max(1) < 0.9 * focal) & unfolded
    off = -np.array(place) @ cv2.Rodrigues(np.array(turn))[0]
    near &= np.abs(off[2]) > 0.5 * np.linalg.norm(off - points, axis=1)  # seen less than 60 degrees from above
    assert np.allclose(view.to_mm(px[near], height), GRID[near], atol=1e-3)


def test_heights_may_be_given_point_by_point_and_no_points_are_no_points(shoot: Shoot):
    """A vector of heights equals one call each; empty in, empty out."""
    view = _found(shoot(A4).photo)
    heights = np.linspace(0, 12, len(GRID))
    one_by_one = np.concatenate([view.to_px(GRID[i : i + 1], heights[i]) for i in range(len(GRID))])
    assert np.allclose(view.to_px(GRID, heights), one_by_one)
    assert np.allclose(view.to_mm(one_by_one, heights), GRID, atol=1e-3)
    assert view.to_px(np.zeros((0, 2))).shape == view.to_mm(np.zeros((0, 2))).shape == (0, 2)


def test_one_marker_still_gives_a_scale_with_a_wide_uncertainty(shoot: Shoot):
    """A close-up of one corner: scale there within u95, and u95 says that it is worth less."""
    shot = shoot(A4, aim_mm=(13.5, 13.5), distance_mm=45, tilt_deg=10, turn_deg=0, size=(800, 600), focal_px=620)
    view = _found(shot.photo)
    assert len(view.markers) == 1
    error = view.mm_per_px_at(np.array([13.5, 13.5])) / shot.mm_per_px(np.array([13.5, 13.5])) - 1
    assert abs(error) < view.u95_rel
    assert 0.02 < view.u95_rel < 0.5


def test_the_pocket_card_is_found(shoot: Shoot):
    """Six small markers give the card's scale within its uncertainty."""
    card = own_layout("card")
    shot = shoot(card, distance_mm=160)
    view = _found(shot.photo)
    assert view.layout.kind == "card" and len(view.markers) == 6
    middle = np.array(card.page_mm) / 2
    assert abs(view.mm_per_px_at(middle, 5) / shot.mm_per_px(middle, 5) - 1) <= view.u95_rel


def test_a_covered_middle_and_half_the_border_do_no_harm(shoot: Shoot):
    """With 14 of 22 markers hidden the rest carries the view."""
    page = raster(A4, 8.0)
    page[:, 8 * 60 : 8 * 240] = 40
    shot = shoot(A4, page=page)
    view = _found(shot.photo)
    assert 4 <= len(view.markers) <= 12
    px = shot.to_px(GRID)
    assert np.linalg.norm(view.to_mm(px) - GRID, axis=1).max() < 0.2


def test_wrong_markers_are_left_out(shoot: Shoot):
    """Two markers printed at each other's place and a torn-off one lying elsewhere do not bend the pose."""
    swapped = list(A4.markers)
    swapped[3], swapped[17] = replace(swapped[3], id=swapped[17].id), replace(swapped[17], id=swapped[3].id)
    swapped[10] = replace(swapped[10], centre_mm=(150.0, 90.0))
    shot = shoot(A4, page=raster(replace(A4, markers=tuple(swapped)), 8.0))
    view = _found(shot.photo)
    ids = {m.id for m in view.markers}
    assert len(view.markers) == 19 and not ids & {A4.markers[3].id, A4.markers[17].id, A4.markers[10].id}
    assert np.linalg.norm(view.to_mm(shot.to_px(GRID)) - GRID, axis=1).max() < 0.1


def test_ink_that_spreads_is_told_from_scale(shoot: Shoot):
    """Black squares printed 0.15 mm fatter all around leave the scale right, and are reported."""
    fat = tuple(replace(m, side_mm=m.side_mm + 0.3) for m in A4.markers)
    shot = shoot(A4, page=raster(replace(A4, markers=fat), 8.0))
    view = _found(shot.photo)
    assert view.spread_mm == pytest.approx(0.15, abs=0.04)
    assert abs(view.mm_per_px_at(MIDDLE) / shot.mm_per_px(MIDDLE) - 1) < 0.001


def test_dark_blurred_and_small_pictures_are_still_found(shoot: Shoot):
    """A twentieth of the light, a cell's third of blur, 500 px of width: three markers or more."""
    for options in ({"light": 0.04}, {"blur_px": 1.8}, {"size": (500, 375), "focal_px": 390}):
        assert len(_found(shoot(A4, **options).photo).markers) >= 3


def test_sheets_are_told_apart(shoot: Shoot):
    """The same paper with another sheet number is another layout."""
    assert _found(shoot(own_layout("a4", 5)).photo).layout.name == "bench-a4-5"


def test_turned_photographs_give_the_same_page(shoot: Shoot):
    """Upside down, the page's origin stays its printed top-left corner."""
    shot = shoot(A4, turn_deg=180)
    view = _found(shot.photo)
    assert np.linalg.norm(view.to_mm(shot.to_px(GRID)) - GRID, axis=1).max() < 0.1


def test_why_no_mat_was_found(shoot: Shoot):
    """No marker, a mirrored print, markers of an unknown mat, scattered markers, and no layout at all."""
    grey = np.full((600, 800, 3), 120, np.uint8)
    assert _reason(Photo(grey, "x", "", 800, 600)).startswith("no marker was seen")
    page = np.ascontiguousarray(raster(A4, 8.0)[:, ::-1])
    assert "mirrored" in _reason(shoot(A4, page=page).photo)
    other = MatLayout("other", "mat", (200.0, 150.0), tuple(
        Marker("DICT_5X5_1000", 900 + i, (x, y), 25.0) for i, (x, y) in enumerate([(30, 30), (170, 30), (100, 110)])
    ), (250, 250, 250))  # fmt: skip
    assert "ids 900, 901, 902" in _reason(shoot(other).photo) and "--mat" in _reason(shoot(other).photo)
    assert "no layout was given" in _reason(shoot(A4).photo, [])
    assert _found(shoot(other).photo, [other]).layout == other


def test_the_rectified_page_is_the_printed_page(shoot: Shoot):
    """Seen from above, the page equals its own raster within blur, and its origin lies on the raster's grid."""
    shot = shoot(A4, blur_px=0.5, light=1.0, size=(1600, 1200), focal_px=1250)
    flat, origin = rectify(shot.photo, _found(shot.photo), 4.0)
    drawn = cv2.GaussianBlur(raster(A4, 4.0), (0, 0), 0.8).astype(int)
    x, y = (round(v * 4) for v in origin)
    assert np.allclose(np.array(origin) * 4, [x, y])
    cut = drawn[y : y + flat.shape[0], x : x + flat.shape[1]]
    off = np.abs(flat[: cut.shape[0], : cut.shape[1]].astype(int) - cut)[8:-8, 8:-8]
    assert off.mean() < 4 and (off.max(axis=2) > 80).mean() < 0.002


def test_rectifying_at_a_height_moves_raised_things_to_their_place(shoot: Shoot):
    """A point 10 mm above the page appears at its own millimetres when the page is rectified at 10 mm."""
    shot = shoot(A4, tilt_deg=30)
    at = shot.to_px(np.array([[100.0, 60.0]]), 10.0)[0].round().astype(int)
    cv2.circle(shot.photo.bgr, (int(at[0]), int(at[1])), 4, (0, 0, 255), -1)
    flat, origin = rectify(shot.photo, _found(shot.photo), 4.0, height_mm=10.0)
    red = (flat[..., 2].astype(int) - flat[..., :2].max(axis=2)) > 120
    band = slice(round((40 - origin[1]) * 4), round((80 - origin[1]) * 4))
    y, x = np.argwhere(red[band, round((90 - origin[0]) * 4) : round((110 - origin[0]) * 4)]).mean(0)
    assert (x + 0.5) / 4 + 90 == pytest.approx(100, abs=0.4)
    assert (y + 0.5) / 4 + 40 == pytest.approx(60, abs=0.4)
