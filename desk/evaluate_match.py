"""Matches answered regions and wires with the true ones."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from sample_images.truth import Truth, TruthRegion
from vision.findings import PhotoFindings, Region, Ring, Wire

DILATION_MM = 3.0
MIN_IOU = 0.3
MIN_OVERLAP = 0.5
"""Share of the shorter of two stretches that must lie in the other: a touch at the ends is no match."""

_RASTER_SIDE_PX = 1000


def match_regions(truth: Truth, findings: PhotoFindings) -> tuple[list[tuple[int, int]], list[int]]:
    """Pairs (index of true region, index of answered region), one to one, and the answered regions that match none.

    A broken housing named on the pieces that broke off is no find of the break, and no false one either.
    """
    scores = region_scores(truth, findings)
    if scores.size == 0:
        return [], list(range(len(findings.regions)))
    pairs = [(int(i), int(j)) for i, j in zip(*linear_sum_assignment(-scores), strict=True) if scores[i, j] > 0]
    false = [j for j in range(scores.shape[1]) if not scores[:, j].any()]
    return pairs, [j for j in false if not _on_pieces(truth, findings.regions[j])]


def _on_pieces(truth: Truth, answered: Region) -> bool:
    """Whether a broken housing was named, and half of its outline lies on what broke off from one, dilated by 3 mm."""
    pieces = [ring for region in truth.regions for ring in region.pieces_px]
    if not pieces or answered.label != "connector":
        return False
    raster = _Raster(truth)
    plain, grown = raster.masks(answered.rings_px)[0], raster.masks(pieces)[1]
    return bool((plain & grown).sum() >= MIN_OVERLAP * max(int(plain.sum()), 1))


def region_scores(truth: Truth, findings: PhotoFindings) -> np.ndarray:
    """(true, answered) float: how well two regions agree, 0 where they do not match.

    They match when, both dilated by 3 mm, they share at least half of the shorter stretch along a true damaged wire,
    or when their outlines have an intersection over union of 0.3. Damage that runs along no wire (a housing) is held
    by area instead of stretch.
    """
    raster = _Raster(truth)
    answered = [raster.masks(region.rings_px) for region in findings.regions]
    scores = np.zeros((len(truth.regions), len(answered)))
    for i, region in enumerate(truth.regions):
        plain, grown = raster.masks(region.rings_px)
        samples = raster.samples(region)
        for j, (other, other_grown) in enumerate(answered):
            iou = _ratio(plain & other, plain | other)
            along = _overlap(grown, other_grown, samples)
            if iou >= MIN_IOU or along >= MIN_OVERLAP:
                scores[i, j] = iou + along
    return scores


class _Raster:
    """Draws outlines small enough to be quick, and samples the true centre lines on the same raster."""

    def __init__(self, truth: Truth):
        self.truth = truth
        self.scale = min(1.0, _RASTER_SIDE_PX / max(truth.width_px, truth.height_px))
        self.shape = (round(truth.height_px * self.scale) + 1, round(truth.width_px * self.scale) + 1)
        radius = max(1, round(DILATION_MM / truth.mm_per_px_centre * self.scale))
        self.kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))

    def masks(self, rings: Sequence[Ring]) -> tuple[np.ndarray, np.ndarray]:
        """(H, W) bool: the outline as it is, and dilated by 3 mm."""
        mask = np.zeros(self.shape, np.uint8)
        for ring in rings:
            points = np.rint(np.asarray(ring, float).reshape(-1, 2) * self.scale).astype(np.int32)
            cv2.fillPoly(mask, [points], 1)
        return mask.astype(bool), cv2.dilate(mask, self.kernel).astype(bool)

    def samples(self, region: TruthRegion) -> np.ndarray:
        """(N, 2) int, x and y on the raster: points along the damaged wires, none for housings."""
        lines = [wire.centreline_px for wire in self.truth.wires if wire.id in region.wire_ids]
        if region.label == "connector" or not lines:
            return np.empty((0, 2), int)
        points = np.concatenate([dense(line, 1.0 / self.scale) for line in lines])
        points = np.rint(points * self.scale).astype(int)
        inside = np.all((points >= 0) & (points < self.shape[::-1]), axis=1)
        return points[inside]


def _overlap(a: np.ndarray, b: np.ndarray, samples: np.ndarray) -> float:
    """Share of the shorter stretch (or, without samples, of the smaller area) that lies in the other."""
    if len(samples):
        a, b = a[samples[:, 1], samples[:, 0]], b[samples[:, 1], samples[:, 0]]
    smaller = min(int(a.sum()), int(b.sum()))
    return float((a & b).sum() / smaller) if smaller else 0.0


def _ratio(part: np.ndarray, whole: np.ndarray) -> float:
    total = int(whole.sum())
    return float(part.sum() / total) if total else 0.0


def dense(line: Ring, step_px: float) -> np.ndarray:
    """(N, 2) float, px: points along the polyline, at most `step_px` apart."""
    points = np.asarray(line, float).reshape(-1, 2)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    at = np.linspace(0.0, s[-1], max(2, int(s[-1] / step_px) + 2))
    return np.stack([np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])], axis=1)


def match_wires(truth: Truth, wires: Sequence[Wire]) -> list[tuple[int, int]]:
    """Pairs (index of true wire, index of answered wire): each true wire with the longest trace that follows it.

    A trace follows the true wire whose centre line is nearest on the mean, if that is within one wire diameter.
    """
    if not truth.wires or not wires:
        return []
    trees = [cKDTree(dense(wire.centreline_px, 1.0)) for wire in truth.wires]
    best: dict[int, tuple[float, int]] = {}
    for j, wire in enumerate(wires):
        points = dense(wire.centreline_px, 2.0)
        means = [float(tree.query(points)[0].mean()) for tree in trees]
        i = int(np.argmin(means))
        length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
        near = means[i] <= truth.wires[i].diameter_mm / truth.mm_per_px_centre
        if near and length > best.get(i, (0.0, -1))[0]:
            best[i] = (length, j)
    return [(i, j) for i, (_, j) in sorted(best.items())]
