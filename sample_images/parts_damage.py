"""Broken housings: corners and latch arms broken off, terminals pushed out, and the pieces that lie beside them."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from sample_images.parts_canvas import Canvas, Patch, fixed_point, smooth_noise
from sample_images.parts_crack import add_cracks
from sample_images.sprites import DAMAGE_BROKEN, DAMAGE_FRAGMENT, DAMAGE_HOLLOW, DAMAGE_TERMINAL, Sprite, SpriteError

KINDS = ("crack", "corner", "lock", "displaced_terminal")
SIGNS = dict(zip(KINDS, ("cracked", "corner_missing", "lock_missing", "displaced_terminal"), strict=True))


@dataclass(frozen=True)
class HousingDamage:
    """What is broken: `kinds` out of crack, corner, lock, displaced_terminal; severity 0 slight .. 1 gross."""

    kinds: frozenset[str]
    severity: float = 0.5

    def __post_init__(self) -> None:
        object.__setattr__(self, "kinds", frozenset(self.kinds))
        if not self.kinds or not self.kinds <= set(KINDS):
            raise SpriteError(f"kinds: expected some of {', '.join(KINDS)}, got {sorted(self.kinds)}")
        if not 0 <= self.severity <= 1:
            raise SpriteError(f"severity: expected 0 to 1, got {self.severity}")


@dataclass(frozen=True, eq=False)
class Outcome:
    """What breaking did, measured on what was drawn."""

    entry_x_mm: tuple[float, ...]
    crack_length_mm: float = 0.0
    missing_area_mm2: float = 0.0
    displaced_terminals: int = 0
    signs: tuple[str, ...] = ()
    fragments: list[Sprite] = field(default_factory=list)


def break_housing(
    c: Canvas,
    rng: np.random.Generator,
    damage: HousingDamage | None,
    entries_mm: Sequence[tuple[float, float]],
    cols: int,
    wire_od_mm: float,
    lost_lock: Sprite | None,
) -> Outcome:
    """Do `damage` to the finished housing on `c`. The lock was broken off while modelling; `lost_lock` is its piece."""
    entry_x = [0.0] * len(entries_mm)
    if damage is None:
        return Outcome(tuple(entry_x))
    fragments = [lost_lock] if lost_lock is not None else []
    missing = crack = 0.0
    if "corner" in damage.kinds:
        missing, pieces = _break_corner(c, rng, damage.severity, [y for y, _ in entries_mm[:cols]])
        fragments += pieces
    if "crack" in damage.kinds:
        crack = add_cracks(c, rng, damage.severity)
    displaced = 0
    if "displaced_terminal" in damage.kinds:
        displaced = _displace(c, rng, damage.severity, entries_mm, cols, wire_od_mm, entry_x)
    if damage.kinds & {"corner", "crack"}:
        fragments += _crumbs(c, rng, damage.severity)
    done = {"crack": crack > 0, "corner": missing > 0, "lock": True, "displaced_terminal": displaced > 0}
    signs = tuple(SIGNS[k] for k in KINDS if k in damage.kinds and done[k])
    return Outcome(tuple(entry_x), crack, missing, displaced, signs, fragments)


def jagged(rng: np.random.Generator, a: np.ndarray, b: np.ndarray, rough: float, levels: int = 6) -> np.ndarray:
    """(N, 2) irregular fracture line from a to b by midpoint displacement; `rough` is sideways throw per length."""
    points = np.array([a, b], float)
    for _ in range(levels):
        mid, step = (points[:-1] + points[1:]) / 2, np.diff(points, axis=0)
        throw = np.clip(rng.normal(0, rough, len(step)), -2 * rough, 2 * rough)
        mid = mid + np.stack([-step[:, 1], step[:, 0]], 1) * throw[:, None]
        merged = np.empty((len(points) + len(mid), 2))
        merged[::2], merged[1::2] = points, mid
        points = merged
    return points


def fill(c: Canvas, polygon_mm: np.ndarray) -> np.ndarray:
    """(h, w) bool: inside of a polygon."""
    out = np.zeros(c.shape, np.uint8)
    cv2.fillPoly(out, [fixed_point(c.to_px(polygon_mm))], 1, cv2.LINE_8, 4)
    return out.astype(bool)


def broken_face(c: Canvas, rng: np.random.Generator, face: np.ndarray, rise: np.ndarray) -> None:
    """Turn `face` into rough fracture: lighter, matt, `rise` (0 deep .. 1 full) of its former height."""
    rough = 0.75 * smooth_noise(rng, c.shape, 0.5 * c.ppm) + 0.6 * smooth_noise(rng, c.shape, 1.3 * c.ppm)
    z = c.height * np.clip(rise + 0.09 * rough, 0.06, 1.0)
    c.height = np.where(face, np.minimum(z, c.height), c.height).astype(np.float32)
    pale = np.clip(c.albedo * rng.uniform(1.3, 1.9) + rng.uniform(0.02, 0.09), 0, 0.85)
    share = np.clip(0.75 + 0.15 * rough, 0, 1)[..., None] * face[..., None]
    c.albedo = (c.albedo + share * (pale - c.albedo)).astype(np.float32)
    c.gloss = np.where(face, 0.05, c.gloss).astype(np.float32)
    c.metal = np.where(face, 0, c.metal).astype(np.float32)
    c.damage[face] = DAMAGE_BROKEN


def _corner_polygon(c: Canvas, rng: np.random.Generator, severity: float) -> np.ndarray:
    """(N, 2) mm: what lies beyond a fracture line across a corner, or across a bite out of the front edge."""
    front = rng.random() < 0.7
    x = np.array([0.0, float(c.x[0, c.mask.any(0)].max())])
    near = (c.x[0] > x[1] - 1.5) if front else (c.x[0] > 0) & (c.x[0] < 1.5)
    rows = c.y[c.mask[:, near].any(1), 0]
    y = np.array([float(rows.min()), float(rows.max())])
    limit = np.array([x[1] - x[0], y[1] - y[0]]) * (0.45 if severity > 0.4 else 0.35)
    a, b = np.minimum(rng.uniform(2.5 + 2.5 * severity, 5 + 12 * severity, 2), limit)
    if front and rng.random() < 0.25:  # bite out of the front edge
        m = rng.uniform(y[0] + 0.3 * (y[1] - y[0]), y[1] - 0.3 * (y[1] - y[0]))
        p, q, deep = np.array([x[1], m - a]), np.array([x[1], m + a]), np.array([x[1] - b, m])
        line = np.vstack([jagged(rng, p, deep, 0.26, 5), jagged(rng, deep, q, 0.26, 5)[1:]])
        return np.vstack([line, [[x[1] + 4, m + a], [x[1] + 4, m - a]]])
    cx, sx = (x[1], -1) if front else (x[0], 1)
    cy, sy = (y[0], 1) if rng.random() < 0.5 else (y[1], -1)
    p, q = np.array([cx + sx * a, cy]), np.array([cx, cy + sy * b])
    line = jagged(rng, p, q, rng.uniform(0.14, 0.3))
    out = 4 if front else 0
    beyond = [[cx - sx * out, q[1]], [cx - sx * out, cy - sy * 4], [p[0], cy - sy * 4]]
    return np.vstack([line, beyond])


def _lost_corner(c: Canvas, rng: np.random.Generator, severity: float) -> np.ndarray:
    """(h, w) bool: what breaks off; drawn again while it is but a crumb."""
    gone = np.zeros(c.shape, bool)
    for _ in range(12):
        gone = fill(c, _corner_polygon(c, rng, severity)) & c.mask
        if gone.sum() >= 3.0 * c.ppm**2:
            break
    count, labels, stats, _ = cv2.connectedComponentsWithStats((c.mask & ~gone).astype(np.uint8), connectivity=4)
    if count > 2:  # what hung on the corner alone goes with it
        gone = c.mask & (labels != 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))
    return gone


def _break_corner(
    c: Canvas, rng: np.random.Generator, severity: float, cavity_y: Sequence[float]
) -> tuple[float, list[Sprite]]:
    """Take the corner off; returns the outline area lost in mm² and the piece when it was found."""
    before = copy.deepcopy(c)
    gone = _lost_corner(c, rng, severity)
    reach = cv2.distanceTransform((~gone).astype(np.uint8), cv2.DIST_L2, 5) / c.ppm
    width = np.clip(rng.uniform(0.7, 2.6) * (1 + 0.5 * smooth_noise(rng, c.shape, 1.6 * c.ppm)), 0.3, 4.5)
    c.mask &= ~gone
    c.height[gone] = 0
    face = c.mask & (reach < width)
    broken_face(c, rng, face, rng.uniform(0.15, 0.5) + 0.6 * reach / width)
    _open_cavities(c, rng, face & (reach < 0.75 * width), cavity_y)
    pieces = []
    if rng.random() < 0.85 and gone.any():
        pieces.append(_fragment(before, rng, gone, rng.uniform(0, 2 * np.pi), rng.uniform(0.35, 0.9)))
    return float(gone.sum()) / c.ppm**2, pieces


def _open_cavities(c: Canvas, rng: np.random.Generator, face: np.ndarray, cavity_y: Sequence[float]) -> None:
    """Where the fracture runs through cavities their dark inside shows between the walls, at times a terminal in it."""
    half = 0.32 * (abs(cavity_y[1] - cavity_y[0]) if len(cavity_y) > 1 else 3.0)
    for y in cavity_y:
        inside = c.whole((face & (np.abs(c.y - y) < half)).astype(np.float32))
        c.set_height(inside, 0.3 * c.height)
        c.shade(inside, 0.3)
        if rng.random() < 0.4:
            blade = c.whole((face & (np.abs(c.y - y) < half * 0.5)).astype(np.float32))
            c.paint(blade, (0.5, 0.48, 0.45))
            c.material(blade, 0.5, 0.9)
            c.raise_by(blade, 0.8)


def break_latch(
    c: Canvas,
    rng: np.random.Generator,
    x: tuple[float, float],
    y: tuple[float, float],
    top_mm: float,
    severity: float,
) -> Sprite | None:
    """Break the latch arm off at its front hinge, ragged; stubs stay. Returns the arm when it was found."""
    before = copy.deepcopy(c)
    keep = rng.uniform(0.08, 0.4 - 0.2 * severity) * (x[1] - x[0])
    ends = np.array([[x[1] - keep, y[0] - 0.9], [x[1] - keep * rng.uniform(0.4, 1.3), y[1] + 0.9]])
    line = jagged(rng, ends[0], ends[1], 0.2, 5)
    gone = fill(c, np.vstack([line, [[x[0] - 0.1, y[1] + 0.9], [x[0] - 0.1, y[0] - 0.9]]])) & c.mask
    floor = top_mm - rng.uniform(1.6, 2.8)
    arm = gone & (before.height > top_mm - 0.9) & (c.x >= x[0] - 0.1)
    arm &= np.abs(c.y - sum(y) / 2) <= (y[1] - y[0]) / 2 + 0.9
    c.height[arm] = floor
    c.albedo[arm] *= 0.7
    reach = cv2.distanceTransform((~arm).astype(np.uint8), cv2.DIST_L2, 5) / c.ppm
    stub = c.mask & ~gone & (reach < rng.uniform(0.6, 1.3)) & (c.x > x[0] + 0.3 * (x[1] - x[0])) & _between(c, y)
    broken_face(c, rng, stub, 0.82 + 0.12 * reach)
    scar = arm & (cv2.erode(arm.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    c.damage[scar] = DAMAGE_HOLLOW
    if rng.random() < 0.65 and arm.any():
        return _fragment(before, rng, arm, rng.normal(0, 0.15), rng.uniform(0.93, 0.99))
    return None


def _between(c: Canvas, y: tuple[float, float]) -> np.ndarray:
    return (c.y > y[0] - 0.2) & (c.y < y[1] + 0.2)


def _fragment(before: Canvas, rng: np.random.Generator, piece: np.ndarray, turn: float, share: float) -> Sprite:
    """The broken-off piece as it lies on the bench. Beyond `share` of it in direction `turn` (rad) it is fracture."""
    count, labels, stats, centres = cv2.connectedComponentsWithStats(piece.astype(np.uint8), connectivity=8)
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])) if count > 1 else 1
    c = copy.deepcopy(before)
    c.mask = labels == largest
    cx, cy = centres[largest]
    inner = cv2.distanceTransform(c.mask.astype(np.uint8), cv2.DIST_L2, 5) / c.ppm
    relief = c.height - float(np.median(c.height[c.mask]))
    slope = rng.normal(0, 0.22, 2)
    px = np.arange(c.shape[1])[None, :] - cx
    py = np.arange(c.shape[0])[:, None] - cy
    base = rng.uniform(1.2, 3.2)
    z = base + np.clip(relief, -1.0, 1.5) + (slope[0] * px + slope[1] * py) / c.ppm
    c.height = np.clip(np.minimum(z, 0.4 + 2.5 * inner), 0.3, 9).astype(np.float32)
    along = np.cos(turn) * px + np.sin(turn) * py + 0.8 * c.ppm * smooth_noise(rng, c.shape, 1.5 * c.ppm)
    facet = c.mask & (along > np.quantile(along[c.mask], share))
    broken_face(c, rng, facet, 1.0 - 0.12 * np.abs(smooth_noise(rng, c.shape, 2 * c.ppm)))
    c.damage[c.mask] = DAMAGE_FRAGMENT
    c.x0, c.y0 = -cx / c.ppm, -cy / c.ppm
    return _as_fragment(c)


def _as_fragment(c: Canvas) -> Sprite:
    rows, cols = np.flatnonzero(c.mask.any(1)), np.flatnonzero(c.mask.any(0))
    size = (np.ptp(cols) / c.ppm, np.ptp(rows) / c.ppm, c.height[c.mask].max())
    l, w, h = (float(v) for v in size)
    return c.sprite("fragment", entries_mm=(), entry_x_mm=(), size_mm=(l, w, h), colour="")


def _crumbs(c: Canvas, rng: np.random.Generator, severity: float) -> list[Sprite]:
    """Tiny splinters of the housing's plastic."""
    red, green, blue = (float(v) for v in np.median(c.albedo[c.mask], axis=0))
    out = []
    for _ in range(rng.integers(0, 2 + round(5 * severity))):
        r = rng.uniform(0.25, 0.9)
        crumb = Canvas((-2, 2), (-2, 2), c.ppm, (red, green, blue))
        angles = np.sort(rng.uniform(0, 2 * np.pi, 6))
        points = np.stack([np.cos(angles), np.sin(angles)], 1) * r * rng.uniform(0.5, 1.3, (6, 1))
        crumb.mask = fill(crumb, points)
        crumb.mask |= np.hypot(crumb.x, crumb.y) < 0.12
        crumb.height = (crumb.mask * rng.uniform(0.2, 0.9)).astype(np.float32)
        crumb.albedo *= 1 + 0.2 * smooth_noise(rng, crumb.shape, 2)[..., None]
        crumb.damage[crumb.mask] = DAMAGE_FRAGMENT
        out.append(_as_fragment(crumb))
    return out


def _displace(
    c: Canvas,
    rng: np.random.Generator,
    severity: float,
    entries_mm: Sequence[tuple[float, float]],
    cols: int,
    wire_od_mm: float,
    entry_x: list[float],
) -> int:
    """Push one or two terminals of the top row out of the rear; writes where their wires now end."""
    edge = c.to_px(np.array([[0.6, y] for y, _ in entries_mm[:cols]])).round().astype(int)
    held = np.flatnonzero(c.mask[edge[:, 1], edge[:, 0]])  # not where the rear is broken off
    if not len(held):
        held = np.arange(cols)
    count = min(1 + int(rng.random() < 0.3 * severity), len(held))
    for i in rng.choice(held, count, replace=False):
        y, z = entries_mm[i]
        out = rng.uniform(2.0, 3.5 + 5 * severity)
        rear = -float(c.x[0, c.mask[edge[i, 1]]].min(initial=0.0))
        if rear > 1.0:  # a collar behind the housing hides what is not pushed out beyond it
            out = max(out, rear + 2.0)
        _terminal(c, rng, y, z, out, wire_od_mm)
        entry_x[i] = -out
    return count if (c.damage == DAMAGE_TERMINAL).any() else 0


def _terminal(c: Canvas, rng: np.random.Generator, y: float, z: float, out: float, wire_od_mm: float) -> None:
    """Crimp wings on the wire, waist, and the box that should be inside the cavity."""
    half = rng.uniform(0.42, 0.6) * max(wire_od_mm, 1.2)
    slant = rng.normal(0, 0.08)
    tin = (0.6, 0.59, 0.57) if rng.random() < 0.7 else (0.55, 0.36, 0.17)
    parts = (  # start and end along the terminal (0: wire side), half width, height above the axis
        (0.0, 0.26, half * 1.15, half * 1.1),
        (0.26, 0.34, half * 0.7, half * 0.3),
        (0.34, 0.56, half * 0.9, half * 0.7),
        (0.56, 0.66, half * 0.7, half * 0.2),
        (0.66, 1.05, half * 1.05, half * 0.9),
    )
    for s0, s1, w, h in parts:
        x = (-out + s0 * out, -out + s1 * out)
        mid = y + slant * (sum(x) / 2)
        p = c.rect(x, (mid - w, mid + w), 0.15)
        inside = (p.cover > 0.5) & (~c.mask[p.window] | (c.height[p.window] < z + h)) & (c.x[:, p.window[1]] < 0.05)
        q = Patch(p.window, inside.astype(np.float32), p.u, p.v)
        round_top = np.sqrt(np.maximum(1 - 0.7 * (2 * p.v - 1) ** 2, 0))
        c.set_height(q, z + h * round_top * (1 - 0.25 * (np.abs(2 * p.v - 1) < 0.15)))
        c.paint(q, tin)
        c.material(q, float(rng.uniform(0.5, 0.8)), 1.0)
        c.mask[p.window] |= inside
        c.damage[p.window][inside] = DAMAGE_TERMINAL
