"""A mat shown on a screen and photographed there: refused; the same mat on paper: measured."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

from vision.findings import Retake
from vision.layout import builtin_layouts
from vision.layout_raster import raster
from vision.mat import MatView, NoMat, find_mat
from vision.own_mats import own_layout
from vision.quality import judge_quality, usable
from vision.reading import Photo
from vision.sight import first_look

A4 = own_layout("a4")
_SUB = 4
"""Samples a camera pixel and direction."""
_LINEAR = ((np.arange(256) / 255) ** 2.2).astype(np.float32)


def _lit(x: np.ndarray, y: np.ndarray, picture: np.ndarray) -> np.ndarray:
    """(..., 3) light at places on a screen (px of the screen): three upright stripes to a pixel, dark gaps between."""
    column, row = np.floor(x).astype(np.int32), np.floor(y).astype(np.int32)
    along, down = x - column, y - row
    height, width = picture.shape[:2]
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    shown = picture[row.clip(0, height - 1), column.clip(0, width - 1)]
    shown *= np.where(inside & (np.abs(down - 0.5) < 0.42), np.float32(3.4), np.float32(0))[..., None]
    for c in range(3):
        shown[..., c] *= np.abs(along - np.float32((2.5 - c) / 3)) < 0.125  # blue lies right
    shown[~inside] = 0.02
    return shown


def photograph_of_screen(pitch_mm: float, size: tuple[int, int], blur_px: float, demosaic: bool = True) -> Photo:
    """An A4 mat shown at true size on a screen whose pixels are `pitch_mm` wide, photographed by hand."""
    width, height = size
    focal = 1.1 * width
    K = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    rotation = cv2.Rodrigues(np.array([0.14, 0, 0]))[0] @ cv2.Rodrigues(np.array([0, 0, 0.07]))[0]
    place = np.array([0, 0, 360.0]) - rotation @ [*(np.array(A4.page_mm) / 2), 0]
    to_screen = np.linalg.inv(K @ np.column_stack([rotation[:, :2], place]))
    picture = _LINEAR[raster(A4, 1 / pitch_mm)]
    seen = np.empty((height, width, 3), np.float32)
    for top in range(0, height, 50):
        rows = min(50, height - top)
        u = (np.arange(width * _SUB) + 0.5) / _SUB - 0.5
        v = ((np.arange(rows * _SUB) + 0.5) / _SUB - 0.5 + top)[:, None]
        x, y, far = ((a * u + (b * v + c)).astype(np.float32) for a, b, c in to_screen / pitch_mm)
        far *= np.float32(pitch_mm)
        light = _lit(x / far, y / far, picture)
        seen[top : top + rows] = cv2.resize(light, (width, rows), interpolation=cv2.INTER_AREA)
    seen = 0.8 * cv2.GaussianBlur(seen, (0, 0), blur_px)
    if demosaic:
        raw = np.empty((height, width), np.float32)
        for dy, dx, channel in ((0, 0, 2), (0, 1, 1), (1, 0, 1), (1, 1, 0)):
            raw[dy::2, dx::2] = seen[dy::2, dx::2, channel]
        whole = cv2.cvtColor(np.clip(raw * 5e4, 0, 65535).astype(np.uint16), cv2.COLOR_BayerRGGB2BGR)
        seen = whole.astype(np.float32) / 5e4
    noise = np.random.default_rng(3).normal(0, 1.5, seen.shape)
    bgr = np.clip(np.clip(seen, 0, 1) ** (1 / 2.2) * 255 + noise, 0, 255).astype(np.uint8)
    code = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
    return Photo(cv2.imdecode(code, cv2.IMREAD_COLOR), "screen.jpg", "", width, height)


@pytest.mark.parametrize(
    ("pitch_mm", "size", "blur_px", "demosaic"),
    [
        (0.27, (1600, 1200), 0.6, True),
        (0.27, (1600, 1200), 0.9, True),
        (0.27, (1200, 900), 0.6, False),
        (0.18, (1200, 900), 0.7, True),
        (0.12, (1200, 900), 0.6, True),
    ],
    ids=["office screen", "a softer lens", "three sensors", "fine screen", "very fine screen"],
)
def test_a_mat_on_a_screen_gives_no_scale_but_the_reason(
    pitch_mm: float, size: tuple[int, int], blur_px: float, demosaic: bool
):
    """Pixels of 0.12 to 0.27 mm (200 to 94 to the inch), resolved by the camera or folded into stripes."""
    found = find_mat(photograph_of_screen(pitch_mm, size, blur_px, demosaic), builtin_layouts())
    assert isinstance(found, NoMat) and found.on_screen
    assert "photograph of a screen" in found.reason and "printed mat" in found.reason


def test_a_photograph_of_a_screen_is_not_usable_and_no_stated_scale_helps():
    """Nothing is measured on it; the advice is to photograph the thing itself."""
    look = first_look(photograph_of_screen(0.27, (1200, 900), 0.6), builtin_layouts(), mm_per_px=0.2)
    assert not look.canvas.mm_known and not usable(look.retake)
    assert any(isinstance(r, Retake) and r.fault == "a photograph of a screen" for r in look.retake)
    assert not any("no mat in view" in r.fault for r in look.retake)


@pytest.mark.parametrize("quality", [60, 85, 95])
@pytest.mark.parametrize("noise", [0.3, 3.0])
def test_paper_is_never_taken_for_a_screen(shoot: Callable[..., Any], quality: int, noise: float):
    """Coarse JPEG blocks, a noisy and a clean sensor, and light that flickers in bands of 60 px."""
    photo = shoot(A4, size=(1600, 1200), focal_px=1250.0).photo
    band = 6 * np.sin(np.arange(1200) * 2 * np.pi / 60)[:, None, None]
    grain = np.random.default_rng(1).normal(0, noise, photo.bgr.shape)
    bgr = np.clip(photo.bgr + band + grain, 0, 255).astype(np.uint8)
    code = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    again = Photo(cv2.imdecode(code, cv2.IMREAD_COLOR), "paper.jpg", "", 1600, 1200)
    found = find_mat(again, builtin_layouts())
    assert isinstance(found, MatView)
    assert not any("screen" in r.fault for r in judge_quality(again, found))


@pytest.mark.parametrize("grid_mm", [1.0, 2.5, 5.0])
def test_print_that_the_layout_does_not_know_is_not_taken_for_a_screen(shoot: Callable[..., Any], grid_mm: float):
    """Somebody's own page with a fine grid of lines between the markers, its layout file silent about it."""
    page = raster(A4, 8.0)
    step = round(grid_mm * 8)
    page[160:-160:step, 160:-160] = 190
    page[160:-160, 160:-160:step] = 190
    photo = shoot(A4, page=page, size=(1600, 1200), focal_px=1250.0).photo
    assert isinstance(find_mat(photo, builtin_layouts()), MatView)
