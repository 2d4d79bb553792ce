"""Windows out of pictures of housings as the shell eye is taught on them: turned, mirrored, in other light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from models.damage.eye import standardised
from models.damage.shell_eye import SHELL_CLASSES

WINDOW_PX = 96
PLACE_PX = 4
"""The eye answers for places of so many pixels each way (`vision.shell_picture` says so, too)."""
_OTHER, _HOUSING = (SHELL_CLASSES.index(name) for name in ("other", "housing"))
_AT_BROKEN = 0.5
"""Share of the windows that are laid about a broken place, where the picture has one."""
_NOT_TAUGHT_PX = 6
"""Around what is broken either answer is right."""
_WEIGHTS = (0.3, 1.0)
"""Of places that show no housing, and whole plastic."""
_BROKEN_WEIGHT, _USUAL_PLACES = 2.0, 20.0
"""Of a place of a break of the usual size: each of a smaller one counts more, so that hairlines are not forgotten."""


@dataclass(frozen=True)
class ShellLesson:
    """A housing with its surroundings.

    lab : (h, w, 3) int8 CIELAB; broken : (h, w) uint8, index into `SHELL_CLASSES` of what is broken there, 0 for
    nothing; housing : (h, w) bool, any housing; own : (h, w) bool, the one in the middle; seen : (h, w) bool, what the
    camera saw; axis : angle of its sides, radians; px_per_window_px : how many of its pixels one of a window is long
    """

    lab: np.ndarray
    broken: np.ndarray
    housing: np.ndarray
    own: np.ndarray
    seen: np.ndarray
    axis: float
    px_per_window_px: float = 1.0


@dataclass(frozen=True)
class Window:
    """picture : (WINDOW_PX, WINDOW_PX, 3) float32 standardised; classes, weights : of the places, square."""

    picture: np.ndarray
    classes: np.ndarray
    weights: np.ndarray


def draw_window(lesson: ShellLesson, rng: np.random.Generator) -> Window:
    """Any part of the housing, every second time one that is broken; its sides along the window's, either way up."""
    ys, xs = np.nonzero(lesson.broken) if rng.random() < _AT_BROKEN else ((), ())
    if len(ys):
        k = int(rng.integers(len(ys)))
        middle = np.array([xs[k], ys[k]]) + rng.normal(0, 14, 2) * lesson.px_per_window_px
    else:
        rows, columns = np.flatnonzero(lesson.own.any(axis=1)), np.flatnonzero(lesson.own.any(axis=0))
        middle = np.array([rng.uniform(columns[0], columns[-1]), rng.uniform(rows[0], rows[-1])])
        middle += rng.normal(0, 8, 2) * lesson.px_per_window_px
    angle = lesson.axis + rng.integers(4) * np.pi / 2 + rng.normal(0, 0.06)
    scale = float(np.exp(rng.normal(0, 0.1))) * lesson.px_per_window_px
    mirror = 1 - 2 * int(rng.integers(2))
    into = np.empty((2, 3))
    into[:, :2] = scale * np.array([[np.cos(angle), -mirror * np.sin(angle)], [np.sin(angle), mirror * np.cos(angle)]])
    into[:, 2] = middle - into[:, :2] @ np.full(2, (WINDOW_PX - 1) / 2)
    size = (WINDOW_PX, WINDOW_PX)
    smooth, sharp = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR, cv2.WARP_INVERSE_MAP | cv2.INTER_NEAREST
    picture = cv2.warpAffine(standardised(lesson.lab), into, size, flags=smooth, borderMode=cv2.BORDER_REPLICATE)
    broken, housing = (
        cv2.warpAffine(raster.astype(np.uint8), into, size, flags=sharp) for raster in (lesson.broken, lesson.housing)
    )
    seen = cv2.warpAffine(lesson.seen.astype(np.uint8), into, size, flags=sharp)
    classes, taught = place_classes(broken, housing)
    taught &= _places(seen).min(axis=(1, 3)) > 0
    return Window(_in_other_light(picture, rng), classes, place_weights(classes) * taught)


def place_classes(broken: np.ndarray, housing: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What each place shows, and whether that is taught, of (h, w) uint8 rasters: as of a lesson, and 0 or 1."""
    share = _places(housing).mean(axis=(1, 3))
    kind = _places(cv2.dilate(broken, np.ones((3, 3), np.uint8))).max(axis=(1, 3))
    about = _places(cv2.dilate(broken, np.ones((2 * _NOT_TAUGHT_PX + 1,) * 2, np.uint8))).max(axis=(1, 3)) > 0
    classes = np.where(kind > 0, kind, np.where(share > 0.5, _HOUSING, _OTHER))
    return classes, (kind > 0) | (~about & ((share <= 0.2) | (share >= 0.8)))


def place_weights(classes: np.ndarray) -> np.ndarray:
    """(h, w) float32 by what places show: those of a break weigh the more the smaller it is."""
    weights = np.array([*_WEIGHTS, *[0.0] * (len(SHELL_CLASSES) - 2)], np.float32)[classes]
    for kind in np.unique(classes[classes > _HOUSING]):
        count, number, stats, _ = cv2.connectedComponentsWithStats((classes == kind).astype(np.uint8), connectivity=8)
        each = np.zeros(count, np.float32)
        each[1:] = _BROKEN_WEIGHT * np.clip(np.sqrt(_USUAL_PLACES / stats[1:, cv2.CC_STAT_AREA]), 0.5, 3.0)
        weights += each[number]
    return weights


def _places(raster: np.ndarray) -> np.ndarray:
    rows, columns = raster.shape
    return raster.reshape(rows // PLACE_PX, PLACE_PX, columns // PLACE_PX, PLACE_PX)


def _in_other_light(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Somewhat other colours and contrast; some blurred, some sharpened, some noisy."""
    picture = picture * (1 + 0.12 * rng.standard_normal(3)) + 0.12 * rng.standard_normal(3)
    if rng.random() < 0.3:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.4))
    if rng.random() < 0.2:
        picture = picture + 0.8 * rng.random() * (picture - cv2.GaussianBlur(picture, (0, 0), 1.2))
    if rng.random() < 0.4:
        picture = picture + rng.uniform(0.02, 0.12) * rng.standard_normal(picture.shape)
    return picture.astype(np.float32)
