"""Connected spots of one colour kind on the assembly, bare copper and char, and their shape."""

from __future__ import annotations

import cv2
import numpy as np

from vision.lanes import copper_like

_REACH_MM = 1.2
_LEAST_MM2 = 0.4


def spot_shapes(mask: np.ndarray, px_per_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Connected spots of a (h, w) bool mask: (h, w) int32 numbers, larger ones higher, and (n + 1, 4) shapes.

    Shapes are area (mm²), length and width (mm, of the ellipse with the same moments), and the outline's length
    against that ellipse's: 1 is smooth, above it ragged. Row 0 stands for no spot.
    """
    n, labels, stats, centres = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    area[0] = 0.0
    order = np.argsort(area, kind="stable")
    number = np.empty(n, np.int32)
    number[order] = np.arange(n, dtype=np.int32)
    number[area < _LEAST_MM2 * px_per_mm**2] = 0
    shapes = np.zeros((n, 4), np.float32)
    ys, xs = np.nonzero(mask)
    which = labels[ys, xs]
    dx, dy = xs - centres[which, 0], ys - centres[which, 1]
    # a pixel is a square: its own moment is 1/12
    xx, yy, xy = (
        np.bincount(which, v, n) / np.maximum(area, 1) + extra
        for v, extra in ((dx * dx, 1 / 12), (dy * dy, 1 / 12), (dx * dy, 0.0))
    )
    mean, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    length = 4 * np.sqrt(np.maximum(mean + half, 0))
    width = 4 * np.sqrt(np.maximum(mean - half, 1 / 12))
    # a slanting outline is too short counted corner to corner and too long counted side to side: take the mean
    outline = np.zeros(n)
    for shape in (cv2.MORPH_RECT, cv2.MORPH_CROSS):
        inner = cv2.erode(mask.astype(np.uint8), cv2.getStructuringElement(shape, (3, 3))) > 0
        outline += 0.5 * np.bincount(which[~inner[ys, xs]], minlength=n)
    # Ramanujan's first approximation of an ellipse's circumference
    h = 3 * (length + width) - np.sqrt((3 * length + width) * (length + 3 * width))
    ellipse = np.maximum(np.pi / 2 * h, 1.0)
    shapes[number] = np.stack([area / px_per_mm**2, length / px_per_mm, width / px_per_mm, outline / ellipse], axis=1)
    shapes[0] = 0.0
    return number[labels], shapes


def describe_spots(picture: np.ndarray, ix: np.ndarray, iy: np.ndarray, px_per_mm: float) -> dict[str, np.ndarray]:
    """Shape of the largest copper-like and of the largest charred spot at each point (px), each (N,).

    Sizes are told as log(1 + mm) and log(1 + mm²): a brown wire is one spot as long as the assembly, and would leave
    the few millimetres of a worn place without any weight.
    picture : (h, w, 4) float32, smoothed CIELAB and the share of assembly, 0..1
    """
    light, a, b, solid = cv2.split(picture)
    inside = solid > 0.5
    kinds = {
        "copper": copper_like(light, a, b) & inside,
        "char": (light < 26) & (a * a + b * b < 16**2) & inside,
    }
    k = 2 * round(_REACH_MM * px_per_mm) + 1
    out: dict[str, np.ndarray] = {}
    for kind, mask in kinds.items():
        number, shapes = spot_shapes(mask, px_per_mm)
        # float, for dilation: numbers stay exact up to 2^24
        reached = cv2.dilate(number.astype(np.float32), np.ones((k, k), np.uint8))[iy, ix].astype(int)
        shapes[:, :3] = np.log1p(shapes[:, :3])
        for column, name in enumerate(("log_area", "log_length", "log_width", "ragged")):
            out[f"{kind}_spot_{name}"] = shapes[reached, column]
    return out
