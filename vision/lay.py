"""Lays the photograph flat: from a photograph and its mat (or none) to the canvas."""

from __future__ import annotations

import cv2
import numpy as np

from vision.canvas import WORKING_PX_PER_MM, Canvas, Mapping
from vision.layout import MatLayout
from vision.mat import MatView, rectify, straight_picture
from vision.printed import printed_page
from vision.reading import Photo, PhotoError

EDGE_MM = 1.5
_CARD_FIELD_MM = 420.0
SHORTEST_FIELD_MM, LONGEST_FIELD_MM = 20.0, 1500.0
"""What the long side of a bench photograph with a stated scale can show."""

LOOSE_POSE = 0.015
UNSCALED_LONG_SIDE_MM = 460.0
"""Without any scale the long side of the photograph is taken for this, for the features only: a bench
photograph of one assembly shows about that much."""


def lay_on_mat(photo: Photo, view: MatView) -> Canvas:
    """The page seen from straight above; for a pocket card, the ground around the card."""
    if view.layout.kind == "card":
        return _lay_around_card(photo, view)
    s = WORKING_PX_PER_MM
    bgr, origin = rectify(photo, view, s)
    h, w = bgr.shape[:2]
    corner = (round(origin[0] * s), round(origin[1] * s))
    ground = _on_page(view.layout, s, corner, (h, w))
    centre_mm = (origin[0] + 0.5 / s, origin[1] + 0.5 / s)

    def to_photo(px: np.ndarray) -> np.ndarray:
        return view.to_px(np.asarray(px, float).reshape(-1, 2) / s + centre_mm)

    ground &= inside_photo(to_photo, (h, w), photo, round(EDGE_MM * s))
    printed = printed_page(view.layout, s, corner, (h, w))
    if view.u95_rel > LOOSE_POSE:
        # the print cannot be told from what lies on it when its place is this uncertain: leave it out, with a margin
        reach = 2 * round(view.u95_rel * max(view.layout.page_mm) / 2 * s) + 1
        ground &= cv2.dilate(printed.zone.astype(np.uint8), np.ones((reach, reach), np.uint8)) == 0
        edge = np.zeros((h + 2, w + 2), np.uint8)
        edge[1:-1, 1:-1] = _on_page(view.layout, s, corner, (h, w))
        ground &= cv2.erode(edge, np.ones((reach, reach), np.uint8))[1:-1, 1:-1] > 0
    return Canvas(bgr, ground, True, to_photo, s, True, centre_mm, float(view.camera_mm[2]), printed)


def _on_page(layout: MatLayout, px_per_mm: float, corner: tuple[int, int], shape: tuple[int, int]) -> np.ndarray:
    """(h, w) bool, canvas pixels well inside the page; the canvas starts at page pixel (x, y) `corner`."""
    edge = EDGE_MM * px_per_mm
    inside = []
    for start, size, length_mm in zip(corner, shape[::-1], layout.page_mm, strict=True):
        at = np.arange(start, start + size) + 0.5
        inside.append((at > edge) & (at < length_mm * px_per_mm - edge))
    return inside[1][:, None] & inside[0][None, :]


def _lay_around_card(photo: Photo, view: MatView) -> Canvas:
    """The plane of the card, cut to the photograph and at most `_CARD_FIELD_MM` around the card."""
    s = WORKING_PX_PER_MM
    corners = np.array([[0, 0], [photo.width_px, 0], [photo.width_px, photo.height_px], [0, photo.height_px]], float)
    seen = view.to_mm(corners)
    middle = np.array(view.layout.page_mm) / 2
    low = np.maximum(seen.min(axis=0), middle - _CARD_FIELD_MM / 2)
    high = np.minimum(seen.max(axis=0), middle + _CARD_FIELD_MM / 2)
    width, height = (max(1, int(n)) for n in np.ceil((high - low) * s))
    bgr = straight_picture(photo, view, low, s, (width, height), 0.0)
    centre_mm = (float(low[0] + 0.5 / s), float(low[1] + 0.5 / s))

    def to_photo(px: np.ndarray) -> np.ndarray:
        return view.to_px(np.asarray(px, float).reshape(-1, 2) / s + centre_mm)

    ground = inside_photo(to_photo, (height, width), photo, round(EDGE_MM * s))
    x0, y0 = np.floor((-2.0 - low) * s).astype(int)
    x1, y1 = np.ceil((np.array(view.layout.page_mm) + 2.0 - low) * s).astype(int)
    ground[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = False
    return Canvas(bgr, ground, False, to_photo, s, True, centre_mm, float(view.camera_mm[2]))


def inside_photo(to_photo: Mapping, shape: tuple[int, int], photo: Photo, edge_px: int) -> np.ndarray:
    """(H, W) bool, canvas pixels the camera saw; exact every 16 px, linear between."""
    h, w = shape
    gx, gy = np.meshgrid(np.arange(0, w + 16, 16), np.arange(0, h + 16, 16))
    px = to_photo(np.stack([gx.ravel(), gy.ravel()], axis=1)).reshape(*gx.shape, 2)
    margin = np.minimum(
        np.minimum(px[..., 0] - edge_px / 2, photo.width_px - 1 - edge_px / 2 - px[..., 0]),
        np.minimum(px[..., 1] - edge_px / 2, photo.height_px - 1 - edge_px / 2 - px[..., 1]),
    ).astype(np.float32)
    big = cv2.resize(margin, None, fx=16, fy=16, interpolation=cv2.INTER_LINEAR)
    # the coarse node lies in the middle of its block after resizing: shift back by half a block
    return np.roll(big, (-8, -8), axis=(0, 1))[:h, :w] > 0


def lay_without_mat(photo: Photo, mm_per_px: float | None, assumed_mm_per_px: float | None = None) -> Canvas:
    """The photograph itself, brought to the working scale; millimetres are real only where a scale was stated.

    assumed_mm_per_px : taken where none was; by default as of a bench photograph, which shows a whole assembly
    """
    assumed = mm_per_px or assumed_mm_per_px or UNSCALED_LONG_SIDE_MM / max(photo.width_px, photo.height_px)
    s = WORKING_PX_PER_MM
    long_mm = assumed * max(photo.width_px, photo.height_px)
    if not SHORTEST_FIELD_MM <= long_mm <= LONGEST_FIELD_MM:
        raise PhotoError(
            f"{photo.name}: expected a stated scale that makes the picture {SHORTEST_FIELD_MM:g} to "
            f"{LONGEST_FIELD_MM:g} mm long, got {long_mm:.3g} mm: divide a length you know (mm) by its pixels"
        )
    factor = assumed * s
    width, height = max(8, round(photo.width_px * factor)), max(8, round(photo.height_px * factor))
    limit = 2600 / max(width, height)
    if limit < 1:  # a stated scale far from a bench photograph's: work coarser rather than run out of memory
        width, height = max(8, round(width * limit)), max(8, round(height * limit))
        s *= limit
    interpolation = cv2.INTER_AREA if width < photo.width_px else cv2.INTER_LINEAR
    bgr = cv2.resize(photo.bgr, (width, height), interpolation=interpolation)
    ratio = np.array([photo.width_px / width, photo.height_px / height])

    def to_photo(px: np.ndarray) -> np.ndarray:
        return (np.asarray(px, float).reshape(-1, 2) + 0.5) * ratio - 0.5

    ground = np.ones((height, width), bool)
    return Canvas(bgr, ground, False, to_photo, s, mm_per_px is not None, (0.0, 0.0), None)
