"""Cuts every column of straightened bundles into sections of single wires, and links them along the bundle."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.strips import ACROSS_MM, Strips

_ALONG_SIGMA = 1.0  # columns: evens +-2 mm along
_HIGHLIGHT_MM = 0.8
_COLOUR_STEP = 13.0
_LIGHT_STEP = 26.0
_VALLEY_SHARE = 0.10
_VALLEY_LEAST = 2.5
_NARROWEST_MM = 0.6
_STRIPE_MM = 1.1
_WEAK = 0.4
_LINE_ROWS = 8
_LINE_MEAN = 0.65


@dataclass(frozen=True)
class Sections:
    """Sections of wires, sorted by row and offset; lengths in mm of lateral offset.

    row : (n,) row in the strips; strip : (n,) number of the strip; left, right : (n,) rims
    lab : (n, 3) colour of the middle; rise : (n,) L of the right quarter less that of the left
    sharp_left, sharp_right : (n,) strength of either rim, 1 is just enough
    free_left, free_right : (n,) ground lies beyond that rim
    stripe : (n, 3) colour of a band within the section, NaN where there is none
    """

    row: np.ndarray
    strip: np.ndarray
    left: np.ndarray
    right: np.ndarray
    lab: np.ndarray
    rise: np.ndarray
    sharp_left: np.ndarray
    sharp_right: np.ndarray
    free_left: np.ndarray
    free_right: np.ndarray
    stripe: np.ndarray

    @property
    def centre(self) -> np.ndarray:
        """(n,) middle of each section."""
        return (self.left + self.right) / 2

    @property
    def width(self) -> np.ndarray:
        """(n,) width of each section, across the strip."""
        return self.right - self.left

    def __len__(self) -> int:
        return len(self.row)

    def take(self, which: np.ndarray) -> Sections:
        """The sections of an index array or a mask."""
        return Sections(*(getattr(self, name)[which] for name in self.__dataclass_fields__))


def without_highlights(lab: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Narrow bright ridges across filled from their sides: (R, U, 3) and where they were, (R, U) bool.

    Glints run along the middle of round wires and would cut them in two.
    """
    n = max(3, round(_HIGHLIGHT_MM / ACROSS_MM) | 1)
    opened = cv2.morphologyEx(lab[..., 0], cv2.MORPH_OPEN, np.ones((1, n), np.uint8))
    glint = lab[..., 0] - opened > 4.0
    keep = (~glint).astype(np.float32)
    box = (2 * n + 1, 1)
    weight = cv2.boxFilter(keep, -1, box, normalize=False)
    filled = cv2.boxFilter(lab * keep[..., None], -1, box, normalize=False) / np.maximum(weight, 1e-6)[..., None]
    return np.where((glint & (weight > 1))[..., None], filled, lab), glint


def boundary_strength(lab: np.ndarray) -> np.ndarray:
    """(R, U): how strongly each sample divides two wires; 1 is just enough."""
    light = cv2.GaussianBlur(lab[..., 0], (0, 0), sigmaX=0.8, sigmaY=0.01)
    pad = 4
    wide = np.pad(lab, ((0, 0), (pad, pad), (0, 0)), mode="edge")
    u = lab.shape[1]
    step = wide[:, pad + 2 : pad + 2 + u] - wide[:, pad - 2 : pad - 2 + u]
    colour = np.hypot(step[..., 1], step[..., 2]) / _COLOUR_STEP
    bright = np.abs(step[..., 0]) / _LIGHT_STEP
    sides = np.pad(light, ((0, 0), (pad, pad)), mode="edge")
    left = np.max([sides[:, pad - k : pad - k + u] for k in range(1, pad + 1)], axis=0)
    right = np.max([sides[:, pad + k : pad + k + u] for k in range(1, pad + 1)], axis=0)
    lower = np.minimum(left, right)
    valley = np.maximum(lower - light, 0) / (_VALLEY_SHARE * lower + _VALLEY_LEAST)
    return np.sqrt(colour**2 + bright**2 + valley**2)


def _peaks(strength: np.ndarray, first_rows: list[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows, columns and sub-sample places of the local maxima that run on along the bundle.

    A line between two wires fades here and there: weak maxima count where they lie on a line that is strong on the
    whole. No two lie within `_NARROWEST_MM`.
    """
    n = max(3, round(2 * _NARROWEST_MM / ACROSS_MM) | 1)
    top = cv2.dilate(strength, np.ones((1, n), np.uint8))
    peak = (strength >= top) & (strength >= _WEAK)
    peak[:, 0] = peak[:, -1] = False
    near = cv2.dilate(peak.astype(np.uint8), np.ones((1, 3), np.uint8))
    near[first_rows] = np.minimum(near[first_rows], peak[first_rows])
    count, label = cv2.connectedComponents(near, connectivity=8)
    rows, at = np.nonzero(peak)
    line = label[rows, at]
    size = np.maximum(np.bincount(line, minlength=count), 1)
    mean = np.bincount(line, weights=np.minimum(strength[rows, at], 2.0), minlength=count) / size
    keep = (strength[rows, at] >= 1.6) | ((size >= _LINE_ROWS) & (mean >= _LINE_MEAN))[line]
    rows, at = rows[keep], at[keep]
    before, here, after = strength[rows, at - 1], strength[rows, at], strength[rows, at + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    return rows, at, at + np.clip(shift, -0.5, 0.5)


def _rgb(lab: np.ndarray) -> np.ndarray:
    if lab.size == 0:
        return lab
    return cv2.cvtColor(np.ascontiguousarray(lab, np.float32), cv2.COLOR_Lab2BGR)


def _rims(lab: np.ndarray, solid: np.ndarray, rows: np.ndarray, at: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Places of the peaks, those on the rim of the assembly moved to the middle of the whole change of colour.

    CIELAB of a mixture of wire and ground does not lie half-way between theirs: the rim is sought in RGB.
    """
    u = lab.shape[1]
    near = np.clip(at[:, None] + np.arange(-4, 5), 0, u - 1)
    share = solid[rows[:, None], near]
    rim = np.ptp(share, axis=1) > 0.5
    r, a = rows[rim], at[rim]
    steps = np.arange(-3, 4)
    up, down = (lab[r[:, None], np.clip(a[:, None] + steps + d, 0, u - 1)] for d in (1, -1))
    change = np.linalg.norm(_rgb(up) - _rgb(down), axis=2)
    change = np.maximum(change - 0.25 * change.max(axis=1, keepdims=True), 0) ** 2
    out = place.copy()
    out[rim] = a + (change * steps).sum(axis=1) / np.maximum(change.sum(axis=1), 1e-6)
    return out


def find_sections(strips: Strips) -> Sections:
    """All wire sections of all columns."""
    lab = strips.lab.copy()
    for s in strips.strips:
        mine = slice(s.first, s.first + s.columns)
        lab[mine] = cv2.GaussianBlur(
            strips.lab[mine], (1, 7), sigmaX=0.01, sigmaY=_ALONG_SIGMA, borderType=cv2.BORDER_REPLICATE
        )
    plain, glint = without_highlights(lab)
    strength = boundary_strength(plain)
    rows, at, place = _peaks(strength, [s.first for s in strips.strips])
    place = _rims(lab, strips.solid, rows, at, place)
    same = rows[1:] == rows[:-1]
    row = rows[:-1][same]
    a, b = at[:-1][same], at[1:][same]
    left, right = place[:-1][same], place[1:][same]
    inner = _between(strips.solid * strips.seen, row, a, b)
    mid, quarter = (a + b) / 2, np.maximum((b - a) * 0.25, 0.6)
    low, high = np.floor(mid - quarter).astype(int), np.ceil(mid + quarter).astype(int) + 1
    clear = (~glint).astype(np.float32) + 1e-3
    weight = _between(clear, row, low, high)
    colour = np.stack([_between(plain[..., k] * clear, row, low, high) for k in range(3)], axis=1) / weight[:, None]
    third = np.maximum((b - a) // 3, 1)
    rise = _between(plain[..., 0], row, b - third, b) - _between(plain[..., 0], row, a, a + third)
    assembly = (inner > 0.5) & ~_shadows(row, inner > 0.5, colour, rise, strength[row, a], strength[row, b])
    joined = np.r_[False, same[1:] & same[:-1]][: len(same)][same] if len(same) else np.zeros(0, bool)
    previous = np.r_[False, assembly[:-1]] & joined
    following = np.r_[assembly[1:] & joined[1:], False] if len(joined) else joined
    origin = strips.offset_mm[0]
    number = np.repeat(np.arange(len(strips.strips)), [s.columns for s in strips.strips])
    all_found = Sections(
        row, number[row], origin + left * ACROSS_MM, origin + right * ACROSS_MM, colour,
        rise, strength[row, a], strength[row, b], ~previous, ~following, np.full((len(row), 3), np.nan),
    )  # fmt: skip
    found = all_found.take(assembly)
    return _with_stripes(found)


def _shadows(
    row: np.ndarray,
    inside: np.ndarray,
    lab: np.ndarray,
    rise: np.ndarray,
    sharp_left: np.ndarray,
    sharp_right: np.ndarray,
) -> np.ndarray:
    """(n,) bool: grey rims that brighten softly towards the ground; a wire darkens again at its own rim."""
    beside = np.r_[False, inside[:-1] & (row[1:] == row[:-1])], np.r_[inside[1:] & (row[1:] == row[:-1]), False]
    grey = (np.hypot(lab[:, 1], lab[:, 2]) < 14) & (lab[:, 0] > 30)
    to_right = beside[0] & ~beside[1] & (rise > 5.0) & (sharp_right < 1.6)
    to_left = beside[1] & ~beside[0] & (rise < -5.0) & (sharp_left < 1.6)
    return inside & grey & (to_right | to_left)


def _between(values: np.ndarray, row: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Mean of (R, U) values over samples a..b-1 of each row."""
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    a = np.clip(a, 0, values.shape[1] - 1)
    b = np.clip(b, a + 1, values.shape[1])
    return (total[row, b] - total[row, a]) / (b - a)


def colour_difference(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Distance of (..., 3) CIELAB colours; lightness counts half, for round wires are shaded."""
    d = np.asarray(a) - np.asarray(b)
    return np.sqrt(0.25 * d[..., 0] ** 2 + d[..., 1] ** 2 + d[..., 2] ** 2)


def _with_stripes(found: Sections) -> Sections:
    """A narrow band between two narrow pieces of one colour, together no wider than a wire, is that wire's stripe."""
    n = len(found)
    if n < 3:
        return found
    touching = (found.row[1:] == found.row[:-1]) & (found.left[1:] - found.right[:-1] < 0.05)
    width = found.width
    i = np.arange(1, n - 1)
    band = (
        touching[i - 1] & touching[i] & (width[i] <= _STRIPE_MM)
        & (colour_difference(found.lab[i - 1], found.lab[i + 1]) < 12.0)
        & (width[i - 1] < 1.3) & (width[i + 1] < 1.3)
        & (width[i - 1] + width[i] + width[i + 1] <= 3.8)
    )  # fmt: skip
    middle = i[band]
    middle = middle[np.r_[True, np.diff(middle) > 2]] if len(middle) else middle
    changed = {name: getattr(found, name).copy() for name in ("right", "free_right", "sharp_right", "lab", "stripe")}
    for name in ("right", "free_right", "sharp_right"):
        changed[name][middle - 1] = getattr(found, name)[middle + 1]
    lab, stripe = changed["lab"], changed["stripe"]
    lab[middle - 1] = (found.lab[middle - 1] + found.lab[middle + 1]) / 2
    stripe[middle - 1] = found.lab[middle]
    keep = np.ones(n, bool)
    keep[middle] = keep[middle + 1] = False
    return replace(found, **changed).take(keep)


def link_sections(sections: Sections) -> list[np.ndarray]:
    """Chains of section numbers: from column to column, each the best for the other."""
    n = len(sections)
    if n == 0:
        return []
    onward = _best(sections, 1)
    backward = _best(sections, -1)
    mutual = (onward >= 0) & (backward[np.maximum(onward, 0)] == np.arange(n))
    onward = np.where(mutual, onward, -1)
    starts = np.ones(n, bool)
    starts[onward[mutual]] = False
    chains = []
    following = onward.tolist()
    for start in np.flatnonzero(starts).tolist():
        chain = [start]
        while following[chain[-1]] >= 0:
            chain.append(following[chain[-1]])
        chains.append(np.array(chain))
    return chains


def _best(s: Sections, step: int) -> np.ndarray:
    """(n,) number of the section in the next (+1) or previous (-1) column that continues each best, or -1."""
    key = s.row * 1000.0 + s.centre
    at = np.searchsorted(key, (s.row + step) * 1000.0 + s.centre)
    best, lowest = np.full(len(s), -1), np.full(len(s), 1.0)
    for k in (-2, -1, 0, 1):
        j = np.clip(at + k, 0, len(s) - 1)
        ok = (s.row[j] == s.row + step) & (s.strip[j] == s.strip)
        rims = np.minimum(np.abs(s.left[j] - s.left), np.abs(s.right[j] - s.right))
        move = np.abs(s.centre[j] - s.centre)
        cost = 0.4 * rims / 0.6 + 0.4 * move / 0.9 + colour_difference(s.lab[j], s.lab) / 30.0
        better = ok & (cost < lowest) & (move < 1.3)
        best[better], lowest[better] = j[better], cost[better]
    return best
