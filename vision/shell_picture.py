"""Pictures of connector housings, turned so that their sides lie along the picture's: what a learnt eye looks at.

Whatever changes here changes what such an eye was taught: raise `vision.cells.FEATURE_VERSION`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.shell import outline_axis, window

STEP_MM = 0.25
"""Size of a pixel."""
PLACE_PX = 4
"""The eye answers for places of so many pixels each way."""
_MARGIN_MM = 10.0
"""How much of the surroundings is shown: what broke off lies there."""
_LONGEST_PX = 640
"""No housing is 160 mm long with its surroundings: of something that large only the middle is shown."""
_SIDES_OF_PX = 16
"""Sides of a picture are multiples of this: the eye halves them four times."""
PAPER = (97.0, 0.0, 0.0)


@dataclass(frozen=True)
class ShellPicture:
    """A housing with some of what lies around it.

    lab : (h, w, 3) int8 CIELAB; on_shell : (h / PLACE_PX, w / PLACE_PX) bool, places on its mask or within 2 mm of it;
    to_canvas : (2, 3), from px of the picture to canvas px
    """

    lab: np.ndarray
    on_shell: np.ndarray
    to_canvas: np.ndarray

    def places_px(self) -> np.ndarray:
        """(h / PLACE_PX, w / PLACE_PX, 2) canvas px of the places' middles."""
        rows, columns = self.on_shell.shape
        x, y = np.meshgrid(np.arange(columns), np.arange(rows))
        middles = np.stack([x, y], axis=2) * PLACE_PX + (PLACE_PX - 1) / 2
        return middles @ self.to_canvas[:, :2].T + self.to_canvas[:, 2]

    def on_canvas(self, places: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
        """(H, W) float32 of (h / PLACE_PX, w / PLACE_PX) places as they lie on a canvas of shape (H, W); 0 beyond."""
        raster = places.astype(np.float32).repeat(PLACE_PX, axis=0).repeat(PLACE_PX, axis=1)
        return cv2.warpAffine(raster, self.to_canvas, (shape[1], shape[0]), flags=cv2.INTER_NEAREST)


def shell_picture(mask: np.ndarray, lab: np.ndarray, seen: np.ndarray, px_per_mm: float) -> ShellPicture:
    """Cut one housing out.

    mask : (H, W) bool, not empty; lab : (H, W, 3) float32 CIELAB in even light; seen : (H, W) bool, pixels the camera
    saw, the others are painted as paper, as is what lies beyond.
    """
    reach = round(2 * _MARGIN_MM * px_per_mm)
    cut = window(mask, reach)
    inside = mask[cut]
    axis = outline_axis(inside, px_per_mm)
    ys, xs = np.nonzero(inside)
    turn = np.array([[np.cos(axis), np.sin(axis)], [-np.sin(axis), np.cos(axis)]])
    along = np.stack([xs, ys], axis=1) @ turn.T
    low, high = along.min(axis=0), along.max(axis=0)
    size = (high - low) / px_per_mm / STEP_MM + 2 * _MARGIN_MM / STEP_MM
    columns, rows = (min(int(np.ceil(side / _SIDES_OF_PX)) * _SIDES_OF_PX, _LONGEST_PX) for side in size)
    scale = STEP_MM * px_per_mm
    into = np.empty((2, 3))
    into[:, :2] = turn.T * scale
    into[:, 2] = turn.T @ ((low + high) / 2) - into[:, :2] @ [(columns - 1) / 2, (rows - 1) / 2]
    picture = lab[cut].astype(np.float32)
    picture[~seen[cut]] = PAPER
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    turned = cv2.warpAffine(
        picture, into, (columns, rows), flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=PAPER
    )
    near = cv2.warpAffine(
        inside.astype(np.uint8), into, (columns, rows), flags=cv2.WARP_INVERSE_MAP | cv2.INTER_NEAREST
    )
    near = cv2.dilate(near, np.ones((2 * round(2.0 / STEP_MM) + 1,) * 2, np.uint8))
    to_canvas = into.copy()
    to_canvas[:, 2] += [cut[1].start, cut[0].start]
    return ShellPicture(
        np.clip(np.rint(turned), -128, 127).astype(np.int8), in_places(near).max(axis=(1, 3)) > 0, to_canvas
    )


def in_places(raster: np.ndarray) -> np.ndarray:
    """(h, w) to (h / PLACE_PX, PLACE_PX, w / PLACE_PX, PLACE_PX): the pixels of each place."""
    rows, columns = raster.shape
    return raster.reshape(rows // PLACE_PX, PLACE_PX, columns // PLACE_PX, PLACE_PX)
