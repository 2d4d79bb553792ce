"""Tells for every cell what it really lies on, from a truth file: the teacher of the finder."""

from __future__ import annotations

import cv2
import numpy as np

from sample_images.truth import Ring, Truth

CELL_CLASSES: tuple[str, ...] = (
    "ground",
    "wire",
    "covering",
    "housing",
    "terminal",
    "external_heat",
    "electrical_overload",
    "rodent",
    "connector",
    "abrasion",
    "earlier_repair",
)
"""What a cell can lie on; the last six are damage labels."""

UNSURE_TRUTH = -1
"""Class of cells at the rim of a damage, where either answer is right: not taught."""

_SHIFT = 3  # fractional bits of cv2.fillPoly


def _fill(raster: np.ndarray, rings: list[Ring], value: int, scale: float) -> None:
    for ring in rings:
        points = np.round((np.asarray(ring, float) + 0.5) * scale * 2**_SHIFT).astype(np.int32)
        if len(points) >= 3:
            cv2.fillPoly(raster, [points], value, shift=_SHIFT)


def class_raster(truth: Truth, scale: float = 0.5, classes: tuple[str, ...] = CELL_CLASSES) -> np.ndarray:
    """(H, W) uint8 of indices into ``classes`` at ``scale`` times the photograph's size."""
    raster = np.zeros((round(truth.height_px * scale), round(truth.width_px * scale)), np.uint8)
    index = classes.index
    for wire in truth.wires:
        points = np.round((np.asarray(wire.centreline_px) + 0.5) * scale * 2**_SHIFT).astype(np.int32)
        width = max(1, round(wire.diameter_mm / truth.mm_per_px_centre * scale))
        cv2.polylines(raster, [points], False, index("wire"), width, shift=_SHIFT)
    for covering in truth.coverings:
        _fill(raster, covering.rings_px, index("covering"), scale)
    for termination in truth.terminations:
        if termination.kind not in ("housing", "cut_end"):
            _fill(raster, termination.rings_px, index("terminal"), scale)
    for housing in truth.housings:
        _fill(raster, housing.rings_px, index("housing"), scale)
    for region in truth.regions:
        _fill(raster, region.rings_px, index(region.label), scale)
    return raster


def cell_classes(
    truth: Truth, photo_xy: np.ndarray, scale: float = 0.5, classes: tuple[str, ...] = CELL_CLASSES
) -> np.ndarray:
    """(N,) indices into ``classes`` of cells at (N, 2) photograph px, -1 where nothing is taught.

    That is at the rim of a damage, on pieces that broke off, on a maker's own joint (it looks like a sleeve and is
    none) and outside the picture.
    """
    raster = class_raster(truth, scale, classes)
    damage = np.isin(raster, [classes.index(region.label) for region in truth.regions])
    reach = max(1, round(1.0 / truth.mm_per_px_centre * scale))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    pieces = np.zeros_like(raster)
    for region in truth.regions:
        _fill(pieces, region.pieces_px, 1, scale)
    rim = (cv2.dilate(damage.astype(np.uint8) | pieces, kernel) > 0) & ~damage
    joints = np.zeros_like(raster)
    for splice in truth.splices:
        if splice.origin == "factory":
            _fill(joints, splice.rings_px, 1, scale)
    rim |= (joints > 0) & ~damage
    x = np.round((photo_xy[:, 0] + 0.5) * scale - 0.5).astype(int)
    y = np.round((photo_xy[:, 1] + 0.5) * scale - 0.5).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < raster.shape[1]) & (y < raster.shape[0])
    out = np.full(len(photo_xy), UNSURE_TRUTH)
    out[inside] = raster[y[inside], x[inside]]
    out[inside] = np.where(rim[y[inside], x[inside]], UNSURE_TRUTH, out[inside])
    return out
