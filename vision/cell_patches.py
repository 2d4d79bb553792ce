"""Small pictures of the cells, turned so that the wires run along them: what a learnt eye looks at.

Whatever changes here changes what an eye was taught: raise `vision.cells.FEATURE_VERSION`.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

ROWS, COLUMNS = 24, 40
"""Pixels of a patch across and along the wires."""
STEPS_MM = (0.25, 0.75)
"""Size of a pixel in the fine and in the wide patch: 6 mm by 10 mm, and 18 mm by 30 mm."""
LEARNT, LEAST_LOG = "eye_", -9.0
"""How the names of features begin that a learnt eye adds to the cells; they are natural logarithms of probabilities,
all classes being equally common, none below the second value."""
_AT_ONCE = 512
_PAPER = (97.0, 0.0, 0.0)


def cell_patches(
    lab: np.ndarray, seen: np.ndarray, xy: np.ndarray, direction: np.ndarray, px_per_mm: float
) -> Iterator[np.ndarray]:
    """Patches of a few hundred cells at a time, in order.

    lab : (H, W, 3) float32 CIELAB; seen : (H, W) bool, pixels the camera saw, the others are painted as paper;
    xy : (N, 2) canvas px; direction : (N, 2) unit vectors along the wires.
    Yields (n, 2, ROWS, COLUMNS, 3) int8 CIELAB: fine, wide. Beyond the picture lies paper.
    """
    if len(xy) == 0:
        return
    reach = int(np.ceil(np.hypot(ROWS, COLUMNS) / 2 * max(STEPS_MM) * px_per_mm)) + 8
    # an even corner: halves of the window are halves of the canvas
    x0, y0 = np.maximum(np.floor(xy.min(axis=0)).astype(int) - reach, 0) // 2 * 2
    x1, y1 = (np.ceil(xy.max(axis=0)).astype(int) + reach) // 2 * 2
    fine = np.full((y1 - y0, x1 - x0, 3), _PAPER, np.float32)
    known = seen[y0:y1, x0:x1]
    fine[: known.shape[0], : known.shape[1]][known] = lab[y0:y1, x0:x1][known]
    wide = cv2.resize(fine, (fine.shape[1] // 2, fine.shape[0] // 2), interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(wide, (0, 0), 0.3 * STEPS_MM[1] * px_per_mm / 2)
    at = (xy - [x0, y0]).astype(np.float32)
    along = direction.astype(np.float32)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    for start in range(0, len(xy), _AT_ONCE):
        mine = slice(start, min(start + _AT_ONCE, len(xy)))
        out = np.empty((mine.stop - start, len(STEPS_MM), ROWS, COLUMNS, 3), np.int8)
        for k, (picture, shrink) in enumerate(((fine, 1), (wide, 2))):
            step = STEPS_MM[k] * px_per_mm / shrink
            middle = (at[mine] + 0.5) / shrink - 0.5
            out[:, k] = _cut(picture, middle, along[mine], across[mine], step)
        yield out


def _cut(picture: np.ndarray, middle: np.ndarray, along: np.ndarray, across: np.ndarray, step: float) -> np.ndarray:
    """(n, ROWS, COLUMNS, 3) int8, sampled every ``step`` px around (n, 2) places."""
    u = ((np.arange(COLUMNS) - (COLUMNS - 1) / 2) * step).astype(np.float32)
    v = ((np.arange(ROWS) - (ROWS - 1) / 2) * step).astype(np.float32)
    x, y = (
        middle[:, k, None, None] + along[:, k, None, None] * u + across[:, k, None, None] * v[:, None] for k in (0, 1)
    )
    x, y = x.reshape(-1, COLUMNS), y.reshape(-1, COLUMNS)
    seen = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=_PAPER)
    return np.clip(np.rint(seen), -128, 127).astype(np.int8).reshape(-1, ROWS, COLUMNS, 3)
