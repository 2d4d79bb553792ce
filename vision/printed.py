"""What the mat's own print looks like on the canvas, and where something lies over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from vision.layout import MatLayout
from vision.layout_raster import printed_mask, raster

_EDGE_MM = 0.6
"""How far an edge of print may appear away from its place."""
_BOX_MARGIN_MM = 1.0
_PIXELS_AT_ONCE = 16384
_STRONG, _WEAK = 22.0, 12.0
"""Difference from the print, CIELAB units, that starts and that continues a covering thing."""
_SHADOW_LIGHT = 40.0
"""Shadows on white paper stay lighter than this L."""


@dataclass(frozen=True)
class PrintedPage:
    """The page's print in the canvas window.

    lowest, highest : (H, W, 3) uint8 CIELAB as OpenCV packs it, range of the print within `_EDGE_MM` of each pixel
    zone : (H, W) bool, on and around markers, patches, rulers and text; faint : (H, W) bool, on the pattern
    boxes : (N, 4) int, px x0, y0, x1, y1 of the printed things, with a margin
    """

    lowest: np.ndarray
    highest: np.ndarray
    zone: np.ndarray
    faint: np.ndarray
    boxes: np.ndarray


def printed_page(layout: MatLayout, px_per_mm: float, corner: tuple[int, int], shape: tuple[int, int]) -> PrintedPage:
    """The part of a layout's print that starts at page pixel (x, y) `corner` and has the given (h, w) shape."""
    whole = _whole_page(layout, px_per_mm)
    x0, y0 = corner
    h, w = shape

    def cut(page: np.ndarray) -> np.ndarray:
        part = page[max(y0, 0) : y0 + h, max(x0, 0) : x0 + w]
        if part.shape[:2] == (h, w):
            return part
        out = np.zeros((h, w, *page.shape[2:]), page.dtype)
        top, left = max(-y0, 0), max(-x0, 0)
        out[top : top + part.shape[0], left : left + part.shape[1]] = part
        return out

    boxes = (whole.boxes - [x0, y0, x0, y0]).clip(0, [w, h, w, h])
    boxes = boxes[(boxes[:, 2] - boxes[:, 0] > 1) & (boxes[:, 3] - boxes[:, 1] > 1)]
    return PrintedPage(cut(whole.lowest), cut(whole.highest), cut(whole.zone), cut(whole.faint), boxes)


def printed_sheets(
    sheets: Sequence[tuple[MatLayout, np.ndarray]], px_per_mm: float, shape: tuple[int, int]
) -> PrintedPage:
    """The print of several sheets on one canvas of (h, w) shape, each with its (2, 3) map from canvas px to page px."""
    size = (shape[1], shape[0])
    lowest, highest = np.zeros((*shape, 3), np.uint8), np.zeros((*shape, 3), np.uint8)
    zone, faint = np.zeros(shape, bool), np.zeros(shape, bool)
    boxes = []
    for layout, to_page in sheets:
        whole = _whole_page(layout, px_per_mm)

        def laid(page: np.ndarray, to_page: np.ndarray = to_page) -> np.ndarray:
            return cv2.warpAffine(page, to_page, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)

        inside = laid(np.ones(whole.zone.shape, np.uint8)) > 0
        lowest[inside], highest[inside] = laid(whole.lowest)[inside], laid(whole.highest)[inside]
        zone |= laid(whole.zone.astype(np.uint8)) > 0
        faint |= laid(whole.faint.astype(np.uint8)) > 0
        boxes.append(_boxes_on_canvas(whole.boxes, to_page))
    all_boxes = np.concatenate(boxes).clip(0, [shape[1], shape[0]] * 2)
    kept = (all_boxes[:, 2] - all_boxes[:, 0] > 1) & (all_boxes[:, 3] - all_boxes[:, 1] > 1)
    return PrintedPage(lowest, highest, zone, faint & ~zone, all_boxes[kept])


def _boxes_on_canvas(boxes: np.ndarray, to_page: np.ndarray) -> np.ndarray:
    """(N, 4) boxes of a page as upright boxes around them on the canvas."""
    back = cv2.invertAffineTransform(to_page)
    corners = np.stack([boxes[:, [0, 1]], boxes[:, [2, 1]], boxes[:, [2, 3]], boxes[:, [0, 3]]], axis=1)
    there = corners @ back[:, :2].T + back[:, 2]
    low, high = np.floor(there.min(axis=1)), np.ceil(there.max(axis=1))
    return np.column_stack([low, high]).astype(int)


@lru_cache(maxsize=3)
def _whole_page(layout: MatLayout, px_per_mm: float) -> PrintedPage:
    """The whole page; kept, since a shop photographs on one or two mats."""
    lab = cv2.cvtColor(raster(layout, px_per_mm), cv2.COLOR_BGR2Lab)
    reach = max(1, round(_EDGE_MM * px_per_mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    lowest, highest = cv2.erode(lab, kernel), cv2.dilate(lab, kernel)
    zone = printed_mask(layout, px_per_mm)
    faint = (cv2.absdiff(lowest, highest).max(axis=2) > 1) & ~zone
    rects = [m.rect_mm for m in layout.markers] + [p.rect_mm for p in layout.patches]
    rects += [b.rect_mm for b in layout.boxes] + [r.rect_mm for r in layout.rulers] + [t.rect_mm for t in layout.texts]
    corners = np.array([[x, y, x + w, y + h] for x, y, w, h in rects]).reshape(-1, 4)
    margin = _BOX_MARGIN_MM * np.array([-1, -1, 1, 1])
    height, width = zone.shape
    boxes = np.rint((corners + margin) * px_per_mm).astype(int).clip(0, [width, height, width, height])
    return PrintedPage(lowest, highest, zone, faint, boxes)


def over_print(lab: np.ndarray, ground: np.ndarray, printed: PrintedPage, px_per_mm: float) -> np.ndarray:
    """(H, W) bool, inside the printed zone: what clearly differs from the print, seen in the same light.

    lab : (H, W, 3) float32, the page near (97, 0, 0); ground : (H, W) bool, on the page and seen by the camera.
    """
    found = np.zeros(ground.shape, np.uint8)
    black, tint = _ink(lab, ground, printed)
    opening = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    for x0, y0, x1, y1 in printed.boxes:
        cut = (slice(y0, y1), slice(x0, x1))
        inside = ground[cut] & printed.zone[cut]
        strong, weak = _covered(lab[cut], printed.lowest[cut], printed.highest[cut], inside, black, tint)
        strong &= inside
        if not strong.any():
            continue
        both = _continued(strong, weak & inside, max(2, round(0.12 * px_per_mm**2)))
        found[cut][cv2.morphologyEx(both.astype(np.uint8), cv2.MORPH_OPEN, opening) > 0] = 1
    return found > 0


def _covered(
    here: np.ndarray, lowest: np.ndarray, highest: np.ndarray, inside: np.ndarray, black: float, tint: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Strong and weak difference of one box from its print, a few rows at a time.

    Every other pixel both ways says whether there is anything at all: what is smaller would be opened away.
    """
    thin = (slice(None, None, 2), slice(None, None, 2))
    low, high = _as_seen(lowest[thin], black, tint), _as_seen(highest[thin], black, tint)
    shift = _patch_shift(here[thin], low, high)
    strong, weak = np.zeros(here.shape[:2], bool), np.zeros(here.shape[:2], bool)
    if not (_differs(here[thin], low + shift, high + shift)[0] & inside[thin]).any():
        return strong, weak
    rows = max(1, _PIXELS_AT_ONCE // here.shape[1])
    for y in range(0, len(here), rows):
        cut = slice(y, y + rows)
        low, high = _as_seen(lowest[cut], black, tint) + shift, _as_seen(highest[cut], black, tint) + shift
        strong[cut], weak[cut] = _differs(here[cut], low, high)
    return strong, weak


def _ink(lab: np.ndarray, ground: np.ndarray, printed: PrintedPage) -> tuple[float, np.ndarray]:
    """L and (a, b) of black print as photographed: medians over where the print is surely black."""
    values = [
        lab[y0:y1:2, x0:x1:2][(printed.highest[y0:y1:2, x0:x1:2, 0] < 12) & ground[y0:y1:2, x0:x1:2]]
        for x0, y0, x1, y1 in printed.boxes
    ]
    seen = np.concatenate(values) if values else np.zeros((0, 3), np.float32)
    if len(seen) < 30:
        return 15.0, np.zeros(2, np.float32)
    middle = np.median(seen, axis=0)
    return float(min(middle[0], 45.0)), middle[1:].astype(np.float32)


def _as_seen(packed: np.ndarray, black: float, tint: np.ndarray) -> np.ndarray:
    """Packed CIELAB of the print to CIELAB as photographed: L between black and paper, black's tint fading out."""
    share = packed[..., :1].astype(np.float32) / 255
    colour = packed[..., 1:].astype(np.float32) - 128 + (1 - share) * tint
    return np.concatenate([black + share * (97.0 - black), colour], axis=2)


def _patch_shift(here: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """(3,) how a field of one colour came out of the printer, against the layout; 0 where it looks covered."""
    even = (high - low).max(axis=2) < 3
    if even.mean() < 0.3:
        return np.zeros(3, np.float32)
    inside = here[even]
    shift = np.median(inside - low[even], axis=0)
    usual = np.abs(inside - low[even] - shift).max(axis=1) < 8
    credible = np.linalg.norm(shift) < 40 and usual.mean() > 0.6
    return shift.astype(np.float32) if credible else np.zeros(3, np.float32)


def _differs(here: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Strong and weak difference; a darkening alone counts only below what a shadow can do."""
    below, above = np.maximum(low - here, 0), np.maximum(here - high, 0)
    off = np.maximum(below, above)
    colour = off[..., 1] ** 2 + off[..., 2] ** 2
    light = here[..., 0]
    dark = np.where(light < _SHADOW_LIGHT, below[..., 0], 0.0)
    half_dark = np.where(light < _SHADOW_LIGHT + 20, below[..., 0], 0.0)
    strong = (colour > _STRONG**2) | (dark > _STRONG) | (above[..., 0] > _STRONG)
    weak = (colour > _WEAK**2) | (half_dark > _STRONG) | (above[..., 0] > _WEAK)
    return strong, weak


def _continued(strong: np.ndarray, weak: np.ndarray, min_strong_px: int) -> np.ndarray:
    """Weak components that hold enough strong pixels."""
    n, labels = cv2.connectedComponents(weak.astype(np.uint8), connectivity=8)
    hits = np.bincount(labels[strong], minlength=n)
    keep = hits >= min_strong_px
    keep[0] = False
    return keep[labels]
