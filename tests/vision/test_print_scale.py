"""Stretched printouts: the check bars' lengths correct the scale, along x and y separately."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from vision.layout import UNCHECKED_PRINT_U95_REL
from vision.layout_file import data_from_layout
from vision.layout_raster import raster
from vision.mat import MatView, find_mat
from vision.own_mats import own_layout
from vision.print_scale import PrintScaleError, as_printed, read_check_bars

A4 = own_layout("a4")


def test_one_number_holds_for_both_bars_and_two_for_one_each():
    """99.2 is 0.8 % short both ways; 99.2,99.6 differs."""
    both, each = read_check_bars("99.2"), read_check_bars("99.2, 99.6")
    assert (both.x, both.y) == pytest.approx((0.992, 0.992))
    assert (each.x, each.y) == pytest.approx((0.992, 0.996))
    assert 0 < both.u95_rel < UNCHECKED_PRINT_U95_REL


@pytest.mark.parametrize("text", ["", "abc", "99,98,97", "9.92", "0", "nan", "-99", "130", "99.2;99.6", "inf"])
def test_what_cannot_be_a_check_bar_is_refused_in_one_line(text: str):
    """Nonsense, three numbers, centimetres, and prints nobody could use."""
    with pytest.raises(PrintScaleError, match=r"expected .*, got .*; ") as caught:
        read_check_bars(text)
    assert "\n" not in str(caught.value)


def test_a_stretched_printout_measures_true_lengths(shoot: Callable[..., object]):
    """The page really is 99.2 % wide and 98.4 % high: unchecked it measures too long, checked it is right."""
    page = raster(A4, 8.0)
    true = cv2.resize(page, None, fx=0.992, fy=0.984, interpolation=cv2.INTER_AREA)
    shot = shoot(A4, page=true, tilt_deg=20)
    ends = np.array([[50.0, 40.0], [250.0, 40.0], [50.0, 170.0]])
    px = shot.to_px(ends)

    def lengths(layout) -> np.ndarray:
        view = find_mat(shot.photo, [layout])
        assert isinstance(view, MatView)
        mm = view.to_mm(px)
        return np.linalg.norm(mm[1:] - mm[0], axis=1)

    assert lengths(A4) - [200, 130] == pytest.approx([200 / 0.992 - 200, 130 / 0.984 - 130], abs=0.25)
    assert lengths(as_printed(A4, read_check_bars("99.2,98.4"))) == pytest.approx([200, 130], abs=0.1)


def test_a_checked_print_is_more_certain_than_an_unchecked_one(shoot: Callable[..., object]):
    """The scale's uncertainty holds the print's: 0.5 % unchecked, 0.2 % read off a rule."""
    photo = shoot(A4, tilt_deg=25).photo
    unchecked, checked = (find_mat(photo, [a]) for a in (A4, as_printed(A4, read_check_bars("100"))))
    assert isinstance(unchecked, MatView) and isinstance(checked, MatView)
    assert unchecked.u95_rel > 0.005 and 0.002 < checked.u95_rel < 0.004
    assert checked.mm_per_px == pytest.approx(unchecked.mm_per_px, rel=1e-4)


def test_the_stretched_layout_draws_the_stretched_page():
    """Its raster is the page's picture resized; nothing of one printout goes into layout files."""
    drawn = raster(as_printed(A4, read_check_bars("98,97")), 6.0).astype(int)
    page = cv2.resize(raster(A4, 6.0), drawn.shape[1::-1], interpolation=cv2.INTER_AREA).astype(int)
    assert np.abs(drawn - page).mean() < 2.5
    assert "print_u95_rel" not in data_from_layout(A4) and "stretch" not in data_from_layout(A4)["markers"][0]
