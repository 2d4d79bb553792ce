"""Photographs for a page as data addresses, downsized or bit for bit, so that the page asks for nothing else."""

from __future__ import annotations

import base64

import cv2
import numpy as np

from vision.findings import Ring

MAX_SIDE_PX = 1600
CLOSE_UP_SIDE_PX = 720
_QUALITY = 82


def data_uri(bgr: np.ndarray, max_side_px: int = MAX_SIDE_PX) -> str:
    """`data:image/jpeg` of the picture, its longer side at most `max_side_px`. bgr : (H, W, 3) uint8."""
    scale = max_side_px / max(bgr.shape[:2])
    if scale < 1:
        size = (max(1, round(bgr.shape[1] * scale)), max(1, round(bgr.shape[0] * scale)))
        bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not done:
        raise ValueError(f"expected a picture OpenCV can encode, got shape {bgr.shape} of {bgr.dtype}")
    return bytes_uri(data.tobytes(), "image/jpeg")


def bytes_uri(data: bytes, media: str) -> str:
    """A data address that holds `data` bit for bit. media : its kind, such as image/png."""
    return f"data:{media};base64," + base64.b64encode(data).decode("ascii")


def close_up_box(rings: list[Ring], width_px: int, height_px: int) -> tuple[int, int, int, int]:
    """x, y, w, h in px of the part of the picture to show of a region: its box with a margin, at least 3:2."""
    points = np.concatenate([np.asarray(ring, float).reshape(-1, 2) for ring in rings])
    (x0, y0), (x1, y1) = points.min(0), points.max(0)
    margin = 0.15 * max(x1 - x0, y1 - y0) + 20
    w, h = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
    w, h = max(w, 1.5 * h), max(h, w / 3)
    middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
    left, top = max(0, int(middle_x - w / 2)), max(0, int(middle_y - h / 2))
    right, bottom = min(width_px, int(middle_x + w / 2) + 1), min(height_px, int(middle_y + h / 2) + 1)
    return left, top, max(1, right - left), max(1, bottom - top)
