"""Pixels of a photograph to millimetres, from what its findings hold of both."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from desk.review.outline import as_array
from vision.findings import PhotoFindings

_ENOUGH_POINTS = 12
_TILT_U95_REL = 0.03


@dataclass(frozen=True)
class Plane:
    """Maps px to mm. `u95_rel`: of lengths by the scale; `u95_mm`: what the map leaves over at its own points."""

    matrix: np.ndarray
    u95_rel: float
    u95_mm: float

    def to_mm(self, points_px: np.ndarray) -> np.ndarray:
        """(N, 2) px to (N, 2) mm."""
        points = np.asarray(points_px, float).reshape(-1, 2)
        mapped = np.column_stack([points, np.ones(len(points))]) @ self.matrix.T
        return mapped[:, :2] / mapped[:, 2:]


def plane_of(photo: PhotoFindings) -> Plane | None:
    """The photograph's plane; None without a scale.

    The findings give both px and mm of traced wires, outlines and terminations: the homography through these pairs
    is the mat's, but for lens distortion, which goes into `u95_mm`. Too few pairs leave the scale at the middle.
    """
    scale = photo.scale
    if scale.source == "none" or scale.mm_per_px is None:
        return None
    flat = np.diag([scale.mm_per_px, scale.mm_per_px, 1.0])
    known = scale.u95_rel or 0.0
    if scale.source == "stated":
        return Plane(flat, known, 0.0)
    px, mm = _pairs(photo)
    matrix = _homography(px, mm) if len(px) >= _ENOUGH_POINTS else None
    if matrix is None:
        return Plane(flat, float(np.hypot(known, _TILT_U95_REL)), 0.0)
    left = np.linalg.norm(Plane(matrix, 0.0, 0.0).to_mm(px) - mm, axis=1)
    return Plane(matrix, known, float(np.quantile(left, 0.95)))


def _pairs(photo: PhotoFindings) -> tuple[np.ndarray, np.ndarray]:
    px, mm = [], []
    for wire in photo.wires:
        if wire.centreline_mm is not None and len(wire.centreline_mm) == len(wire.centreline_px):
            px.append(as_array(wire.centreline_px))
            mm.append(as_array(wire.centreline_mm))
    for region in photo.regions:
        for ring_px, ring_mm in zip(region.rings_px, region.rings_mm or [], strict=False):
            if len(ring_px) == len(ring_mm):
                px.append(as_array(ring_px))
                mm.append(as_array(ring_mm))
    for end in photo.terminations:
        if end.position_mm is not None:
            px.append(as_array([end.position_px]))
            mm.append(as_array([end.position_mm]))
    if not px:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return np.concatenate(px), np.concatenate(mm)


def _homography(px: np.ndarray, mm: np.ndarray) -> np.ndarray | None:
    """Least-squares homography; None where the points lie along one line and determine none."""
    spread = np.linalg.svd(px - px.mean(axis=0), compute_uv=False)
    if spread[1] < 0.05 * spread[0]:
        return None
    matrix, _ = cv2.findHomography(px, mm, 0)
    return matrix
