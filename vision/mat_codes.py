"""Square candidates of a picture and the marker codes printed in them.

OpenCV proposes the squares; the codes are read here, because matching against dictionaries of a thousand codes costs
OpenCV 2 ms a candidate and a table look-up costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from vision.layout import aruco_dictionary

SEARCH_LONG_SIDE_PX = 1400
THOROUGH_LONG_SIDE_PX = 2000
_BORDER_ERRORS = 2
_LEAST_CONTRAST = 12.0


@dataclass(frozen=True, eq=False)
class Reading:
    """One code read. quad_px: (4, 2) float, px, corners in the order of the printed marker's."""

    dictionary: str
    id: int
    quad_px: np.ndarray
    errors: int


def read_codes(
    grey: np.ndarray, dictionaries: tuple[str, ...], thorough: bool = False
) -> tuple[list[Reading], list[Reading]]:
    """The codes in a (H, W) uint8 picture, and those that only read when mirrored."""
    small = _search_picture(grey, THOROUGH_LONG_SIDE_PX if thorough else SEARCH_LONG_SIDE_PX)
    if thorough:
        small = cv2.GaussianBlur(_stretched(small), (3, 3), 0)  # grain would cost as much time as squares
    _, _, proposals = _proposer(thorough).detectMarkers(small)
    if not len(proposals):
        return [], []
    quads = np.stack([np.asarray(c, float).reshape(4, 2) for c in proposals])
    factor = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    upright, mirrored = [], []
    for size in sorted({aruco_dictionary(d).markerSize for d in dictionaries}):
        bits, errors, clear = _read_bits(small, quads, size)
        names = [d for d in dictionaries if aruco_dictionary(d).markerSize == size]
        for i in np.flatnonzero(clear):
            at = (quads[i] + 0.5) * factor - 0.5
            upright += _matches(bits[i], errors[i], names, at)
            mirrored += _matches(bits[i][:, ::-1], errors[i], names, at)
    return _without_doubles(upright), mirrored


def _search_picture(grey: np.ndarray, long_side: int) -> np.ndarray:
    """Halved by exact 2 x 2 means as long as it pays (that is fast), then brought to the long side."""
    while max(grey.shape) >= 2 * long_side:
        grey = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    shrink = long_side / max(grey.shape)
    return cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_LINEAR) if shrink < 0.9 else grey


def _stretched(grey: np.ndarray) -> np.ndarray:
    """Contrast stretched to the full range, so that the threshold's constant bites in dark pictures too."""
    low, high = np.percentile(grey[::4, ::4], (0.5, 99.5))
    table = np.clip((np.arange(256) - low) * (255 / max(high - low, 1)), 0, 255).astype(np.uint8)
    return cv2.LUT(grey, table)


@lru_cache(maxsize=2)
def _proposer(thorough: bool) -> cv2.aruco.ArucoDetector:
    """A detector that knows no code, so that every square comes back."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.015 if thorough else 0.025
    parameters.adaptiveThreshWinSizeMin = 9
    parameters.adaptiveThreshWinSizeMax = 41 if thorough else 29
    parameters.adaptiveThreshWinSizeStep = 32 if thorough else 20
    parameters.adaptiveThreshConstant = 5
    parameters.errorCorrectionRate = 0.0
    parameters.maxErroneousBitsInBorderRate = 0.0
    unknown = cv2.aruco.Dictionary(np.full((1, 2, 4), 0, np.uint8), 4, 0)
    return cv2.aruco.ArucoDetector(unknown, parameters)


def _read_bits(grey: np.ndarray, quads: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(N, size, size) bool inner cells, (N,) wrong border cells, (N,) whether it looks like a marker at all."""
    cells = size + 2
    grid = (np.arange(cells)[:, None] + np.array([0.3, 0.5, 0.7])).ravel() / cells
    gx, gy = np.meshgrid(grid, grid)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    maps = [cv2.getPerspectiveTransform(square, q.astype(np.float32)) for q in quads]
    unit = np.stack([gx.ravel(), gy.ravel(), np.ones(gx.size)])
    points = np.stack(maps) @ unit
    points = points[:, :2] / points[:, 2:]
    x, y = np.ascontiguousarray(points[:, 0], np.float32), np.ascontiguousarray(points[:, 1], np.float32)
    levels = cv2.remap(grey, x, y, cv2.INTER_LINEAR).astype(float)
    means = levels.reshape(len(quads), cells, 3, cells, 3).mean((2, 4))
    threshold = _otsu(means.reshape(len(quads), -1))
    white = means > threshold[:, None, None]
    errors = white.sum((1, 2)) - white[:, 1:-1, 1:-1].sum((1, 2))
    contrast = means.max((1, 2)) - means.min((1, 2))
    return white[:, 1:-1, 1:-1], errors, (errors <= _BORDER_ERRORS) & (contrast > _LEAST_CONTRAST)


def _otsu(values: np.ndarray) -> np.ndarray:
    """(N,) thresholds that part each row of (N, M) best."""
    ordered = np.sort(values, axis=1)
    count = ordered.shape[1]
    n = np.arange(1, count)
    total = ordered.cumsum(1)
    low = total[:, :-1] / n
    high = (total[:, -1:] - total[:, :-1]) / (count - n)
    k = (n * (count - n) * (high - low) ** 2).argmax(1)[:, None]
    return (np.take_along_axis(ordered, k, 1) + np.take_along_axis(ordered, k + 1, 1))[:, 0] / 2


def _matches(bits: np.ndarray, border_errors: int, names: list[str], quad: np.ndarray) -> list[Reading]:
    found = []
    for name in names:
        codes, allowed = _code_table(name)
        turned = np.array([_code(np.rot90(bits, k)) for k in range(4)], np.uint64)
        distance = np.bitwise_count(codes[None, :] ^ turned[:, None])
        turn, index = np.unravel_index(int(distance.argmin()), distance.shape)
        if distance[turn, index] <= allowed:
            # rot90 turns counter-clockwise: what was the corner `turn` steps on is now first
            corners = np.roll(quad, -int(turn), axis=0)
            found.append(Reading(name, int(index), corners, int(distance[turn, index]) + int(border_errors)))
    return found


@lru_cache(maxsize=16)
def _code_table(name: str) -> tuple[np.ndarray, int]:
    """(count,) uint64 codes of the upright markers, and how many wrong cells a reading may have."""
    dictionary = aruco_dictionary(name)
    codes = [
        _code(np.asarray(cv2.aruco.Dictionary.getBitsFromByteList(row[None], dictionary.markerSize)).reshape(
            dictionary.markerSize, -1
        ))
        for row in dictionary.bytesList
    ]  # fmt: skip
    return np.array(codes, np.uint64), dictionary.maxCorrectionBits // 2


def _code(bits: np.ndarray) -> int:
    return int.from_bytes(np.packbits(bits.astype(bool).ravel()).tobytes().ljust(8, b"\0"), "big")


def _without_doubles(readings: list[Reading]) -> list[Reading]:
    """One reading where the same square was proposed twice: the one with fewer errors, then the larger."""
    kept: list[Reading] = []
    for r in sorted(readings, key=lambda r: (r.errors, -np.ptp(r.quad_px, axis=0).sum())):
        reach = 0.5 * float(np.ptp(r.quad_px, axis=0).max())
        if not any(np.linalg.norm(r.quad_px.mean(0) - k.quad_px.mean(0)) < reach for k in kept):
            kept.append(r)
    return kept
