"""Finds the printed markers of a photograph and their corners to a few hundredths of a pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.layout import aruco_dictionary
from vision.mat_codes import Reading, read_codes

_SAMPLES_ALONG = 17
_SAMPLES_ACROSS = 21
_LINEAR = (((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4).astype(np.float32)
_LINEAR[:11] = np.arange(11) / 255 / 12.92
TONES = {"light": _LINEAR, "encoded": (np.arange(256) / 255).astype(np.float32)}
"""In which levels edges are mixed: light on a sensor (photographs), encoded values by drawing programs."""


@dataclass(frozen=True, eq=False)
class FoundMarker:
    """One detection. corners_px: (4, 2) float, px, in the order of the printed marker's corners.

    blur_px is the sigma of the blur seen at its edges, dark and bright are the linear levels (0 to 1) inside its border
    and outside; None where the edges could not be measured.
    """

    dictionary: str
    id: int
    corners_px: np.ndarray
    blur_px: float | None = None
    dark: float | None = None
    bright: float | None = None


def find_markers(
    grey: np.ndarray, dictionaries: tuple[str, ...], thorough: bool = False
) -> tuple[list[FoundMarker], list[Reading]]:
    """All markers in a (H, W) uint8 picture, and what reads only mirrored; `thorough`: small and dim ones too."""
    readings, mirrored = read_codes(grey, dictionaries, thorough)
    if not readings:
        return [], mirrored
    return refined(grey, [FoundMarker(r.dictionary, r.id, r.quad_px) for r in readings], "light"), mirrored


def refined(grey: np.ndarray, markers: Sequence[FoundMarker], tone: str) -> list[FoundMarker]:
    """Corners as the meeting points of straight lines fitted to the four edges, from coarse to fine."""
    quads = np.stack([m.corners_px for m in markers])
    cells = np.array([aruco_dictionary(m.dictionary).markerSize + 2 for m in markers])
    side = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2).mean(1)
    reach = np.clip(0.6 * side / cells, 1.5, 14.0)
    good = np.ones(len(quads), bool)
    for _ in range(3):
        edges = _measure_edges(grey, quads, reach, TONES[tone])
        # next time just wide enough to see both levels, so that samples lie close
        reach = np.clip(3.5 * np.median(edges.blur, axis=1) + 1.2, 1.8, reach)
        moved, met = _meeting_points(quads, edges)
        near = np.linalg.norm(moved - quads, axis=2).max(1) < 0.6 * side / cells + 1
        good = met & near & edges.whole.all(1)
        quads = np.where(good[:, None, None], moved, quads)
    unseen = (None, None, None)
    return [
        FoundMarker(m.dictionary, m.id, quads[i], *(edges.summary(i) if good[i] else unseen))
        for i, m in enumerate(markers)
    ]


@dataclass(frozen=True, eq=False)
class _Edges:
    """Per marker and edge: line offset a + b t from the old edge, blur, levels, and whether it was seen whole."""

    start: np.ndarray
    end: np.ndarray
    blur: np.ndarray
    dark: np.ndarray
    bright: np.ndarray
    whole: np.ndarray

    def summary(self, i: int) -> tuple[float, float, float]:
        return float(np.median(self.blur[i])), float(np.median(self.dark[i])), float(np.median(self.bright[i]))


def _outward(quads: np.ndarray) -> np.ndarray:
    """(N, 4, 2) unit normals of the edges, away from the marker's middle."""
    along = np.roll(quads, -1, axis=1) - quads
    normal = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True).clip(1e-9)
    middle = quads.mean(1, keepdims=True)
    side = ((quads - middle) * normal).sum(-1, keepdims=True)
    return np.where(side < 0, -normal, normal)


def _measure_edges(grey: np.ndarray, quads: np.ndarray, reach: np.ndarray, tone: np.ndarray) -> _Edges:
    """Sample profiles across each edge, find where each crosses its middle level, fit a line through the crossings."""
    t = np.linspace(0.1, 0.9, _SAMPLES_ALONG)
    after = np.roll(quads, -1, axis=1)
    u = np.linspace(-1, 1, _SAMPLES_ACROSS)[None, :] * reach[:, None]
    base = quads[:, :, None] + t[None, None, :, None] * (after - quads)[:, :, None]
    points = base[..., None, :] + u[:, None, None, :, None] * _outward(quads)[:, :, None, None, :]
    levels = _sample(grey, points, tone)
    dark, bright = levels[..., :4].mean(-1), levels[..., -4:].mean(-1)
    span = bright - dark
    share = (levels - dark[..., None]) / np.where(span > 0.01, span, 1)[..., None]
    crossing, crossed = _crossing(share, u[:, None, None, :], 0.5)
    clear = crossed & (span > 0.01)
    start, end, kept = _robust_line(t, crossing, clear)
    return _Edges(start, end, _blur(share, u, clear), dark.mean(-1), bright.mean(-1), kept >= 0.6)


def _sample(grey: np.ndarray, points: np.ndarray, tone: np.ndarray) -> np.ndarray:
    """Levels by a (256,) tone table at (..., 2) px points, bilinear; outside the picture the border repeats."""
    height, width = grey.shape
    x = points[..., 0].clip(0, width - 1.001)
    y = points[..., 1].clip(0, height - 1.001)
    x0, y0 = x.astype(np.int64), y.astype(np.int64)
    fx, fy = (x - x0).astype(np.float32), (y - y0).astype(np.float32)
    flat, at = grey.reshape(-1), y0 * width + x0
    top = tone[flat[at]] * (1 - fx) + tone[flat[at + 1]] * fx
    low = tone[flat[at + width]] * (1 - fx) + tone[flat[at + width + 1]] * fx
    return top * (1 - fy) + low * fy


def _crossing(share: np.ndarray, u: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each profile rises through the level: the rise nearest the middle."""
    rises = (share[..., :-1] < level) & (share[..., 1:] >= level)
    far = np.abs(u[..., :-1] + u[..., 1:]) + np.where(rises, 0, 1e6)
    k = far.argmin(-1)[..., None]
    low, high = np.take_along_axis(share, k, -1), np.take_along_axis(share, k + 1, -1)
    grid = np.broadcast_to(u, share.shape)
    u0, u1 = np.take_along_axis(grid, k, -1), np.take_along_axis(grid, k + 1, -1)
    at: np.ndarray = u0 + (level - low) / np.where(high > low, high - low, 1) * (u1 - u0)
    return at[..., 0], np.asarray(rises.any(-1))


def _robust_line(t: np.ndarray, offset: np.ndarray, clear: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted straight line through the crossings: its offset at t = 0 and t = 1, and the share of samples kept."""
    middle = np.median(np.where(clear, offset, np.nan_to_num(offset)), axis=-1)[..., None]
    slope = np.zeros_like(middle)
    kept = clear
    for _ in range(4):
        off = np.abs(offset - middle - slope * (t - 0.5))
        spread = np.median(np.where(clear, off, 0), axis=-1)[..., None]
        kept = clear & (off <= 3 * spread + 0.15)
        weight = kept.astype(float)
        total = weight.sum(-1, keepdims=True).clip(1e-9)
        mean_t = (weight * (t - 0.5)).sum(-1, keepdims=True) / total
        mean_u = (weight * offset).sum(-1, keepdims=True) / total
        var = (weight * (t - 0.5 - mean_t) ** 2).sum(-1, keepdims=True).clip(1e-9)
        slope = (weight * (t - 0.5 - mean_t) * (offset - mean_u)).sum(-1, keepdims=True) / var
        middle = mean_u - slope * mean_t
    return (middle - slope / 2)[..., 0], (middle + slope / 2)[..., 0], kept.mean(-1)


def _blur(share: np.ndarray, u: np.ndarray, clear: np.ndarray) -> np.ndarray:
    """Sigma in px from the 20 to 80 % width of the mean profile (1.683 sigma for a Gaussian-blurred edge)."""
    weight = clear[..., None] / clear.sum(-1, keepdims=True)[..., None].clip(1)
    mean = (share * weight).sum(2)
    low, _ = _crossing(mean, u[:, None, :], 0.2)
    high, _ = _crossing(mean, u[:, None, :], 0.8)
    return (high - low).clip(0) / 1.683


def _meeting_points(quads: np.ndarray, edges: _Edges) -> tuple[np.ndarray, np.ndarray]:
    """Corner k is where edge k - 1 meets edge k."""
    normal = _outward(quads)
    p = quads + edges.start[..., None] * normal
    q = np.roll(quads, -1, axis=1) + edges.end[..., None] * normal
    d = q - p
    p0, d0 = np.roll(p, 1, axis=1), np.roll(d, 1, axis=1)
    cross = d0[..., 0] * d[..., 1] - d0[..., 1] * d[..., 0]
    safe = np.where(np.abs(cross) > 1e-6, cross, 1.0)
    step = ((p - p0)[..., 0] * d[..., 1] - (p - p0)[..., 1] * d[..., 0]) / safe
    return p0 + step[..., None] * d0, (np.abs(cross) > 1e-6).all(1)
