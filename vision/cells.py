"""Dense evidence: a grid of cells over the assembly, each described by named physical features."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.cell_maps import HalfMaps, full_scale, halved
from vision.lanes import STEPS, describe_lanes, distance3, sample
from vision.light import EvenLight
from vision.ripples import describe_ripples
from vision.segment import Foreground
from vision.spots import describe_spots

FEATURE_VERSION = "8"
PITCH_MM = 1.2

_LAGS_MM = (3.0, 6.0, 11.0, 18.0)
_SIDE_MM = np.arange(-1.5, 1.51, 0.5).astype(np.float32)
_PROFILE_MM = np.arange(-6.0, 6.01, 0.4).astype(np.float32)
_CLEAR_VALLEY, _LEAST_VALLEY = np.float32(0.065), 2.0
"""Change of slope that counts as a valley between wires: as a share of L + 16 beside it, and in L above noise."""


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


@dataclass(frozen=True)
class _Sampled:
    """What is sampled off the pixel grid, at half the canvas's size.

    picture : (h, w, 4) float32, smoothed CIELAB and the share of assembly, 0..1; s : px per mm of it;
    xy : (N, 2) float32 cells in it; along, across : (N, 2) float32 unit vectors
    """

    picture: np.ndarray
    s: np.float32
    xy: np.ndarray
    along: np.ndarray
    across: np.ndarray


def _sampled(at: HalfMaps, along: np.ndarray) -> _Sampled:
    # 0.4 mm at full size, less what halving and sampling between pixels smooth themselves
    sigma = 0.5 * np.sqrt(max((0.4 * at.s) ** 2 - 0.75, 0.1))
    picture = np.empty((*at.shape, 4), np.float32)
    picture[..., :3] = cv2.GaussianBlur(at.lab, (0, 0), sigma)
    picture[..., 3] = at.maps["solid"] * np.float32(1 / 255)
    xy = (np.stack([at.ix, at.iy], axis=1).astype(np.float32) + np.float32(0.5)) / 2 - np.float32(0.5)
    along = along.astype(np.float32)
    return _Sampled(picture, np.float32(at.s / 2), xy, along, np.stack([-along[:, 1], along[:, 0]], axis=1))


def _tensor(at: HalfMaps, window_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return at.mean("jxx", window_mm), at.mean("jyy", window_mm), at.mean("jxy", window_mm)


def _direction(at: HalfMaps, window_mm: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Direction along the wires (least colour change), its coherence and the energy, at cells."""
    xx, yy, xy = _tensor(at, window_mm)
    difference, total = xx - yy, xx + yy + 1e-6
    angle = 0.5 * np.arctan2(2 * xy, difference) + np.pi / 2
    coherence = np.hypot(difference, 2 * xy) / total
    return np.stack([np.cos(angle), np.sin(angle)], axis=1), coherence, total


def _along_energy(at: HalfMaps, along: np.ndarray, window_mm: float) -> np.ndarray:
    """Colour change energy along the wire direction in a window, (L/mm)²."""
    xx, yy, xy = _tensor(at, window_mm)
    dx, dy = along[:, 0], along[:, 1]
    return np.maximum(dx * dx * xx + 2 * dx * dy * xy + dy * dy * yy, 0)


def _continuity(look: _Sampled, out: dict[str, np.ndarray]) -> None:
    """How well each cell's colour continues along the wire: best match at several distances, both ways."""
    count = len(look.xy)
    here = sample(look.picture, look.xy)[:, :3]
    lags = np.array([way * lag for lag in _LAGS_MM for way in (-1.0, 1.0)], np.float32) * look.s
    base = look.xy + lags[:, None, None] * look.along
    there = sample(look.picture, base[:, :, None, :] + (_SIDE_MM * look.s)[:, None] * look.across[:, None, :])
    inside = there[..., 3] > 0.5
    difference = there[..., :3] - here[:, None, :]
    distance = distance3(difference) + np.float32(60.0) * ~inside
    best = distance.argmin(axis=2)[..., None]
    two = np.minimum(np.take_along_axis(distance, best, 2)[..., 0], 80.0).reshape(len(_LAGS_MM), 2, count)
    delta = np.take_along_axis(difference, best[..., None], 2)[:, :, 0]
    for k, lag in enumerate(_LAGS_MM):
        out[f"break_near_{lag:g}mm"] = two[k].min(axis=0)
        out[f"break_far_{lag:g}mm"] = two[k].max(axis=0)
    # signed change against the continuation far away, on the side that continues best
    middle = np.median(delta[2:], axis=0)
    out["change_light"], out["change_a"], out["change_b"] = -middle[:, 0], -middle[:, 1], -middle[:, 2]
    out["break_median"] = np.median(two[1:].reshape(-1, count), axis=0)
    out["wire_runs_on"] = np.mean(inside.any(axis=2), axis=0).astype(np.float32)


def _direction_field(at: HalfMaps, window_mm: float) -> np.ndarray:
    """(h, w, 2) float32 (cos, sin) of twice the direction along the wires, at a quarter of the canvas's size."""
    k = round(window_mm * at.s / 4) | 1
    xx, yy, xy = (cv2.blur(halved(at.maps[name]), (k, k)) for name in ("jxx", "jyy", "jxy"))
    # along the wires is across the gradient: twice the angle turns by 180 degrees
    return cv2.merge([yy - xx, -2 * xy])


def _profile(look: _Sampled, out: dict[str, np.ndarray]) -> None:
    """The look across the bundle: valleys, width, contrast."""
    found = sample(look.picture, look.xy[:, None, :] + (_PROFILE_MM * look.s)[None, :, None] * look.across[:, None, :])
    light, inside = found[..., 0], found[..., 3] > 0.5
    step = np.diff(found[..., :3], axis=1)
    pair = inside[:, 1:] & inside[:, :-1]
    count = np.maximum(pair.sum(axis=1), 1)
    out["across_step"] = (distance3(step) * pair).sum(axis=1) / count
    out["across_light_step"] = (np.abs(step[..., 0]) * pair).sum(axis=1) / count
    second = light[:, 2:] - 2 * light[:, 1:-1] + light[:, :-2]
    core = inside[:, 2:] & inside[:, 1:-1] & inside[:, :-2]
    # L + 16 goes with the cube root of light: the same relief on a darker wire bends it less in this proportion
    clear = np.maximum(_CLEAR_VALLEY * (0.5 * (light[:, 2:] + light[:, :-2]) + 16), np.float32(_LEAST_VALLEY))
    out["valleys_per_mm"] = ((second > clear) & core).sum(axis=1) / (np.maximum(core.sum(axis=1), 1) * 0.4)
    out["valley_depth"] = (np.maximum(second, 0) * core).sum(axis=1) / np.maximum(core.sum(axis=1), 1)
    middle = len(_PROFILE_MM) // 2
    left = np.cumprod(inside[:, middle::-1], axis=1).sum(axis=1)
    right = np.cumprod(inside[:, middle:], axis=1).sum(axis=1)
    out["width_across_mm"] = (left + right - 1) * 0.4
    out["off_axis"] = np.abs(left - right) / np.maximum(left + right, 1)


def _share(at: HalfMaps, kind: str, mm: float) -> np.ndarray:
    """Share of the assembly in a window that is of one kind, 0..1.

    At the rim of an odd canvas the halved masks lie half a pixel apart: where hardly any assembly is, held to 1.
    """
    return np.minimum(at.mean(kind, mm) / (at.mean("solid", mm) + 1e-3), 1.0)


def _colours(at: HalfMaps, out: dict[str, np.ndarray]) -> None:
    for mm in (1.0, 3.0):
        light = at.mean("light", mm)
        out[f"light_{mm:g}mm"] = light
        out[f"chroma_{mm:g}mm"] = at.mean("chroma", mm)
        out[f"light_spread_{mm:g}mm"] = np.sqrt(np.maximum(at.mean("light_square", mm) - light * light, 0))
    out["red_green"] = at.mean("a", 1.0)
    out["yellow_blue"] = at.mean("b", 1.0)
    spread = at.mean("chroma_square", 3.0) - out["chroma_3mm"] ** 2
    out["chroma_spread_3mm"] = np.sqrt(np.maximum(spread, 0))
    for mm in (1.2, 3.0, 7.0):
        out[f"copper_share_{mm:g}mm"] = _share(at, "copper", mm)
        out[f"black_share_{mm:g}mm"] = _share(at, "black", mm)
    out["brown_share_3mm"] = _share(at, "brown", 3.0)
    out["glint_share_3mm"] = _share(at, "glint", 3.0)
    out["clipped_share_3mm"] = at.mean("clipped", 3.0)


def _outline(at: HalfMaps, solid: np.ndarray, filled: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """Raggedness of the outline at 1-3 mm, notches, loose crumbs, thickness."""
    s, ix, iy = at.s, at.ix, at.iy
    mask = solid.view(np.uint8)
    k = (round(3.5 * s) | 1) // 2 | 1
    # two boxes stand in for a Gaussian of about 1 mm
    smooth = cv2.blur(cv2.blur(full_scale(solid), (k, k)), (k, k))
    at.maps["rough"] = halved(full_scale((smooth > 127) ^ solid))
    out["edge_rough_4mm"] = at.mean("rough", 4.0)
    out["edge_rough_10mm"] = at.mean("rough", 10.0)
    for mm in (2.0, 5.0, 12.0):
        out[f"cover_{mm:g}mm"] = at.mean("solid", mm)
    body = (halved(full_scale(filled)) > 127).astype(np.uint8)
    # half a pixel less: at half size the next pixel outside lies that much farther
    thickness = np.maximum(2 * cv2.distanceTransform(body, cv2.DIST_L2, 3) - 0.5, 0) * np.float32(1 / s)
    out["depth_mm"] = thickness[iy // 2, ix // 2]
    small = halved(thickness)
    k = (round(8 * s) | 1) // 4 | 1
    out["half_width_mm"] = cv2.dilate(small, np.ones((k, k), np.uint8))[iy // 4, ix // 4]
    n, labels = cv2.connectedComponents(mask, connectivity=8)
    set_at = np.flatnonzero(mask)
    which = labels.reshape(-1)[set_at]
    area = np.bincount(which, minlength=n) / s**2
    crumbs: np.ndarray = np.zeros(mask.size, np.uint8)
    crumbs[set_at[(area < 9.0)[which]]] = 1
    crumbs = crumbs.reshape(mask.shape)
    at.maps["crumbs"] = halved(crumbs * np.uint8(255))
    out["crumbs_14mm"] = np.log1p(1000 * at.mean("crumbs", 28.0))
    mine = labels[iy, ix]
    out["body_area_mm2"] = np.log1p(np.where(mine > 0, area[mine], 0.0))


def _relief(at: HalfMaps, fine_light: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """Thin dark and bright lines, and edges that do not follow the part's own two axes."""
    k = round(0.8 * at.s) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
    light = np.minimum(fine_light, np.float32(100))
    at.maps["dark_line"] = cv2.morphologyEx(light, cv2.MORPH_BLACKHAT, kernel)
    at.maps["bright_line"] = cv2.morphologyEx(light, cv2.MORPH_TOPHAT, kernel)
    out["dark_line_2mm"] = at.mean("dark_line", 2.0)
    out["bright_line_2mm"] = at.mean("bright_line", 2.0)
    big_c, big_s = at.mean("c4", 14.0), at.mean("s4", 14.0)
    norm = np.hypot(big_c, big_s) + 1e-6
    out["box_like_14mm"] = norm / (at.mean("energy", 14.0) + 1e-6)
    for mm in (2.5, 6.0):
        total = at.mean("energy", mm)
        aligned = (at.mean("c4", mm) * big_c + at.mean("s4", mm) * big_s) / norm
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
    # even corners: halves of the window are halves of the canvas
    x0, y0 = np.maximum(grid.min(axis=0) - margin, 0) // 2 * 2
    x1, y1 = np.minimum(grid.max(axis=0) + margin + 1, [ground.shape[1], ground.shape[0]])
    cut = (slice(y0, y1), slice(x0, x1))
    ix, iy = grid[:, 0] - x0, grid[:, 1] - y0
    solid, filled = np.ascontiguousarray(foreground.solid[cut]), np.ascontiguousarray(foreground.filled[cut])
    at = HalfMaps(even.lab[cut], solid, even.clipped[cut], px_per_mm, ix, iy)
    out, along, places, inside = _described(at, solid, filled)
    features = np.stack(list(out.values()), axis=1).astype(np.float32)
    step = max(2, round(PITCH_MM * px_per_mm))
    lanes = np.where(inside, _cell_numbers(grid, places + np.array([x0, y0]), step), -1).astype(np.int32)
    return Cells(grid.astype(np.float64), features, tuple(out), along, lanes)


def _described(
    at: HalfMaps, solid: np.ndarray, filled: np.ndarray
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray, np.ndarray]:
    """All features of the cells, their directions, and their lanes: places, window px, and whether on the assembly."""
    out: dict[str, np.ndarray] = {}
    along, coherence, energy = _direction(at, 8.0)
    out["coherence_8mm"], out["energy_8mm"] = coherence, np.log1p(energy)
    near, near_coherence, near_energy = _direction(at, 2.5)
    out["coherence_2.5mm"] = near_coherence
    out["turn_2.5mm"] = 1 - np.abs((near * along).sum(axis=1))
    out["energy_2.5mm"] = np.log1p(near_energy)
    for mm in (1.5, 4.0):
        out[f"along_change_{mm:g}mm"] = np.log1p(_along_energy(at, along, mm))
    look = _sampled(at, along)
    fine = cv2.split(look.picture)
    _colours(at, out)
    _outline(at, solid, filled, out)
    _relief(at, fine[0], out)
    _continuity(look, out)
    field = _direction_field(at, 6.0)
    followed, places, inside = describe_lanes(look.picture, field, look.xy, look.along, float(look.s))
    out |= followed
    out |= describe_spots(look.picture, at.ix // 2, at.iy // 2, float(look.s))
    _profile(look, out)
    out |= describe_ripples(look.picture, look.xy, look.along, look.s.item())
    return out, along, 2 * places + np.float32(0.5), inside
