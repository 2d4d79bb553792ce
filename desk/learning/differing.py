"""Draws what two models answer differently: the part of the photograph that shows it, kept beside the records."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from desk.errors import DeskError
from desk.learning.comparison import Outline, Picture
from desk.learning.shelf import Shelf
from models.damage.files import write_file
from sample_images.truth import Truth
from vision.findings import PhotoFindings, Region, Ring

_MARGIN_SHARE = 0.35
_LEAST_PX = 320
_WIDTH_PX = 900
_QUALITY = 82
_CLOSE_PX = 1.0
"""Corners of an outline that lie nearer than this to the line of the others are not needed to see it."""
_TRUE_AWAY, _FOUND_AWAY = 0.016, 0.008
"""How far outside a place its line runs, of the picture's width: it hides neither the damage nor the other line."""


def pictures_folder(shelf: Shelf, version: str) -> Path:
    """Where the pictures of a model's newest comparison lie; they can be thrown away and come with the next one."""
    return shelf.data / "learning" / "compared" / version


def fresh_folder(shelf: Shelf, version: str) -> Path:
    """The same, empty."""
    folder = pictures_folder(shelf, version)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return folder


def picture_file(shelf: Shelf, version: str, name: str) -> Path:
    """One picture; DeskError where there is none of that name."""
    path = pictures_folder(shelf, version) / name
    if path not in pictures_folder(shelf, version).glob("*.jpg"):
        raise DeskError(f"expected a picture of the newest comparison of {version}, got {name}: compare it again")
    return path


def draw(
    folder: Path, name: str, bgr: np.ndarray, truth: Truth, in_use: PhotoFindings, proposed: PhotoFindings
) -> Picture:
    """Keep the part of an (H, W, 3) uint8 photograph that holds every place, with the outlines to lay over it."""
    found = (in_use.regions, proposed.regions)
    rings = [ring for regions in (truth.regions, *found) for region in regions for ring in region.rings_px]
    x, y, w, h = view = view_of(rings, (bgr.shape[1], bgr.shape[0]))
    true = [Outline(label=r.label, rings_px=around(r.rings_px, view, _TRUE_AWAY)) for r in truth.regions]
    sides = [[_outline(region, view) for region in regions] for regions in found]
    part = bgr[y : y + h, x : x + w]
    factor = min(1.0, _WIDTH_PX / w)
    small = cv2.resize(part, (max(1, round(w * factor)), max(1, round(h * factor))), interpolation=cv2.INTER_AREA)
    file = f"{hashlib.sha256(name.encode()).hexdigest()[:20]}.jpg"
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    assert done
    write_file(folder / file, data.tobytes())
    return Picture(file=file, view=view, true=true, in_use=sides[0], proposed=sides[1])


def _outline(region: Region, view: tuple[int, int, int, int]) -> Outline:
    label = None if region.novel or region.unsure else region.label
    return Outline(label=label, rings_px=around(region.rings_px, view, _FOUND_AWAY))


def around(rings: Sequence[Ring], view: tuple[int, int, int, int], away: float) -> list[Ring]:
    """Lines that run around the rings at a distance, each with as many corners as are needed to see it; rings that lie
    close together share one.

    rings : px of the photograph, as what is returned; view : x, y, width, height, px; away : share of the view's width
    """
    x, y, w, h = view
    factor = min(1.0, _WIDTH_PX / w)  # no finer than the picture is kept
    seen = np.zeros((round(h * factor), round(w * factor)), np.uint8)
    for ring in rings:
        corners = (np.asarray(ring, float).reshape(-1, 2) - (x, y)) * factor
        cv2.fillPoly(seen, [np.rint(corners).astype(np.int32)], 255)
    by = max(2, round(away * seen.shape[1]))
    wider = cv2.dilate(seen, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * by + 1, 2 * by + 1)))
    lines, _ = cv2.findContours(wider, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    kept = [cv2.approxPolyDP(line, _CLOSE_PX, True).reshape(-1, 2) / factor + (x, y) for line in lines]
    return [[(round(float(a), 1), round(float(b), 1)) for a, b in line] for line in kept]


def view_of(rings: Sequence[Ring], size: tuple[int, int]) -> tuple[int, int, int, int]:
    """x, y, width and height of the part of a photograph (width, height) that holds the rings with room around them,
    4 : 3 where that fits; the whole where there are none. px"""
    if not rings:
        return 0, 0, *size
    points = np.concatenate([np.asarray(ring, float) for ring in rings])
    low, high = points.min(axis=0), points.max(axis=0)
    span = (high - low) * (1 + 2 * _MARGIN_SHARE)
    wide = max(float(span[0]), float(span[1]) * 4 / 3, _LEAST_PX)
    w, h = min(round(wide), size[0]), min(round(wide * 3 / 4), size[1])
    middle = (low + high) / 2
    x = int(np.clip(middle[0] - w / 2, 0, size[0] - w))
    y = int(np.clip(middle[1] - h / 2, 0, size[1] - h))
    return x, y, w, h
