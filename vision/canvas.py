"""The canvas: the photograph laid flat at a fixed working scale, where all seeing happens."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vision.printed import PrintedPage

WORKING_PX_PER_MM = 5.0

Mapping = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Canvas:
    """A picture in which one millimetre is ``px_per_mm`` pixels.

    bgr : (H, W, 3) uint8
    ground : (H, W) bool, where assembly may lie: seen by the camera, on the page (over its print too)
    white_ground : the ground is the white page of a mat
    to_photo_px : maps (N, 2) canvas px (x, y) to px of the upright original
    mm_known : millimetres are real (mat, card or stated); otherwise they only serve the features
    origin_mm : (x, y) of canvas pixel (0, 0) on the mat
    camera_height_mm : height of the camera over the mat, None when unknown
    printed : the mat's print, None where there is none
    """

    bgr: np.ndarray
    ground: np.ndarray
    white_ground: bool
    to_photo_px: Mapping
    px_per_mm: float
    mm_known: bool
    origin_mm: tuple[float, float] = (0.0, 0.0)
    camera_height_mm: float | None = None
    printed: PrintedPage | None = None

    @property
    def bare(self) -> np.ndarray:
        """(H, W) bool, the ground without printed marks."""
        return self.ground if self.printed is None else self.ground & ~self.printed.zone

    def photo_mm_per_px(self, width_px: int) -> float:
        """Millimetres in a pixel of a photograph without a mat, which is so many pixels wide."""
        return self.bgr.shape[1] / self.px_per_mm / width_px

    def to_mm(self, px: np.ndarray) -> np.ndarray:
        """(N, 2) canvas px to (N, 2) mm."""
        return np.asarray(px, float).reshape(-1, 2) / self.px_per_mm + self.origin_mm
