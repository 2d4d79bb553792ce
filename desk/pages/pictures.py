"""Photographs for the browser: upright JPEG of the original, and small ones that are kept beside the records."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from desk.files import write_whole
from desk.records import tables
from desk.records.errors import RecordsError, disk_error
from desk.shop.desk import Desk
from vision.reading import PhotoError, read_photo

SIZES_PX = {"thumb": 320, "small": 1280, "full": 0}
"""Longer side of each size; `full` keeps the pixels, so that outlines fit."""
_QUALITY = {"thumb": 78, "small": 84, "full": 92}


def picture(desk: Desk, photograph: tables.Photograph, size: str) -> Path:
    """A JPEG of the photograph that any browser shows, upright; made at the first asking."""
    target = desk.small_pictures / f"{photograph.sha256}-{size}.jpg"
    if target.is_file():
        return target
    path = desk.store.checked(photograph.sha256, photograph.suffix)
    try:
        bgr = read_photo(path).bgr
    except PhotoError as error:
        raise RecordsError(str(error)) from error
    done, data = cv2.imencode(".jpg", _reduced(bgr, SIZES_PX[size]), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY[size]])
    if not done:
        raise RecordsError(f"expected a picture that can be shown, got {photograph.name}: photograph again")
    try:
        write_whole(target, data.tobytes())
    except OSError as error:
        raise disk_error(error, "a small picture", desk.small_pictures) from error
    return target


def _reduced(bgr: np.ndarray, side_px: int) -> np.ndarray:
    scale = side_px / max(bgr.shape[:2])
    if side_px == 0 or scale >= 1:
        return bgr
    size = (max(1, round(bgr.shape[1] * scale)), max(1, round(bgr.shape[0] * scale)))
    return cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
