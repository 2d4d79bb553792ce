"""Lays a photograph of several mat sheets edge to edge flat: one canvas over all of them, in the first one's frame.

Between two sheets the camera sees paper edges, a shadow or the table: a line that is no part of the assembly. Along it
the canvas is ground, and what looks there as the line does elsewhere is painted over with what lies on both sides.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np

from vision.canvas import WORKING_PX_PER_MM, Canvas
from vision.lay import EDGE_MM, LOOSE_POSE, inside_photo
from vision.layout import MatLayout
from vision.mat_view import straight_picture
from vision.printed import printed_sheets
from vision.reading import Photo
from vision.sheets import Place, SeenSheets

WIDEST_JOIN_MM = 8.0
"""Farther apart, two sheets are two mats: the table between them is not ground."""
_FACING = -0.8  # cosine between the ways to either sheet
_BIN_MM = 60.0
_STEPS_ACROSS = 16
_LIKE_LEVELS, _DARK = 22, 120
_EDGE_OF_PRINT_MM = 0.6
_SLIDE_MM = 0.4
"""How far inside a sheet's margin its paper, or what lies on it, is taken for the join's sides."""


def lay_on_sheets(photo: Photo, seen: SeenSheets) -> Canvas:
    """All mats of a photograph seen from straight above, as one ground."""
    s = WORKING_PX_PER_MM
    low, high = seen.box_mm()
    low = np.floor(low * s) / s
    size = tuple(max(1, int(n)) for n in np.ceil((high - low) * s))
    bgr = straight_picture(photo, seen.view, low, s, (size[0], size[1]), 0.0)
    first = low + 0.5 / s

    def to_photo(px: np.ndarray) -> np.ndarray:
        return seen.view.to_px(np.asarray(px, float).reshape(-1, 2) / s + first)

    pages = [_Page(layout, place, first, s, (size[1], size[0])) for layout, place in seen.mats]
    core = np.any([page.core for page in pages], axis=0)
    joins = np.zeros(core.shape, bool)
    for a, b in combinations(pages, 2):
        joins |= _paint_join(bgr, a, b, ~core)
    ground = (core | joins) & inside_photo(to_photo, bgr.shape[:2], photo, round(EDGE_MM * s))
    printed = printed_sheets([(page.layout, page.to_page) for page in pages], s, bgr.shape[:2])
    for page in pages:
        ground &= ~page.left_out(seen.view.u95_rel, pages)
    camera = float(seen.view.camera_mm[2])
    return Canvas(bgr, ground, True, to_photo, s, True, (float(first[0]), float(first[1])), camera, printed)


class _Page:
    """One sheet on the canvas. core : (H, W) bool, well inside it; away : (H, W) mm to the core, 0 inside."""

    def __init__(self, layout: MatLayout, place: Place, first_mm: np.ndarray, s: float, shape: tuple[int, int]) -> None:
        self.layout, self.place, self.first_mm, self.s, self.shape = layout, place, first_mm, s, shape
        back = place.rotation.T
        # canvas px to px of the page's own raster, whose pixel i covers i / s to (i + 1) / s mm
        shift = back @ (first_mm - [place.x_mm, place.y_mm]) * s - 0.5
        self.to_page = np.column_stack([back, shift])
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        own = [(m[0] * x + m[1] * y + m[2] + 0.5) / s for m in self.to_page.astype(np.float32)]
        self.own_mm = own
        sides = zip(own, layout.page_mm, strict=True)
        self.away = np.hypot(*(np.maximum(np.maximum(EDGE_MM - v, v - (w - EDGE_MM)), 0) for v, w in sides))
        self.core = self.away == 0

    def nearest_mm(self, at: tuple[np.ndarray, np.ndarray], inwards_mm: float = 0.0) -> np.ndarray:
        """(N, 2) mm of the frame: the core's (or farther inside) nearest places to canvas pixels (rows, columns)."""
        edge = EDGE_MM + inwards_mm
        sides = zip(self.own_mm, self.layout.page_mm, strict=True)
        return self.place.apply(np.column_stack([v[at].clip(edge, w - edge) for v, w in sides]))

    def left_out(self, u95_rel: float, pages: list[_Page]) -> np.ndarray:
        """(H, W) bool, print whose place is too uncertain to tell what lies on it, or that another sheet covers."""
        width, height = self.layout.page_mm
        corners = np.array([[0, 0], [width, 0], [0, height], [width, height]])
        reach = float(self.place.u95_mm(corners).max())
        if u95_rel > LOOSE_POSE:
            reach = max(reach, u95_rel * max(width, height) / 2)
        zone = printed_sheets([(self.layout, self.to_page)], self.s, self.shape).zone
        out = np.zeros(zone.shape, bool)
        for other in pages:
            if other is not self:
                out |= zone & (other.away < 2 * EDGE_MM)
        if reach > _EDGE_OF_PRINT_MM:
            side = 2 * round(reach * self.s) + 1
            out |= cv2.dilate(zone.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
        return out


def _paint_join(bgr: np.ndarray, a: _Page, b: _Page, free: np.ndarray) -> np.ndarray:
    """(H, W) bool, the strip between two sheets; in it the line between them is painted over, in place."""
    near = free & (a.away + b.away <= WIDEST_JOIN_MM + 2 * EDGE_MM)
    rows, columns = np.nonzero(near)
    at = (rows, columns)
    if not len(rows):
        return near
    here = a.first_mm + np.column_stack([columns, rows]) / a.s
    to_a, to_b = a.nearest_mm(at) - here, b.nearest_mm(at) - here
    long = [np.linalg.norm(way, axis=1) for way in (to_a, to_b)]
    facing = (to_a * to_b).sum(axis=1) <= _FACING * long[0] * long[1]
    at = (rows[facing], columns[facing])
    strip = np.zeros(free.shape, bool)
    strip[at] = True
    if len(at[0]):
        share = (long[0] / np.maximum(long[0] + long[1], 1e-6))[facing]
        sides = [_colours(bgr, page, at) for page in (a, b)]
        filled = sides[0] * (1 - share[:, None]) + sides[1] * share[:, None]
        across = (to_b - to_a)[facing].mean(axis=0)
        along = (here[facing] - here[facing].mean(axis=0)) @ [-across[1], across[0]] / max(np.linalg.norm(across), 1e-6)
        like = _like_the_line(bgr[at].astype(np.float32), share, along)
        bgr[at] = np.where(like[:, None], np.rint(filled), bgr[at]).astype(np.uint8)
    return strip


def _colours(bgr: np.ndarray, page: _Page, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """(N, 3) what lies on a sheet's margin nearest to canvas pixels."""
    px = ((page.nearest_mm(at, _SLIDE_MM) - page.first_mm) * page.s).astype(np.float32)
    seen = cv2.remap(bgr, px[:, :1].copy(), px[:, 1:].copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return seen[:, 0].astype(np.float32)


def _like_the_line(bgr: np.ndarray, share: np.ndarray, along_mm: np.ndarray) -> np.ndarray:
    """(N,) bool, pixels that look as most do along the line at the same share of the way across.

    What lies over the line covers less than half of any `_BIN_MM` of it, or is left as a line.
    """
    part = np.floor((along_mm - along_mm.min()) / _BIN_MM).astype(int)
    step = np.minimum((share * _STEPS_ACROSS).astype(int), _STEPS_ACROSS - 1)
    usual = np.full((part.max() + 1, _STEPS_ACROSS, 3), np.nan)
    group = part * _STEPS_ACROSS + step
    for k in np.unique(group):
        usual[k // _STEPS_ACROSS, k % _STEPS_ACROSS] = np.median(bgr[group == k], axis=0)
    # edges wander along the line: from one step across to the next anything between counts
    beside = np.stack([np.roll(usual, shift, axis=1) for shift in (-1, 0, 1)])
    beside[0, :, -1], beside[2, :, 0] = np.nan, np.nan
    lowest, highest = np.nanmin(beside, axis=0)[part, step], np.nanmax(beside, axis=0)[part, step]
    # the table in the shadow of a wire is darker than elsewhere, and what is dark there lies on both sides as well
    lowest = np.where(lowest.max(axis=1, keepdims=True) < _DARK, 0.0, lowest - _LIKE_LEVELS)
    return np.asarray(((bgr >= lowest) & (bgr <= highest + _LIKE_LEVELS)).all(axis=1))
