"""Separating the assembly from its ground, on pictures whose truth is a formula."""

import cv2
import numpy as np
import pytest

from vision.layout import MatLayout, builtin_layouts
from vision.layout_raster import raster
from vision.light import even_light
from vision.printed import PrintedPage, printed_page
from vision.segment import Foreground, on_other_ground, on_white_ground

S = 5.0
LAYOUTS = {layout.kind + " " + layout.name: layout for layout in builtin_layouts() if layout.name.endswith("-1")}
MATS = {name: layout for name, layout in LAYOUTS.items() if layout.kind == "mat"} | {
    layout.name: layout for layout in builtin_layouts() if layout.name == "corner-a3"
}


def lit(bgr: np.ndarray, seed: int = 0) -> np.ndarray:
    """The picture under warm light that falls off to 55 %, a little blurred and noisy, with greyish black."""
    h, w = bgr.shape[:2]
    y, x = np.mgrid[0 : 1 : h * 1j, 0 : 1 : w * 1j]
    linear = 0.03 + 0.9 * (bgr.astype(np.float32) / 255) ** 2.2
    linear *= (np.exp(-0.45 * x - 0.15 * y)[..., None] * [0.8, 0.95, 1.0]).astype(np.float32)
    noisy = cv2.GaussianBlur(linear, (0, 0), 0.8) ** (1 / 2.2) * 255
    noisy += np.random.default_rng(seed).normal(0, 1.2, bgr.shape).astype(np.float32)
    return np.rint(noisy).clip(0, 255).astype(np.uint8)


def segmented(bgr: np.ndarray, printed: PrintedPage | None = None) -> Foreground:
    ground = np.ones(bgr.shape[:2], bool)
    ground[:8] = ground[-8:] = False
    ground[:, :8] = ground[:, -8:] = False
    bare = ground & ~printed.zone if printed else ground
    return on_white_ground(even_light(bgr, bare, True), ground, S, printed)


def whole_print(layout: MatLayout, page: np.ndarray) -> PrintedPage:
    return printed_page(layout, S, (0, 0), page.shape[:2])


@pytest.mark.parametrize("colour", [(40, 40, 200), (30, 30, 30), (110, 110, 110), (40, 160, 200)])
def test_a_disc_of_known_radius_is_found_with_its_area(colour):
    """pi r^2 within 5 %, in red, black, grey, yellow."""
    page = np.full((400, 560, 3), 250, np.uint8)
    cv2.circle(page, (280, 200), 60, colour, -1, cv2.LINE_AA)
    assert segmented(lit(page)).solid.sum() == pytest.approx(np.pi * 60**2, rel=0.05)


def test_a_white_body_with_faint_edges_is_filled():
    """A pale box, 9 L darker than the page, with a black wire into it: nine tenths of it are found."""
    page = np.full((400, 560, 3), 250, np.uint8)
    cv2.rectangle(page, (250, 140), (370, 260), (218, 224, 224), -1)
    cv2.rectangle(page, (280, 170), (340, 230), (200, 203, 200), 3)
    cv2.line(page, (40, 200), (252, 200), (30, 30, 30), 12)
    assert segmented(lit(page)).solid[142:258, 252:368].mean() > 0.9


def test_the_gap_between_two_wires_stays_open():
    """Wires that fan out enclose bare page with the housing they come from; it does not become foreground."""
    page = np.full((500, 560, 3), 250, np.uint8)
    cv2.rectangle(page, (40, 180), (140, 320), (60, 60, 60), -1)
    cv2.rectangle(page, (430, 180), (530, 320), (60, 60, 60), -1)
    for y in (200, 300):
        cv2.line(page, (130, y), (440, y), (40, 40, 200), 12)
    assert not segmented(lit(page)).solid[230:270, 180:400].any()


@pytest.mark.parametrize("depth", [0.3, 0.55])
def test_a_soft_shadow_beside_a_part_is_not_foreground(depth):
    """Light falls by up to 70 % over a soft rim: the part is found, nine tenths of its shadow are not."""
    page = np.full((500, 600, 3), 250, np.uint8)
    cv2.rectangle(page, (150, 150), (300, 300), (160, 60, 30), -1)
    shade = np.ones((500, 600), np.float32)
    cv2.rectangle(shade, (200, 200), (380, 380), depth, -1)
    shade = cv2.GaussianBlur(shade, (0, 0), 9)
    shade[150:301, 150:301] = 1
    dark = ((page / 255.0) ** 2.2 * shade[..., None]) ** (1 / 2.2) * 255
    solid = segmented(lit(dark.astype(np.uint8))).solid
    assert solid[155:295, 155:295].mean() > 0.98
    assert solid[310:400, 150:400].mean() < 0.1


@pytest.mark.parametrize("name", sorted(MATS))
def test_a_bare_mat_under_uneven_light_has_no_foreground(name):
    """Neither markers, patches, rulers, text nor dots become assembly, even printed 0.4 mm away from their place."""
    page = raster(MATS[name], S)
    seen = lit(np.roll(page, (2, -1), axis=(0, 1)))
    assert segmented(seen, whole_print(MATS[name], page)).solid.sum() < 1.0 * S**2


@pytest.mark.parametrize("colour", [(40, 40, 200), (200, 120, 30), (60, 200, 220)])
def test_a_wire_over_markers_is_found(colour):
    """A 2.4 mm wire straight across the row of markers at the border: found over black and white cells alike."""
    layout = MATS["mat bench-a4-1"]
    page = raster(layout, S)
    top = min(m.centre_mm[1] for m in layout.markers)
    over = page.copy()
    y = round(top * S)
    cv2.line(over, (0, y), (page.shape[1], y + 30), colour, 12, cv2.LINE_AA)
    solid = segmented(lit(over), whole_print(layout, page)).solid
    x = np.concatenate([np.arange(m.rect_mm[0], m.rect_mm[0] + m.side_mm, 0.2) for m in layout.markers])
    x = np.rint(x[(x > 4) & (x < layout.page_mm[0] - 4)] * S).astype(int)
    assert solid[np.rint(y + 30 * x / page.shape[1]).astype(int), x].mean() > 0.95


def wooden(h: int, w: int) -> np.ndarray:
    """(h, w, 3) a brown bench with grain along x."""
    grain = np.random.default_rng(3).normal(0, 14, (h, w)).astype(np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), sigmaX=25, sigmaY=1.2)
    return (np.array([80, 110, 140], np.float32) + 10 * grain[..., None] / grain.std()).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize("colour", [(40, 40, 190), (230, 230, 230), (25, 25, 25), (180, 90, 20)])
def test_a_wire_on_a_grained_bench_is_found(colour):
    """A 3 mm wire of any colour on wood: its middle is found, less than a tenth more beside it."""
    bench = wooden(500, 700)
    cv2.line(bench, (0, 250), (700, 300), colour, 15, cv2.LINE_AA)
    picture = lit(bench)
    ground = np.ones(picture.shape[:2], bool)
    solid = on_other_ground(even_light(picture, ground, False), ground, S).solid
    x = np.arange(10, 690)
    assert solid[np.rint(250 + 50 * x / 700).astype(int), x].mean() > 0.97
    beside = np.ones((500, 700), np.uint8)
    cv2.line(beside, (0, 250), (700, 300), 0, 27)
    assert (solid & (beside > 0)).sum() < 0.1 * 15 * 700


def test_a_shadow_on_a_grained_bench_is_not_foreground():
    """Half the light gone over a soft rim beside a blue part."""
    bench = wooden(500, 700)
    shade = np.ones((500, 700), np.float32)
    cv2.rectangle(shade, (250, 200), (420, 360), 0.5, -1)
    shade = cv2.GaussianBlur(shade, (0, 0), 7)
    cv2.rectangle(shade, (200, 150), (350, 300), 1.0, -1)
    cv2.rectangle(bench, (200, 150), (350, 300), (190, 70, 20), -1)
    picture = lit((((bench / 255.0) ** 2.2 * shade[..., None]) ** (1 / 2.2) * 255).astype(np.uint8))
    ground = np.ones(picture.shape[:2], bool)
    solid = on_other_ground(even_light(picture, ground, False), ground, S).solid
    assert solid[160:290, 210:340].mean() > 0.95
    assert solid[320:380, 230:440].mean() < 0.15
