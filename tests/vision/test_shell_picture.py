"""Pictures of housings: turned, to scale, and back on the canvas; signs of what an eye sees on them."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.shell_candidate import break_signs
from vision.shell_picture import PLACE_PX, STEP_MM, shell_picture


def box(angle_deg, px_per_mm, middle=(240.0, 200.0), size_mm=(30.0, 18.0)):
    """(H, W) bool: a rectangle lying at an angle."""
    mask = np.zeros((400, 480), np.uint8)
    size = tuple(side * px_per_mm for side in size_mm)
    corners = cv2.boxPoints((middle, size, angle_deg))
    cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


@settings(max_examples=25, deadline=None)
@given(angle=st.floats(-80, 80), px_per_mm=st.sampled_from([4.0, 5.0, 6.3]))
def test_its_sides_lie_along_the_picture(angle, px_per_mm):
    """Whichever way it lies, a dark housing fills an upright rectangle of its own size in the middle."""
    mask = box(angle, px_per_mm)
    lab = np.where(mask[..., None], [30.0, 0, 0], [90.0, 0, 0]).astype(np.float32)
    picture = shell_picture(mask, lab, np.ones(mask.shape, bool), px_per_mm)
    rows, columns = picture.lab.shape[:2]
    assert rows % 16 == columns % 16 == 0
    dark = picture.lab[..., 0] < 60
    ys, xs = np.nonzero(dark)
    sides = sorted([np.ptp(ys) + 1, np.ptp(xs) + 1])
    assert np.array(sides) * STEP_MM == pytest.approx([18, 30], abs=1.2)
    assert dark[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1].mean() > 0.93
    assert abs(ys.mean() - (rows - 1) / 2) < 3 and abs(xs.mean() - (columns - 1) / 2) < 3
    back = picture.to_canvas @ np.stack([xs, ys, np.ones(len(xs))])
    assert mask[np.round(back[1]).astype(int), np.round(back[0]).astype(int)].mean() > 0.97
    assert (picture.on_shell.shape[0] * PLACE_PX, picture.on_shell.shape[1] * PLACE_PX) == (rows, columns)
    own = picture.on_canvas(picture.on_shell, mask.shape) > 0
    assert own[mask].all() and own.sum() < mask.sum() * 1.6
    places = picture.on_shell.sum() * (PLACE_PX * STEP_MM) ** 2
    assert 34 * 22 * 0.95 < places < 37 * 25


def test_what_the_camera_did_not_see_is_paper():
    """Half the housing lies outside the photograph."""
    mask = box(0.0, 5.0)
    lab = np.full((*mask.shape, 3), 20.0, np.float32)
    seen = np.zeros(mask.shape, bool)
    seen[:, :240] = True
    picture = shell_picture(mask, lab, seen, 5.0).lab[..., 0]
    assert (picture == 97).mean() == pytest.approx(0.5, abs=0.06)
    assert (picture == 20).mean() == pytest.approx(0.5, abs=0.06)


def test_signs_of_a_break_have_its_size():
    """A crack of twelve places, one more off the shell that does not count; none seen at all."""
    crack, other = np.full((30, 40), 0.02), np.full((30, 40), 0.01)
    crack[10, 5:17] = 0.9
    on_shell = np.zeros((30, 40), bool)
    on_shell[4:20, 2:30] = True
    crack[25, 30:38] = 0.99
    everywhere = np.ones((30, 40), bool)
    signs = break_signs({"fracture": crack, "hollow": other}, on_shell, everywhere)
    area = (PLACE_PX * STEP_MM) ** 2
    assert signs["seen_fracture_top10"] == pytest.approx(0.9)
    assert signs["seen_fracture_top30"] == pytest.approx((12 * 0.9 + 18 * 0.02) / 30)
    assert signs["seen_fracture_mm2"] == pytest.approx(12 * area)
    assert signs["seen_fracture_longest_mm"] == pytest.approx(np.hypot(12, 1) * PLACE_PX * STEP_MM)
    assert signs["seen_hollow_mm2"] == signs["seen_hollow_longest_mm"] == 0.0
    assert signs["seen_broken_top10"] == pytest.approx(0.91)
    beside = break_signs({"piece": crack}, on_shell, everywhere)
    assert beside["seen_piece_mm2"] == pytest.approx(20 * area)
    assert beside["seen_broken_mm2"] == pytest.approx(12 * area)
    nothing = break_signs({"fracture": crack}, np.zeros((30, 40), bool), everywhere)
    assert set(nothing.values()) == {0.0}
    elsewhere = break_signs({"fracture": crack, "piece": crack}, on_shell, ~everywhere)
    assert set(elsewhere.values()) == {0.0}


def test_of_something_huge_only_the_middle_is_shown():
    """A dark table edge taken for a housing 300 mm long: memory stays bounded."""
    mask = np.zeros((1200, 1700), bool)
    mask[100:1100, 100:1600] = True
    lab = np.full((*mask.shape, 3), 40.0, np.float32)
    picture = shell_picture(mask, lab, np.ones(mask.shape, bool), 5.0)
    assert max(picture.lab.shape) == 640
    middle = picture.places_px().reshape(-1, 2).mean(axis=0)
    assert middle == pytest.approx([849.5, 599.5], abs=3)
