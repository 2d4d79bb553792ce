"""The drawn page: markers against OpenCV's generator, places, colours, masks."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision.layout import Marker, MatLayout, aruco_dictionary, load_layout
from vision.layout_raster import marker_outlines_mm, printed_mask, raster
from vision.own_mats import own_layout


def _opencv_marker(marker: Marker, side_px: int) -> np.ndarray:
    return cv2.aruco.generateImageMarker(aruco_dictionary(marker.dictionary), marker.id, side_px)


@pytest.mark.parametrize("dictionary", ["DICT_4X4_50", "DICT_5X5_1000", "DICT_6X6_250", "DICT_ARUCO_ORIGINAL"])
@pytest.mark.parametrize("id", [0, 17, 42])
def test_marker_bitmaps_equal_opencvs(dictionary: str, id: int):
    """Drawn at whole pixels a cell, a marker is OpenCV's own bitmap (cv2.aruco.generateImageMarker)."""
    cells = aruco_dictionary(dictionary).markerSize + 2
    marker = Marker(dictionary, id, (20.0, 20.0), float(cells))
    page = raster(MatLayout("m", "mat", (40.0, 40.0), (marker,), (255, 255, 255)), 4.0)
    low = round((20 - cells / 2) * 4)
    cut = page[low : low + 4 * cells, low : low + 4 * cells]
    assert np.array_equal(cut, np.repeat(_opencv_marker(marker, 4 * cells)[..., None], 3, axis=2))


@pytest.mark.parametrize("paper", ["a4", "card"])
def test_outlines_for_print_fill_to_the_same_bitmap(paper: str):
    """Even-odd filling of the outlines gives OpenCV's bitmap, for every marker of the sheet."""
    for marker in own_layout(paper).markers:
        scale = 70 / marker.side_mm
        corner = np.array(marker.rect_mm[:2])
        inside = np.zeros((70, 70), bool)
        y, x = np.mgrid[0:70, 0:70] + 0.5
        for loop in marker_outlines_mm(marker):
            ring = (loop - corner) * scale
            for (ax, ay), (bx, by) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
                if ay != by:
                    inside ^= (x < ax) & (min(ay, by) < y) & (y < max(ay, by)) & (ax == bx)
        assert np.array_equal(np.where(inside, 0, 255), _opencv_marker(marker, 70))


def test_the_corner_marker_mat_is_drawn_as_described():
    """Places and colours as the mat's description gives them: corners, the twelve patches, the ticks."""
    page = raster(load_layout("corner-a3"), 10.0)
    assert page.shape == (2970, 4200, 3)
    assert (page[1500, 2000] == 246).all()
    for i, (x, y) in enumerate([(25, 25), (395, 25), (395, 272), (25, 272)]):
        cut = page[10 * y - 150 : 10 * y + 150, 10 * x - 150 : 10 * x + 150, 0]
        code = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), i, 300)
        assert np.array_equal(cut, code)
    greys = [20, 60, 100, 140, 180, 220]
    colours = [(200, 52, 52), (60, 160, 60), (40, 90, 190), (235, 200, 40), (180, 60, 180), (40, 180, 200)]
    for k, rgb in enumerate([(g, g, g) for g in greys] + colours):
        x = 1050 + 175 * k
        assert (page[40:160, x : x + 150] == rgb[::-1]).all()
        assert (page[30, x + 75] == 246).all() and (page[100, x - 5] == 246).all()
    dark = page[2960, 490:3710, 0] < 128
    assert (np.diff(dark.astype(int)) == 1).sum() == 321


def test_half_covered_pixels_are_mixed():
    """A box ending in the middle of a pixel makes it half as dark."""
    layout = own_layout("card")
    marker = replace(layout.markers[0], centre_mm=(10.0, 10.0), side_mm=7.5)
    page = raster(replace(layout, markers=(marker,), patches=(), rulers=(), texts=()), 2.0)
    assert page[20, 27, 0] == pytest.approx(250 / 2, abs=1)
    assert page[20, 26, 0] == 0 and page[20, 28, 0] == 250


def test_dots_cover_their_area():
    """The pattern darkens the middle by pi r^2 / pitch^2 of its contrast."""
    layout = own_layout("a4")
    x, y, w, h = (round(v * 8) for v in layout.pattern.rect_mm)
    mean = raster(layout, 8.0)[y : y + h, x : x + w, 0].astype(float).mean()
    share = np.pi * layout.pattern.radius_mm**2 / layout.pattern.pitch_mm**2
    expected = layout.background_srgb[2] - share * (layout.background_srgb[2] - layout.pattern.srgb[2])
    assert mean == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("name", ["corner-a3", "bench-a4-1", "bench-a3-1", "bench-letter-1", "card-1"])
def test_the_mask_covers_all_print_and_leaves_the_middle(name: str):
    """Outside the mask the page is paper or pattern; the pattern's field stays outside it."""
    layout = load_layout(name)
    mask = printed_mask(layout, 6.0)
    page = raster(replace(layout, pattern=None), 6.0)
    assert (page[~mask] == layout.background_srgb[::-1]).all()
    if layout.pattern:
        x, y, w, h = (round(v * 6) for v in layout.pattern.rect_mm)
        assert not mask[y + 3 : y + h - 3, x + 3 : x + w - 3].any()


def test_a_raster_needs_a_positive_resolution():
    """Zero pixels a millimetre is refused in one line."""
    with pytest.raises(ValueError, match="positive px_per_mm"):
        raster(own_layout("card"), 0.0)
