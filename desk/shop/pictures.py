"""Photographs for the browser: upright JPEG of the original, and small ones that are kept beside the records."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from desk.files import write_whole
from desk.records.errors import RecordsError, disk_error
from desk.shop.desk import Desk
from vision.reading import PhotoError, read_photo

SIZES_PX = {"thumb": 320, "small": 1280, "full": 0}
"""Longer side of each size; `full` keeps the pixels, so that outlines fit."""
MADE_AHEAD = ("thumb", "small")
"""Made when a photograph is assessed; `full` when somebody goes near enough to see its pixels."""
_QUALITY = {"thumb": 78, "small": 84, "full": 92}


def picture(desk: Desk, sha256: str, suffix: str, size: str) -> Path:
    """A JPEG of a photograph in the store that any browser shows, upright; made at the first asking."""
    make_pictures(desk, sha256, suffix, (size,))
    return _path(desk, sha256, size)


def make_pictures(desk: Desk, sha256: str, suffix: str, sizes: Sequence[str] = MADE_AHEAD) -> None:
    """Make the sizes that are not there yet, from one reading; RecordsError where that cannot be done."""
    missing = [size for size in sizes if not _path(desk, sha256, size).is_file()]
    if not missing:
        return
    try:
        bgr = read_photo(desk.store.checked(sha256, suffix)).bgr
    except PhotoError as error:
        raise RecordsError(str(error)) from error
    for size in missing:
        _keep(desk, _path(desk, sha256, size), _reduced(bgr, SIZES_PX[size]), _QUALITY[size])


def _path(desk: Desk, sha256: str, size: str) -> Path:
    return desk.small_pictures / f"{sha256}-{size}.jpg"


def _keep(desk: Desk, target: Path, bgr: np.ndarray, quality: int) -> None:
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RecordsError(f"expected a picture that can be shown, got one of {bgr.shape}: photograph again")
    try:
        write_whole(target, data.tobytes())
    except OSError as error:
        raise disk_error(error, "a small picture", desk.small_pictures) from error


def _reduced(bgr: np.ndarray, side_px: int) -> np.ndarray:
    scale = side_px / max(bgr.shape[:2])
    if side_px == 0 or scale >= 1:
        return bgr
    size = (max(1, round(bgr.shape[1] * scale)), max(1, round(bgr.shape[0] * scale)))
    return cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
