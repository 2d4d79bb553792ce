"""Laying photographs flat, against a page that was drawn flat."""

import hashlib

import cv2
import numpy as np
import pytest

from vision.canvas import WORKING_PX_PER_MM
from vision.lay import UNSCALED_LONG_SIDE_MM, lay_on_mat, lay_without_mat
from vision.layout import builtin_layouts
from vision.layout_raster import raster
from vision.mat import MatView, find_mat
from vision.reading import Photo


def photograph(bgr: np.ndarray) -> Photo:
    return Photo(bgr, "drawn.png", hashlib.sha256(bgr.tobytes()).hexdigest(), bgr.shape[1], bgr.shape[0], None, None)


@pytest.fixture(scope="module")
def laid():
    """A page at 6 px/mm on a grey table, 20 px of its left cut off, found and laid flat."""
    layout = next(x for x in builtin_layouts() if x.name == "bench-a4-1")
    page = cv2.copyMakeBorder(raster(layout, 6.0), 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=(90, 90, 90))
    photo = photograph(np.ascontiguousarray(page[:, 80:]))
    view = find_mat(photo, [layout])
    assert isinstance(view, MatView)
    return photo, lay_on_mat(photo, view)


def test_the_canvas_shows_the_print_where_the_layout_says(laid):
    """Sure black and sure white of the predicted print are black and white on the canvas."""
    _, canvas = laid
    light = cv2.cvtColor(canvas.bgr, cv2.COLOR_BGR2Lab)[..., 0]
    black = (canvas.printed.highest[..., 0] < 5) & canvas.ground
    on_marker = np.zeros(black.shape, bool)  # text is set to whole pixels and differs between scales
    for marker in next(x for x in builtin_layouts() if x.name == "bench-a4-1").markers:
        x, y = np.rint((np.array(marker.rect_mm[:2]) - canvas.origin_mm) * WORKING_PX_PER_MM).astype(int)
        side = round(marker.side_mm * WORKING_PX_PER_MM)
        on_marker[y : y + side, max(x, 0) : max(x + side, 0)] = True
    white = (canvas.printed.lowest[..., 0] > 245) & on_marker & canvas.ground
    assert black.sum() > 1000 and light[black].max() < 60
    assert white.sum() > 1000 and light[white].min() > 200


def test_the_canvas_maps_back_to_the_photograph(laid):
    """A page point at x, y mm was drawn at 6 (x, y) + border - cut, to half a pixel."""
    _, canvas = laid
    px = np.array([[200.0, 300.0], [900.0, 700.0]])
    assert canvas.to_photo_px(px) == pytest.approx(canvas.to_mm(px) * 6 + [60 - 80, 60] - 0.5, abs=0.5)


def test_the_print_is_ground_but_not_bare(laid):
    """An assembly may lie over the print; the light is learnt beside it."""
    _, canvas = laid
    assert (canvas.ground & canvas.printed.zone).any()
    assert not (canvas.bare & canvas.printed.zone).any()


@pytest.mark.parametrize(
    ("stated", "assumed", "expected_mm"), [(0.2, 0.1, 200.0), (None, 0.1, 100.0), (None, None, UNSCALED_LONG_SIDE_MM)]
)
def test_a_photograph_without_mat_gets_the_working_scale(stated, assumed, expected_mm):
    """The long side is as long as was stated, else as assumed, else as a bench photograph's usually is; millimetres
    only when stated."""
    canvas = lay_without_mat(photograph(np.full((600, 1000, 3), 128, np.uint8)), stated, assumed)
    assert canvas.photo_mm_per_px(1000) == pytest.approx(expected_mm / 1000, rel=0.01)
    assert canvas.bgr.shape[1] == pytest.approx(expected_mm * WORKING_PX_PER_MM, abs=1)
    assert canvas.mm_known == (stated is not None)
    assert canvas.to_photo_px(np.array([[-0.5, -0.5]])) == pytest.approx(np.array([[-0.5, -0.5]]))
