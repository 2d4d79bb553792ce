"""Dense evidence: a grid of cells over the assembly, each described by named physical features."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.lanes import STEPS, describe_lanes, sample
from vision.light import EvenLight, magnitude
from vision.segment import Foreground
from vision.spots import describe_spots

FEATURE_VERSION = "3"
PITCH_MM = 1.2

_LAGS_MM = (3.0, 6.0, 11.0, 18.0)
_SIDE_MM = np.arange(-1.5, 1.51, 0.5)
_PROFILE_MM = np.arange(-6.0, 6.01, 0.4)


@dataclass(frozen=True)
class Cells:
    """Cells on the assembly.

    xy : (N, 2) float, canvas px; features : (N, F) float32 in the order of `names`;
    direction : (N, 2) unit vectors along the wires; lanes : (N, L) int32, numbers of the cells met when following the
    wire both ways (the cell itself in the middle), -1 where there is none
    """

    xy: np.ndarray
    features: np.ndarray
    names: tuple[str, ...]
    direction: np.ndarray
    lanes: np.ndarray

    def column(self, name: str) -> np.ndarray:
        """One feature of all cells, (N,)."""
        return self.features[:, self.names.index(name)]


_WIDE_MM = 2.2
"""Windows at least this wide are summed at half the size."""


class _Window:
    """Box means of per-pixel maps at the cells; wide windows at half the size, each map halved once."""

    def __init__(self, px_per_mm: float, ix: np.ndarray, iy: np.ndarray) -> None:
        self.s, self.ix, self.iy = px_per_mm, ix, iy
        self._halves: dict[int, tuple[np.ndarray, np.ndarray]] = {}

    def half(self, img: np.ndarray) -> np.ndarray:
        """The map at half its size, kept (with the map itself, so that its id stays its own)."""
        if id(img) not in self._halves:
            size = ((img.shape[1] + 1) // 2, (img.shape[0] + 1) // 2)
            self._halves[id(img)] = (img, cv2.resize(img, size, interpolation=cv2.INTER_AREA))
        return self._halves[id(img)][1]

    def mean(self, img: np.ndarray, side_mm: float) -> np.ndarray:
        """(N,) means of ``img`` over squares of ``side_mm`` around the cells."""
        if side_mm < _WIDE_MM:
            k = max(1, round(side_mm * self.s)) | 1
            return cv2.blur(img, (k, k))[self.iy, self.ix]
        k = max(1, round(side_mm * self.s / 2)) | 1
        return cv2.blur(self.half(img), (k, k))[self.iy // 2, self.ix // 2]


class _Maps:
    """Per-pixel quantities of one canvas window, computed once."""

    def __init__(self, lab: np.ndarray, solid: np.ndarray, filled: np.ndarray, clipped: np.ndarray, s: float):
        self.s = s
        self.light, self.a, self.b = (np.ascontiguousarray(c) for c in cv2.split(lab))
        self.chroma = magnitude(self.a, self.b)
        self.solid = solid.astype(np.float32)
        self.filled = filled
        self.clipped = clipped.astype(np.float32)
        self.fine = cv2.GaussianBlur(lab, (0, 0), 0.4 * s)
        self.jxx = np.zeros(lab.shape[:2], np.float32)
        self.jyy, self.jxy = self.jxx.copy(), self.jxx.copy()
        # colour counts half: printing, noise and chroma subsampling live there
        for channel, weight in ((self.light, 1.0), (self.a, 0.5), (self.b, 0.5)):
            smooth = cv2.GaussianBlur(channel, (0, 0), 0.22 * s)
            gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125 * s)
            gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125 * s)
            for total, one, other in ((self.jxx, gx, gx), (self.jyy, gy, gy), (self.jxy, gx, gy)):
                total += cv2.multiply(one, other, scale=weight)


def _direction(maps: _Maps, at: _Window, window_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Direction along the wires (least colour change), its coherence and the energy, at cells."""
    xx, yy, xy = (at.mean(m, window_mm) for m in (maps.jxx, maps.jyy, maps.jxy))
    difference, total = xx - yy, xx + yy + 1e-6
    angle = 0.5 * np.arctan2(2 * xy, difference) + np.pi / 2
    coherence = np.hypot(difference, 2 * xy) / total
    return np.stack([np.cos(angle), np.sin(angle)], axis=1), coherence, total


def _along_energy(maps: _Maps, at: _Window, along: np.ndarray, window_mm: float) -> np.ndarray:
    """Colour change energy along the wire direction in a window, (L/mm)²."""
    xx, yy, xy = (at.mean(m, window_mm) for m in (maps.jxx, maps.jyy, maps.jxy))
    dx, dy = along[:, 0], along[:, 1]
    return np.maximum(dx * dx * xx + 2 * dx * dy * xy + dy * dy * yy, 0)


def _continuity(maps: _Maps, xy: np.ndarray, along: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """How well each cell's colour continues along the wire: best match at several distances, both ways."""
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    here = sample(maps.fine, xy)
    both_best, both_delta, inside_all = [], [], []
    for lag in _LAGS_MM:
        best_two, delta_two = [], []
        for way in (-1.0, 1.0):
            at = (
                xy[:, None, :]
                + way * lag * maps.s * along[:, None, :]
                + (_SIDE_MM * maps.s)[None, :, None] * across[:, None, :]
            )
            there = sample(maps.fine, at)
            inside = sample(maps.solid, at) > 0.5
            difference = there - here[:, None, :]
            distance = np.linalg.norm(difference, axis=2) + np.where(inside, 0.0, 60.0)
            best = distance.argmin(axis=1)
            rows = np.arange(len(xy))
            best_two.append(np.minimum(distance[rows, best], 80.0))
            delta_two.append(difference[rows, best])
            inside_all.append(inside.any(axis=1))
        both_best.append(np.stack(best_two))
        both_delta.append(np.stack(delta_two))
        tag = f"{lag:g}mm"
        out[f"break_near_{tag}"] = both_best[-1].min(axis=0)
        out[f"break_far_{tag}"] = both_best[-1].max(axis=0)
    # signed change against the continuation far away, on the side that continues best
    far = np.concatenate(both_best[1:]).reshape(-1, len(xy))
    deltas = np.concatenate(both_delta[1:]).reshape(-1, len(xy), 3)
    middle = np.median(deltas, axis=0)
    out["change_light"], out["change_a"], out["change_b"] = -middle[:, 0], -middle[:, 1], -middle[:, 2]
    out["break_median"] = np.median(far, axis=0)
    out["wire_runs_on"] = np.mean(inside_all, axis=0).astype(np.float32)


def _direction_field(maps: _Maps, at: _Window, window_mm: float) -> np.ndarray:
    """(h, w, 2) float32 (cos, sin) of twice the direction along the wires, at a quarter of the size."""
    k = round(window_mm * maps.s / 4) | 1
    xx, yy, xy = (
        cv2.blur(cv2.resize(at.half(m), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (k, k))
        for m in (maps.jxx, maps.jyy, maps.jxy)
    )
    # along the wires is across the gradient: twice the angle turns by 180 degrees
    return np.dstack([-(xx - yy), -2 * xy])


def _profile(maps: _Maps, xy: np.ndarray, along: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """The look across the bundle: valleys, width, contrast."""
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    at = xy[:, None, :] + (_PROFILE_MM * maps.s)[None, :, None] * across[:, None, :]
    light = sample(maps.fine, at)
    inside = sample(maps.solid, at) > 0.5
    step = np.abs(np.diff(light, axis=1))
    colour_step = np.linalg.norm(np.diff(light, axis=1), axis=2)
    pair = inside[:, 1:] & inside[:, :-1]
    count = np.maximum(pair.sum(axis=1), 1)
    out["across_step"] = (colour_step * pair).sum(axis=1) / count
    out["across_light_step"] = (step[..., 0] * pair).sum(axis=1) / count
    second = light[:, 2:, 0] - 2 * light[:, 1:-1, 0] + light[:, :-2, 0]
    core = inside[:, 2:] & inside[:, 1:-1] & inside[:, :-2]
    out["valleys_per_mm"] = ((second > 4) & core).sum(axis=1) / (np.maximum(core.sum(axis=1), 1) * 0.4)
    out["valley_depth"] = (np.maximum(second, 0) * core).sum(axis=1) / np.maximum(core.sum(axis=1), 1)
    middle = len(_PROFILE_MM) // 2
    left = np.cumprod(inside[:, middle::-1], axis=1).sum(axis=1)
    right = np.cumprod(inside[:, middle:], axis=1).sum(axis=1)
    out["width_across_mm"] = (left + right - 1) * 0.4
    out["off_axis"] = np.abs(left - right) / np.maximum(left + right, 1)


def _colours(maps: _Maps, at: _Window, out: dict[str, np.ndarray]) -> None:
    squared = maps.light * maps.light
    for mm in (1.0, 3.0):
        light = at.mean(maps.light, mm)
        out[f"light_{mm:g}mm"] = light
        out[f"chroma_{mm:g}mm"] = at.mean(maps.chroma, mm)
        square = at.mean(squared, mm)
        out[f"light_spread_{mm:g}mm"] = np.sqrt(np.maximum(square - light * light, 0))
    out["red_green"] = at.mean(maps.a, 1.0)
    out["yellow_blue"] = at.mean(maps.b, 1.0)
    colour = maps.chroma
    spread = at.mean(colour * colour, 3.0) - out["chroma_3mm"] ** 2
    out["chroma_spread_3mm"] = np.sqrt(np.maximum(spread, 0))
    hue_ok = (maps.a > 7) & (maps.b > 8) & (maps.b < 2.4 * maps.a) & (maps.b > 0.55 * maps.a)
    copper = (hue_ok & (maps.light > 25) & (maps.light < 92)).astype(np.float32)
    black = ((maps.light < 22) & (maps.chroma < 14)).astype(np.float32)
    brown = (hue_ok & (maps.light < 40)).astype(np.float32)
    glint = ((maps.light > 88) & (maps.chroma < 14)).astype(np.float32)
    for mm in (1.2, 3.0, 7.0):
        inside = at.mean(maps.solid, mm) + 1e-3
        out[f"copper_share_{mm:g}mm"] = at.mean(copper, mm) / inside
        out[f"black_share_{mm:g}mm"] = at.mean(black, mm) / inside
    inside = at.mean(maps.solid, 3.0) + 1e-3
    out["brown_share_3mm"] = at.mean(brown, 3.0) / inside
    out["glint_share_3mm"] = at.mean(glint * maps.solid, 3.0) / inside
    out["clipped_share_3mm"] = at.mean(maps.clipped, 3.0)


def _outline(maps: _Maps, at: _Window, out: dict[str, np.ndarray]) -> None:
    """Raggedness of the outline at 1-3 mm, notches, loose crumbs, thickness."""
    s, ix, iy = maps.s, at.ix, at.iy
    mask = maps.solid
    k = round(3.5 * s) | 1
    # two boxes stand in for a Gaussian of about 1 mm
    smooth = cv2.blur(cv2.blur(mask, (k // 2 | 1,) * 2), (k // 2 | 1,) * 2) > 0.5
    rough = np.abs(mask - smooth.astype(np.float32))
    out["edge_rough_4mm"] = at.mean(rough, 4.0)
    out["edge_rough_10mm"] = at.mean(rough, 10.0)
    for mm in (2.0, 5.0, 12.0):
        out[f"cover_{mm:g}mm"] = at.mean(mask, mm)
    thickness = np.float32(1 / s) * cv2.distanceTransform(maps.filled.astype(np.uint8), cv2.DIST_L2, 3)
    out["depth_mm"] = thickness[iy, ix]
    k = round(8 * s) | 1
    small = cv2.resize(thickness, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    widest = cv2.dilate(small, np.ones((k // 4 | 1, k // 4 | 1), np.uint8))
    out["half_width_mm"] = widest[np.minimum(iy // 4, small.shape[0] - 1), np.minimum(ix // 4, small.shape[1] - 1)]
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    area = stats[:, cv2.CC_STAT_AREA] / s**2
    crumb = (area < 9.0) & (np.arange(n) > 0)
    crumbs = crumb[labels].astype(np.float32)
    out["crumbs_14mm"] = np.log1p(1000 * at.mean(crumbs, 28.0))
    out["body_area_mm2"] = np.log1p(np.where(labels[iy, ix] > 0, area[labels[iy, ix]], 0.0))


def _relief(maps: _Maps, at: _Window, out: dict[str, np.ndarray]) -> None:
    """Thin dark and bright lines, and edges that do not follow the part's own two axes."""
    s = maps.s
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(1.6 * s) | 1, round(1.6 * s) | 1))
    light = np.minimum(maps.fine[..., 0], 100)
    dark_line = cv2.morphologyEx(light, cv2.MORPH_BLACKHAT, kernel)
    bright_line = cv2.morphologyEx(light, cv2.MORPH_TOPHAT, kernel)
    out["dark_line_2mm"] = at.mean(dark_line, 2.0)
    out["bright_line_2mm"] = at.mean(bright_line, 2.0)
    energy = maps.jxx + maps.jyy + 1e-6
    # fourfold angle: 0 and 90 degrees coincide, so a box has one axis
    difference = maps.jxx - maps.jyy
    c4 = (difference * difference - 4 * maps.jxy * maps.jxy) / energy
    s4 = 4 * difference * maps.jxy / energy
    big_c, big_s = at.mean(c4, 14.0), at.mean(s4, 14.0)
    norm = np.hypot(big_c, big_s) + 1e-6
    out["box_like_14mm"] = norm / (at.mean(energy, 14.0) + 1e-6)
    for mm in (2.5, 6.0):
        total = at.mean(energy, mm)
        aligned = (at.mean(c4, mm) * big_c + at.mean(s4, mm) * big_s) / norm
        out[f"off_axis_energy_{mm:g}mm"] = np.log1p(np.maximum(total - aligned, 0))
        out[f"edge_energy_{mm:g}mm"] = np.log1p(total)


def _cell_grid(domain: np.ndarray, pitch_px: float) -> np.ndarray:
    """Centres of a square grid that lie in the domain, (N, 2) int (x, y)."""
    step = max(2, round(pitch_px))
    ys, xs = np.mgrid[step // 2 : domain.shape[0] : step, step // 2 : domain.shape[1] : step]
    keep = domain[ys, xs]
    return np.stack([xs[keep], ys[keep]], axis=1)


def _cell_numbers(grid: np.ndarray, places: np.ndarray, step: int) -> np.ndarray:
    """Numbers of the cells at (..., 2) px places, -1 where there is none; grid : (N, 2) centres ``step`` px apart."""
    ij = grid // step
    size = ij.max(axis=0) + 1
    numbers = np.full((size[1], size[0]), -1)
    numbers[ij[:, 1], ij[:, 0]] = np.arange(len(grid))
    at = (places // step).astype(int)
    known = ((at >= 0) & (at < size)).all(axis=-1)
    at = np.clip(at, 0, size - 1)
    return np.where(known, numbers[at[..., 1], at[..., 0]], -1)


def cell_domain(foreground: Foreground, ground: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Where cells are laid: the assembly, its closed gaps, and pale parts only seen by their edges."""
    near = cv2.resize(foreground.filled.astype(np.uint8), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    k = max(1, round(4.0 * px_per_mm * 0.25))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * k + 1, 2 * k + 1))
    closed = cv2.morphologyEx(near, cv2.MORPH_CLOSE, kernel)
    full = cv2.resize(closed, (ground.shape[1], ground.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    return (full | foreground.filled) & ground


def describe_cells(even: EvenLight, foreground: Foreground, ground: np.ndarray, px_per_mm: float) -> Cells:
    """Lay cells over the assembly and describe each.

    Returns no cells when there is no assembly. All features are light-independent
    as far as the ground allows, and measured in millimetres and CIELAB units.
    """
    domain = cell_domain(foreground, ground, px_per_mm)
    grid = _cell_grid(domain, PITCH_MM * px_per_mm)
    if len(grid) == 0:
        return Cells(
            np.zeros((0, 2)), np.zeros((0, 0), np.float32), (), np.zeros((0, 2)), np.zeros((0, 2 * STEPS + 1), np.int32)
        )
    margin = round(20 * px_per_mm)
    x0, y0 = np.maximum(grid.min(axis=0) - margin, 0)
    x1, y1 = np.minimum(grid.max(axis=0) + margin + 1, [ground.shape[1], ground.shape[0]])
    cut = (slice(y0, y1), slice(x0, x1))
    maps = _Maps(even.lab[cut], foreground.solid[cut], foreground.filled[cut], even.clipped[cut], px_per_mm)
    ix, iy = grid[:, 0] - x0, grid[:, 1] - y0
    xy = np.stack([ix, iy], axis=1).astype(np.float32)
    out: dict[str, np.ndarray] = {}
    at = _Window(px_per_mm, ix, iy)
    along, coherence, energy = _direction(maps, at, 8.0)
    out["coherence_8mm"], out["energy_8mm"] = coherence, np.log1p(energy)
    near, near_coherence, near_energy = _direction(maps, at, 2.5)
    out["coherence_2.5mm"] = near_coherence
    out["turn_2.5mm"] = 1 - np.abs((near * along).sum(axis=1))
    out["energy_2.5mm"] = np.log1p(near_energy)
    for mm in (1.5, 4.0):
        out[f"along_change_{mm:g}mm"] = np.log1p(_along_energy(maps, at, along, mm))
    _colours(maps, at, out)
    _outline(maps, at, out)
    _relief(maps, at, out)
    _continuity(maps, xy, along, out)
    field = _direction_field(maps, at, 6.0)
    followed, places, inside = describe_lanes(maps.fine, maps.solid, field, xy, along, px_per_mm)
    out |= followed
    out |= describe_spots(maps.fine, maps.solid, ix, iy, px_per_mm)
    _profile(maps, xy, along, out)
    features = np.stack(list(out.values()), axis=1).astype(np.float32)
    step = max(2, round(PITCH_MM * px_per_mm))
    lanes = np.where(inside, _cell_numbers(grid, places + np.array([x0, y0]), step), -1).astype(np.int32)
    return Cells(grid.astype(np.float64), features, tuple(out), along, lanes)
