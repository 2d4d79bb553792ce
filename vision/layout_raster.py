"""Draws a layout as the picture of its printed page, and the mask of what is printed on it."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from vision.layout import Marker, MatLayout, Pattern, Rect, Rgb, Text, aruco_dictionary

_MASK_MARGIN_MM = 0.5


def raster(layout: MatLayout, px_per_mm: float) -> np.ndarray:
    """(H, W, 3) uint8 BGR picture of the page; pixel (i, j) shows the square from (i, j)/px_per_mm mm onwards."""
    page = _blank(layout, px_per_mm, 3)
    page[:] = layout.background_srgb[::-1]
    if layout.pattern:
        _dots(page, layout.pattern, px_per_mm)
    for patch in layout.patches:
        _fill(page, patch.rect_mm, patch.srgb, px_per_mm)
    for box in layout.printed_boxes():
        _fill(page, box.rect_mm, box.srgb, px_per_mm)
    for text in layout.texts:
        _write(page, text, px_per_mm)
    for marker in layout.markers:
        _fill_marker(page, marker, px_per_mm)
    return page


def printed_mask(layout: MatLayout, px_per_mm: float) -> np.ndarray:
    """(H, W) bool, True on and 0.5 mm around markers, patches, boxes, ticks and text; the pattern is left out."""
    mask = _blank(layout, px_per_mm, 1)
    rects: list[Rect] = [m.rect_mm for m in layout.markers] + [p.rect_mm for p in layout.patches]
    rects += [b.rect_mm for b in layout.boxes] + [r.rect_mm for r in layout.rulers] + [t.rect_mm for t in layout.texts]
    for x, y, w, h in rects:
        low = np.floor((np.array([x, y]) - _MASK_MARGIN_MM) * px_per_mm).astype(int).clip(0)
        high = np.ceil((np.array([x + w, y + h]) + _MASK_MARGIN_MM) * px_per_mm).astype(int).clip(0)
        mask[low[1] : high[1], low[0] : high[0]] = 1
    return mask[..., 0].astype(bool)


def marker_outlines_mm(marker: Marker) -> list[np.ndarray]:
    """Closed loops, (K, 2) mm each: the black square, then the rims of its white areas (fill with the even-odd rule).

    One outline instead of a square a cell: print shows no hairlines between cells.
    """
    bits = marker_bits(marker).astype(bool)
    cell = marker.side_mm / len(bits)
    origin = np.array(marker.rect_mm[:2])
    return [marker.corners_mm(), *(origin + cell * np.array(loop, float) for loop in _rims(bits))]


def marker_bits(marker: Marker) -> np.ndarray:
    """(n, n) uint8, 0 black and 1 white, black border included."""
    dictionary = aruco_dictionary(marker.dictionary)
    size = dictionary.markerSize
    bits = cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[marker.id : marker.id + 1], size)
    return np.pad(np.asarray(bits, np.uint8).reshape(size, size), 1)


def _rims(white: np.ndarray) -> list[list[tuple[int, int]]]:
    """Loops of grid points (x, y) around the true cells: edges between two true cells cancel."""
    edges: set[tuple[tuple[int, int], tuple[int, int]]] = set()
    for y, x in np.argwhere(white).tolist():
        ring = [(x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)]
        for a, b in zip(ring, ring[1:] + ring[:1], strict=True):
            edges ^= {(a, b)} if (b, a) not in edges else {(b, a)}
    loops = []
    while edges:
        first, here = min(edges)
        edges.remove((first, here))
        loop = [first]
        while here != first:
            loop.append(here)
            step = min(e for e in edges if e[0] == here)
            edges.remove(step)
            here = step[1]
        loops.append(loop)
    return loops


def _blank(layout: MatLayout, px_per_mm: float, channels: int) -> np.ndarray:
    if px_per_mm <= 0:
        raise ValueError(f"expected a positive px_per_mm, got {px_per_mm:g}; try 10")
    width, height = (max(1, round(side * px_per_mm)) for side in layout.page_mm)
    return np.zeros((height, width, channels), np.uint8)


def _fill(page: np.ndarray, rect: Rect, srgb: Rgb, px_per_mm: float) -> None:
    """Fill a rectangle; border pixels are mixed by the share of them that it covers."""
    x, y, w, h = (v * px_per_mm for v in rect)
    cover_x, cols = _cover(x, x + w, page.shape[1])
    cover_y, rows = _cover(y, y + h, page.shape[0])
    if not cover_x.size or not cover_y.size:
        return
    share = (cover_y[:, None] * cover_x[None, :])[..., None]
    part = page[rows, cols]
    page[rows, cols] = np.rint(part + share * (np.array(srgb[::-1], float) - part)).astype(np.uint8)


def _cover(low: float, high: float, size: int) -> tuple[np.ndarray, slice]:
    """Share of each touched pixel that [low, high] covers, and which pixels those are."""
    first, last = max(0, int(np.floor(low + 1e-6))), min(size, int(np.ceil(high - 1e-6)))
    edges = np.arange(first, last + 1)
    share = np.minimum(edges[1:], high) - np.maximum(edges[:-1], low)
    return share.clip(0, 1), slice(first, last)


def _fill_marker(page: np.ndarray, marker: Marker, px_per_mm: float) -> None:
    """Black square, then its white cells, each pixel mixed by the share of it that is white."""
    _fill(page, marker.rect_mm, (0, 0, 0), px_per_mm)
    bits = marker_bits(marker)
    shares, spans = [], []
    for start, side, size in zip(marker.rect_mm[:2], marker.rect_mm[2:], page.shape[1::-1], strict=True):
        cell = side / len(bits) * px_per_mm
        edges = start * px_per_mm + np.arange(len(bits) + 1) * cell
        _, span = _cover(edges[0], edges[-1], size)
        pixel = np.arange(span.start, span.stop + 1)
        overlap = np.minimum(pixel[1:, None], edges[1:]) - np.maximum(pixel[:-1, None], edges[:-1])
        shares.append(overlap.clip(0, 1))
        spans.append(span)
    white = (shares[1] @ bits @ shares[0].T)[..., None]
    part = page[spans[1], spans[0]]
    page[spans[1], spans[0]] = np.rint(part + white * (255.0 - part)).astype(np.uint8)


def _dots(page: np.ndarray, pattern: Pattern, px_per_mm: float) -> None:
    """Round dots with soft rims, all at once."""
    radius = pattern.radius_mm * px_per_mm
    centres = pattern.centres_mm() * px_per_mm - 0.5
    if not len(centres):
        return
    window = np.arange(int(np.ceil(2 * radius)) + 3)
    corner = np.floor(centres - radius - 1).astype(int)
    x = (corner[:, 0, None, None] + window[None, None, :]).clip(0, page.shape[1] - 1)
    y = (corner[:, 1, None, None] + window[None, :, None]).clip(0, page.shape[0] - 1)
    away = np.hypot(x - centres[:, 0, None, None], y - centres[:, 1, None, None])
    share = (radius + 0.5 - away).clip(0, 1)[..., None]
    page[y, x] = np.rint(page[y, x] * (1 - share) + share * np.array(pattern.srgb[::-1], float)).astype(np.uint8)


def _write(page: np.ndarray, text: Text, px_per_mm: float) -> None:
    """Pillow's built-in face, its capitals scaled to `cap_mm`."""
    if text.cap_mm * px_per_mm < 2.5:
        return  # smaller print is grey dust in a photograph as well
    font = _font(round(text.cap_mm * px_per_mm, 1))
    low_x, low_y, high_x, high_y = (int(v) for v in font.getbbox(text.text, anchor="ls"))
    size = (high_x - low_x + 2, high_y - low_y + 2)
    ink = Image.new("L", size)
    ImageDraw.Draw(ink).text((1 - low_x, 1 - low_y), text.text, fill=255, font=font, anchor="ls")
    x = round(text.at_mm[0] * px_per_mm) + low_x - 1
    y = round(text.at_mm[1] * px_per_mm) + low_y - 1
    _blend(page, np.asarray(ink, float) / 255, x, y, text.srgb)


def _blend(page: np.ndarray, share: np.ndarray, x: int, y: int, srgb: Rgb) -> None:
    """Mix a colour into the page at (x, y), cut at the page's border."""
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + share.shape[1], page.shape[1]), min(y + share.shape[0], page.shape[0])
    if x0 >= x1 or y0 >= y1:
        return
    part = page[y0:y1, x0:x1]
    cut = share[y0 - y : y1 - y, x0 - x : x1 - x, None]
    page[y0:y1, x0:x1] = np.rint(part + cut * (np.array(srgb[::-1], float) - part)).astype(np.uint8)


@lru_cache(maxsize=64)
def _font(cap_px: float) -> ImageFont.FreeTypeFont:
    """Pillow's built-in face in the size whose capitals are `cap_px` high."""
    probe = ImageFont.load_default(size=200)
    if not isinstance(probe, ImageFont.FreeTypeFont):
        raise RuntimeError("expected Pillow with FreeType, got one without; install the pillow wheel from the index")
    return probe.font_variant(size=200 * cap_px / -probe.getbbox("H", anchor="ls")[1])
