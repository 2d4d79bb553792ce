"""Connector housings of many families seen from above: planned by lot, modelled, weathered, broken."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from sample_images import parts_relief as relief
from sample_images.parts_canvas import PLASTICS, RGB, Canvas, jitter_colour, rounded_box
from sample_images.parts_damage import HousingDamage, Outcome, break_housing, break_latch
from sample_images.parts_features import ROOM_MM, add_features, other_plan
from sample_images.sprites import Sprite, SpriteError

__all__ = ["HousingDamage", "HousingPlan", "draw_plan", "make_housing"]

FAMILIES = ("latched", "sealed", "windowed", "barrel", "round", "lever", "plain")
MAX_WIRES = 64
REAR_ROOM_MM = 10.0  # for seals and terminals that hang out
RUBBER: tuple[RGB, ...] = (
    (0.03, 0.11, 0.42), (0.03, 0.3, 0.1), (0.6, 0.17, 0.03), (0.55, 0.53, 0.5), (0.3, 0.04, 0.03),
)  # fmt: skip
LATCHED = {"latched": 1.0, "sealed": 1.0, "windowed": 0.35, "barrel": 0.7, "lever": 0.2}  # share with an arm on top


@dataclass(frozen=True)
class HousingPlan:
    """What kind of housing: sizes in mm (length along x, width along y), its places in x and y from the anchor."""

    family: str
    rows: int
    cols: int
    pitch_mm: float
    length_mm: float
    width_mm: float
    height_mm: float
    corner_mm: float
    fillet_mm: float
    colour: str
    rgb: RGB
    accent: RGB
    latch_x: tuple[float, float]
    latch_y: tuple[float, float]
    latch: bool
    flange_mm: float  # how far a front collar stands out, 0: none
    lip_mm: float  # length of a raised rear lip, 0: none
    step_mm: float  # front part higher (+) or lower (-)
    nose_mm: float  # how much narrower the front is on each side
    chamfer_mm: float
    chamfer_side: int  # -1 or 1: which front corner is cut by design
    side_locks: bool
    seals: bool
    simple: bool = False  # none of its family's reliefs

    @property
    def cavity_y_mm(self) -> np.ndarray:
        """(cols,) y of the cavity columns."""
        return (np.arange(self.cols) - (self.cols - 1) / 2) * self.pitch_mm

    @property
    def cavity_z_mm(self) -> np.ndarray:
        """(rows,) heights of the cavity rows above the bench, lowest first."""
        wall = min(1.6, self.height_mm * 0.14)
        row = (self.height_mm - 2 * wall) / self.rows
        return wall + (np.arange(self.rows) + 0.5) * row

    @property
    def entries_mm(self) -> tuple[tuple[float, float], ...]:
        """(y, z) per cavity, top row first."""
        return tuple((float(y), float(z)) for z in self.cavity_z_mm[::-1] for y in self.cavity_y_mm)


def _draw_sizes(
    rng: np.random.Generator, n_wires: int, wire_od_mm: float
) -> tuple[int, int, float, float, float, float]:
    """Rows, columns, and in mm pitch, length, width, height."""
    least_cavities = int(rng.choice([2, 3, 4, 6, 8], p=[0.3, 0.2, 0.2, 0.2, 0.1]))
    cavities = max(least_cavities, n_wires, math.ceil(n_wires * rng.choice([1.0, 1.0, 1.25, 1.7])))
    floor = wire_od_mm + 0.35
    least = math.ceil(cavities * floor / 41)
    rows = int(np.clip(rng.choice([1, 2, 2, 3, 4], p=_row_odds(cavities)), least, 4))
    cols = max(math.ceil(cavities / rows), 2 if rows == 1 else 1)
    pitch = float(min(rng.uniform(floor, floor + rng.choice([2.6, 4.5])), 41 / cols))
    wall = rng.uniform(1.0, 2.2)
    width = float(np.clip(cols * pitch + 2 * wall, 8, 45))
    height = float(np.clip(rows * rng.uniform(wire_od_mm + 1.4, wire_od_mm + 3.6) + 2.2, 6, 20))
    length = float(np.clip(rng.uniform(13, 36) * rng.uniform(0.8, 1.1 + 0.006 * width), 10, 45))
    return rows, cols, pitch, length, width, height


def draw_plan(rng: np.random.Generator, n_wires: int, wire_od_mm: float = 1.8) -> HousingPlan:
    """A housing with at least `n_wires` cavities, wide enough for wires of `wire_od_mm` where 45 mm allow it."""
    if not 1 <= n_wires <= MAX_WIRES:
        raise SpriteError(f"n_wires: expected 1 to {MAX_WIRES}, got {n_wires}; split the wires over more housings")
    if not 0.5 <= wire_od_mm <= 8:
        raise SpriteError(f"wire_od_mm: expected 0.5 to 8, got {wire_od_mm}")
    family = str(rng.choice(FAMILIES))
    rows, cols, pitch, length, width, height = _draw_sizes(rng, n_wires, wire_od_mm)
    if family == "round" and width > 26:
        family = "barrel"
    colour = str(rng.choice(list(PLASTICS), p=_colour_odds()))
    accents = [k for k in ("RD", "YE", "BU", "WH", "GY", "OG", "VT", "GN", "PK") if k != colour]
    x0 = length * rng.uniform(0.05, 0.3)
    half = min(width * rng.uniform(0.16, 0.36), 7.5)
    mid = 0.0 if rng.random() < 0.7 else rng.uniform(-0.5, 0.5) * max(width / 2 - half - 2, 0)
    return HousingPlan(
        family, rows, cols, pitch, length, width, height,
        corner_mm=rng.uniform(0.4, 2.0) if family != "sealed" else min(rng.uniform(2, 6), width / 3),
        fillet_mm=rng.uniform(0.25, 1.0) if family != "sealed" else rng.uniform(0.8, 2.5),
        colour=colour,
        rgb=jitter_colour(rng, PLASTICS[colour]),
        accent=jitter_colour(rng, PLASTICS[str(rng.choice(accents))]),
        latch_x=(x0, x0 + (length - x0) * rng.uniform(0.55, 0.92)),
        latch_y=(mid - half, mid + half),
        latch=bool(rng.random() < LATCHED.get(family, 0.0)),
        flange_mm=float(rng.choice([0, 0, rng.uniform(0.6, 2.2)])),
        lip_mm=float(rng.choice([0, rng.uniform(1.2, 3.5)])),
        step_mm=float(rng.choice([0, rng.uniform(0.5, 2.0), -rng.uniform(0.5, 2.0)])),
        nose_mm=float(rng.choice([0, 0, rng.uniform(0.5, min(3.0, 0.2 * width))])),
        chamfer_mm=float(rng.choice([0, 0, rng.uniform(0.8, min(4.0, 0.3 * width))])),
        chamfer_side=int(rng.choice([-1, 1])),
        side_locks=bool(rng.random() < 0.3),
        seals=bool(rng.random() < (0.85 if family == "sealed" else 0.12)),
        simple=bool(rng.random() < 0.35),
    )  # fmt: skip


def make_housing(
    rng: np.random.Generator,
    n_wires: int,
    damage: HousingDamage | None = None,
    px_per_mm: float = 8.0,
    wire_od_mm: float = 1.8,
    more: np.random.Generator | None = None,
) -> tuple[Sprite, list[Sprite]]:
    """A housing, and the pieces broken off it to be laid beside it; with `more` it has uncommon features, all sound.

    The same generator state gives the same housing with and without damage.
    """
    plan_rng, model_rng, damage_rng, dirt_rng = (np.random.default_rng(s) for s in rng.integers(0, 2**63, 4))
    plan = draw_plan(plan_rng, n_wires, wire_od_mm)
    if more is not None:
        plan = other_plan(more, plan)
    half = plan.width_mm / 2 + (5 if more is None else ROOM_MM)
    canvas = Canvas((-REAR_ROOM_MM, plan.length_mm + 3), (-half, half), px_per_mm, plan.rgb)
    lock_broken = damage is not None and "lock" in damage.kinds
    _outline(canvas, plan, model_rng)
    if more is not None:
        add_features(canvas, more, plan)
    lock = _reliefs(canvas, plan, model_rng, damage_rng if lock_broken else None, damage.severity if damage else 0.0)
    relief.weather(canvas, dirt_rng)
    canvas.height = np.where(canvas.mask, np.clip(canvas.height, 0.4, plan.height_mm + 3.5), 0)
    outcome = break_housing(canvas, damage_rng, damage, plan.entries_mm, plan.cols, wire_od_mm, lock)
    return _publish(canvas, plan, outcome), outcome.fragments


def _publish(c: Canvas, plan: HousingPlan, outcome: Outcome) -> Sprite:
    return c.sprite(
        "housing",
        entries_mm=plan.entries_mm,
        entry_x_mm=outcome.entry_x_mm,
        size_mm=(plan.length_mm, plan.width_mm, plan.height_mm),
        colour=plan.colour,
        cavities=plan.rows * plan.cols,
        cracked=outcome.crack_length_mm > 0,
        crack_length_mm=outcome.crack_length_mm,
        missing_area_mm2=outcome.missing_area_mm2,
        displaced_terminals=outcome.displaced_terminals,
        signs=outcome.signs,
    )


def _row_odds(cavities: int) -> list[float]:
    """How often 1, 2, 2, 3, 4 rows are taken: few cavities rarely need many rows."""
    if cavities <= 4:
        return [0.5, 0.25, 0.25, 0.0, 0.0]
    if cavities <= 10:
        return [0.2, 0.3, 0.3, 0.15, 0.05]
    return [0.06, 0.3, 0.3, 0.2, 0.14]


def _colour_odds() -> np.ndarray:
    weight = {"BK": 5.0, "WH": 2.5, "natural": 2.5, "GY": 3.0, "BN": 1.5, "BU": 1.5, "beige": 1.5}
    odds = np.array([weight.get(k, 0.8) for k in PLASTICS])
    return odds / odds.sum()


def _body_height(c: Canvas, plan: HousingPlan, distance: np.ndarray) -> np.ndarray:
    top = np.full(c.shape, plan.height_mm, np.float32)
    if plan.family in ("barrel", "round"):
        across = np.clip(2 * c.y / plan.width_mm, -1, 1)
        top *= 0.55 + 0.45 * np.sqrt(1 - across**2)
    inside = np.clip(plan.fillet_mm + distance, 0, plan.fillet_mm) / plan.fillet_mm
    return top - plan.fillet_mm * (1 - np.sqrt(1 - inside**2))


def _outline(c: Canvas, plan: HousingPlan, rng: np.random.Generator) -> None:
    """Body, collar, lip, side locks and keys: everything that decides the mask."""
    length, half = plan.length_mm, plan.width_mm / 2
    body = rounded_box(c.x, c.y, (0, length), (-half, half), plan.corner_mm)
    if plan.nose_mm:  # the front narrower: the part that goes into the mate
        nose = length * rng.uniform(0.45, 0.75)
        narrow = rounded_box(c.x, c.y, (0, length), (-half + plan.nose_mm, half - plan.nose_mm), plan.corner_mm)
        body = np.where(c.x > nose, np.maximum(narrow, body), body)
    if plan.chamfer_mm:  # a front corner cut off so that the mate fits one way only: no damage
        body = np.maximum(body, (c.x - length + c.y * plan.chamfer_side - half + plan.chamfer_mm) / np.sqrt(2))
    c.mask = body <= 0
    c.height = np.where(c.mask, _body_height(c, plan, body), 0).astype(np.float32)
    if plan.flange_mm:
        x = (length - rng.uniform(0.12, 0.4) * length, length)
        _add_block(c, x, (-half - plan.flange_mm, half + plan.flange_mm), plan.height_mm + rng.uniform(-0.6, 0.8))
    if plan.side_locks:
        x = (length * rng.uniform(0.05, 0.25), length * rng.uniform(0.6, 0.85))
        for s in (-1, 1):
            y = (half - 0.1, half + 1.4) if s > 0 else (-half - 1.4, -half + 0.1)
            _add_block(c, x, y, plan.height_mm * 0.75)
            slot = (half - 0.3, half + 0.3) if s > 0 else (-half - 0.3, -half + 0.3)
            p = c.rect((x[0] - 0.1, x[1] - 2), slot)
            c.set_height(p, plan.height_mm * 0.3)
            c.shade(p, 0.5)
    for _ in range(rng.integers(0, 4)):  # keys and ramps along the sides
        s, x1 = rng.choice([-1, 1]), rng.uniform(2, length * (0.35 if plan.nose_mm else 0.75))
        out = rng.uniform(0.5, 1.5)
        y = (half - 0.2, half + out) if s > 0 else (-half - out, -half + 0.2)
        _add_block(c, (x1, x1 + rng.uniform(1, 4)), y, plan.height_mm * rng.uniform(0.4, 1.0))
    _one_piece(c)


def _one_piece(c: Canvas) -> None:
    """Drop what a narrow front left hanging in the air."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(c.mask.astype(np.uint8), connectivity=4)
    if count > 2:
        c.mask = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
        c.height[~c.mask] = 0


def _add_block(c: Canvas, x: tuple[float, float], y: tuple[float, float], top_mm: float) -> None:
    p = c.rect(x, y, 0.35)
    inside = p.cover > 0.5
    h = c.height[p.window]
    h[inside] = np.maximum(h[inside], top_mm)
    c.mask[p.window] |= inside


def _reliefs(
    c: Canvas, plan: HousingPlan, rng: np.random.Generator, lock_rng: np.random.Generator | None, severity: float
) -> Sprite | None:
    """Lay the family's reliefs. With `lock_rng` the latch is broken off; its arm comes back when it was found."""
    length, half, top = plan.length_mm, plan.width_mm / 2, plan.height_mm
    if plan.step_mm:
        x = (length * rng.uniform(0.5, 0.8), length)
        c.raise_by(c.rect(x, (-half + 0.01, half - 0.01)), plan.step_mm)
    if plan.lip_mm:
        c.raise_by(c.rect((0, plan.lip_mm), (-half, half), 0.3), rng.uniform(0.4, 1.4))
    if not plan.seals and rng.random() < 0.6:
        relief.rear_openings(c, rng, plan.cavity_y_mm, plan.pitch_mm, float(plan.cavity_z_mm[-1]))
    if not plan.simple:
        _family_reliefs(c, plan, rng)
    lost = None
    latch_rng = np.random.default_rng(int(rng.integers(0, 2**63)))
    if plan.latch or lock_rng is not None:
        relief.latch_base(c, latch_rng, plan.latch_x, plan.latch_y, top)
        relief.latch_arm(c, latch_rng, plan.latch_x, plan.latch_y, top)
    if lock_rng is not None:
        lost = break_latch(c, lock_rng, plan.latch_x, plan.latch_y, top, severity)
    relief.mould_marks(c, rng, (0.5, length - 0.5), (-half + 0.5, half - 0.5))
    if plan.seals:
        span = (-rng.uniform(0.4, 2.5), plan.corner_mm + 0.4)
        rubber = RUBBER[rng.integers(len(RUBBER))]
        relief.seals(c, plan.cavity_y_mm, plan.pitch_mm * 0.44, span, float(plan.cavity_z_mm[-1]), rubber)
    _numbers(c, plan, rng)
    return lost


def _family_reliefs(c: Canvas, plan: HousingPlan, rng: np.random.Generator) -> None:
    length, half, top = plan.length_mm, plan.width_mm / 2, plan.height_mm
    if plan.family == "windowed" or rng.random() < 0.12:
        x = length * rng.uniform(0.3, 0.75)
        relief.windows(c, rng, (x, x + rng.uniform(1.2, 3.5)), plan.cavity_y_mm, plan.pitch_mm)
    if plan.family in ("latched", "barrel", "plain") or rng.random() < 0.3:
        count = int(rng.integers(1, 6))
        ys = [float(y) for s in (-1, 1) for y in s * np.linspace(0.55, 0.92, count) * half]
        relief.ribs_along(c, rng, (length * rng.uniform(0.05, 0.3), length * rng.uniform(0.6, 0.97)), ys, top - 0.3)
    if rng.random() < 0.35:
        w = min(rng.uniform(1.5, 4), half * 0.5)
        for s in (-1, 1):
            y = (half - w, half - 0.2) if s > 0 else (-half + 0.2, -half + w)
            relief.grip_ridges(c, rng, (length * 0.08, length * rng.uniform(0.3, 0.6)), y)
    if plan.family == "windowed" or (rng.random() < 0.25 and plan.family != "lever"):
        x = length * rng.uniform(0.15, 0.8)
        y = (-half * 0.9, half * 0.9)
        relief.secondary_lock(c, rng, (x, x + rng.uniform(1.5, 3.5)), y, top, plan.accent)
    if rng.random() < 0.4:
        relief.slots(c, rng, (0, length), (-half, half))
    if plan.family == "round":
        x = length * rng.uniform(0.3, 0.6)
        tone = plan.accent if rng.random() < 0.3 else plan.rgb
        span = (x, x + length * rng.uniform(0.2, 0.35))
        relief.coupling_ring(c, rng, span, half + rng.uniform(0.2, 1.2), top + 0.8, tone)
    if plan.family == "lever":
        relief.lever(c, rng, (0, length), (-half, half), top, plan.accent)
    if plan.family == "sealed" and rng.random() < 0.7:  # collar that holds the front seal
        x = length * rng.uniform(0.5, 0.7)
        band = c.rect((x, x + rng.uniform(1, 2.5)), (-half, half), 0.2)
        c.raise_by(band, rng.uniform(-0.8, 0.6))


def _numbers(c: Canvas, plan: HousingPlan, rng: np.random.Generator) -> None:
    if rng.random() > 0.7:
        return
    size, rise, turns = rng.uniform(1.2, 2.4), rng.choice([-0.2, 0.18, 0.3]), int(rng.choice([0, 1, 3]))
    x = plan.length_mm * rng.uniform(0.1, 0.9)
    ends = [(plan.cavity_y_mm[0], "1"), (plan.cavity_y_mm[-1], str(plan.cols))]
    for y, text in ends if rng.random() < 0.6 else [(rng.uniform(-0.6, 0.6) * plan.width_mm / 2, ">PBT<")]:
        relief.number(c, x, float(y), text, size, float(rise), turns)
