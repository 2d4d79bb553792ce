"""A wire's insulation laid flat along its trace, and the stripe that winds round it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from vision.wire_colour import CODES, code_distances, quick_distances, shade_distance

STEP_MM = 0.5
_ACROSS = np.linspace(-1.6, 1.6, 33)  # in half widths
_FACE = np.abs(_ACROSS) <= 0.81
_BESIDE = (np.abs(_ACROSS) >= 1.19) & (np.abs(_ACROSS) <= 1.61)
_GAP_MM = 30.0
# limits chosen on 27 scenes of our own: of those tried, the ones that name most stripes and take no right colour away
_FAR = 24.0
"""CIELAB: a sample farther from every code is none."""
_APART = 14.0
"""CIELAB: a sample nearer to the base, under more or less light, is base."""
_REACH = 0.45
"""Half widths to either side of the middle that a turn of a stripe must cross."""
_ASLANT = 0.4
"""Correlation of place across with place along within a turn."""
_LONGEST_MM = 60.0
"""A turn that stretches farther shows only a part of itself between neighbours."""
_TURNS = 2
_BESIDE_MORE = 0.25
"""Share of a turn's rows beside the wire that may show its colour, above what is usual along the wire."""
_CORE_PERCENT = 25
"""Part of a stripe, least like the base, whose colour must be the one that its turns were found by."""
_SHARE = (0.05, 0.5)
_BOTH = 0.65
"""Share of the face that is of one of the two colours."""


@dataclass(frozen=True)
class Skin:
    """What each sample of a wire looks like: a row each `STEP_MM` along, a column each tenth of the half width across.

    lab : (n, m, 3); codes : (n, m) number of the nearest code, -1 where none is near
    """

    lab: np.ndarray
    codes: np.ndarray


@dataclass(frozen=True)
class Striped:
    """Two colours of one wire. base_lab : (3,) median CIELAB of the base; share : of the face that the stripe takes."""

    base: str
    stripe: str
    base_lab: np.ndarray
    share: float


def lay_flat(lab: np.ndarray, line_px: np.ndarray, width_mm: float, px_per_mm: float) -> Skin:
    """Skin of a wire along its (n, 2) centre line, straight on where a gap in it is short."""
    line = _steps(line_px, px_per_mm)
    tangent = gaussian_filter1d(np.gradient(line, axis=0), 2.0 / STEP_MM, axis=0, mode="nearest")
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    at = line[:, None] + normal[:, None] * (_ACROSS[None, :, None] * width_mm / 2 * px_per_mm)
    x, y = (np.ascontiguousarray(at[..., k], np.float32) for k in (0, 1))
    seen = cv2.remap(lab, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    away = quick_distances(seen.reshape(-1, 3))
    return Skin(seen, np.where(away.min(axis=1) <= _FAR, away.argmin(axis=1), -1).reshape(seen.shape[:2]))


def _steps(line_px: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Points each `STEP_MM` along a line, none within its long gaps."""
    length = np.linalg.norm(np.diff(line_px, axis=0), axis=1) / px_per_mm
    way = np.concatenate([[0], np.cumsum(length)])
    keep = np.concatenate([[True], length > 1e-6])
    at = np.arange(0, way[-1], STEP_MM)
    gap = np.concatenate([length, [0.0]])[np.clip(np.searchsorted(way, at, side="right") - 1, 0, len(length) - 1)]
    at = at[gap <= _GAP_MM]
    return np.stack([np.interp(at, way[keep], line_px[keep, k]) for k in (0, 1)], axis=1)


def find_stripe(skin: Skin) -> Striped | None:
    """The stripe that winds round a wire, None where none is sure.

    A stripe crosses the wire's face from rim to rim, aslant and the same way at each turn, and stops at the rims; what
    lies over a wire goes on beyond them, a glint or a shadow runs along it. The base is what most of the face shows.
    """
    face = skin.codes[:, _FACE]
    votes = np.bincount(face[face >= 0], minlength=len(CODES))
    base = int(votes.argmax())
    if votes[base] == 0:
        return None
    base_lab = np.median(skin.lab[:, _FACE][face == base], axis=0)
    away = shade_distance(skin.lab, base_lab)
    first = float(((away[:, _FACE] < _APART) | (face == base)).mean())
    found = []
    for code in np.flatnonzero(votes >= _SHARE[0] * face.size):
        on = (away >= _APART) & (skin.codes == code)
        share = float(on[:, _FACE].mean())
        if code == base or not _SHARE[0] <= share <= _SHARE[1] or share + first < _BOTH:
            continue
        turns = _winding(on)
        if turns is not None and _core(skin, away, turns) == code:
            found.append(Striped(CODES[base], CODES[int(code)], base_lab, share))
    return max(found, key=lambda one: one.share, default=None)


def _core(skin: Skin, away: np.ndarray, turns: np.ndarray) -> int | None:
    """Number of the code of what is least like the base in a stripe's turns: its rims are mixtures with the base.

    away : (n, m) distance from the base; turns : (n, face) bool
    """
    near = cv2.dilate(turns.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    near &= away[:, _FACE] >= _APART
    core = near & (away[:, _FACE] >= np.percentile(away[:, _FACE][near], 100 - _CORE_PERCENT))
    votes = np.bincount(code_distances(skin.lab[:, _FACE][core]).argmin(axis=1), minlength=len(CODES))
    return int(votes.argmax()) if votes.max() >= 0.5 * votes.sum() else None


def _winding(on: np.ndarray) -> np.ndarray | None:
    """(n, face) bool, the turns of a colour that crosses the face at least `_TURNS` times, never the other way."""
    turns = list(_turns(on))
    if len(turns) < _TURNS or len({way for way, _ in turns}) > 1:
        return None
    return np.any([patch for _, patch in turns], axis=0)


def _turns(on: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Which way (1, -1) each patch of a colour that crosses the face runs across it, and the patch, (n, face) bool.

    on : (n, m) bool, where the skin shows it
    """
    count, label = cv2.connectedComponents(np.ascontiguousarray(on[:, _FACE], np.uint8), connectivity=8)
    usual = float(on[:, _BESIDE].mean())
    for k in range(1, count):
        row, column = np.nonzero(label == k)
        place = _ACROSS[_FACE][column]
        first, last = int(row.min()), int(row.max())
        if place.min() > -_REACH or place.max() < _REACH or not 2 <= last - first <= _LONGEST_MM / STEP_MM:
            continue
        slope = float(np.corrcoef(row, place)[0, 1])
        if abs(slope) >= _ASLANT and float(on[first : last + 1, _BESIDE].mean()) <= usual + _BESIDE_MORE:
            yield (1 if slope > 0 else -1), label == k
