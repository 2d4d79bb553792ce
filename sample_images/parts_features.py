"""Sound features of housings that look unlike the rest: ears with bolt holes, discs, slides, collars, coding ribs."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sample_images.parts_canvas import PLASTICS, RGB, Canvas, Patch, jitter_colour, rounded_box

if TYPE_CHECKING:
    from sample_images.parts_housing import HousingPlan

ROOM_MM = 15.0  # how far ears may stand out at the sides
_TONES = ("WH", "natural", "GY", "GN", "BU", "OG", "BN", "YE", "TQ", "RD", "BK")
_LIGHT_GREY: RGB = (0.46, 0.47, 0.48)


def other_plan(rng: np.random.Generator, plan: HousingPlan) -> HousingPlan:
    """The same housing in a colour that is less common, at times of a round family."""
    if rng.random() < 0.65:
        colour = str(rng.choice(_TONES))
        rgb = _LIGHT_GREY if colour == "GY" and rng.random() < 0.6 else PLASTICS[colour]
        plan = replace(plan, colour=colour, rgb=jitter_colour(rng, rgb))
    if rng.random() < 0.4:
        plan = replace(plan, accent=jitter_colour(rng, PLASTICS[str(rng.choice(_TONES))]))
    if rng.random() < 0.15 and plan.width_mm <= 26:
        plan = replace(plan, family="round")
    return replace(plan, seals=plan.seals or bool(rng.random() < 0.15))


def add_features(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """Lay some features on and around the finished outline; the family's own reliefs come after them."""
    odds = {_collar: 0.3, _deep_ribs: 0.25, _slide: 0.3, _tabs: 0.25, _coding: 0.25}
    chosen = [make for make, share in odds.items() if rng.random() < share]
    disc = rng.random() < 0.12
    ears = not disc and (rng.random() < 0.5 or not chosen)
    for make in chosen + [_disc] * disc + [_ears] * ears:  # ears last: nothing closes their holes
        make(c, rng, plan)


def _grown(c: Canvas, distance: np.ndarray, top_mm: float, fillet_mm: float, rgb: RGB | None = None) -> None:
    """Add a solid whose outline is where `distance` (mm) falls below 0, lower than the body where both are."""
    inside = distance <= 0
    f = np.clip(-distance / fillet_mm, 0, 1)
    z = top_mm - fillet_mm * (1 - np.sqrt(1 - (1 - f) ** 2))
    new = inside & (~c.mask | (c.height < z))
    c.height[new] = z[new]
    if rgb is not None:
        c.albedo[new] = rgb
    c.mask |= inside


def _ears(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """Flat ears for bolts on one side or both: rounded ends, a through hole or a slot, often a metal bush or a rib."""
    half, length = plan.width_mm / 2, plan.length_mm
    beside = float(np.abs(c.y[c.mask.any(1)]).max()) - half  # collars, tabs and slides that stand out already
    hole = float(rng.choice([1.6, 2.2, 2.7, 3.3]))
    rim = hole + rng.uniform(1.4, 2.8)
    reach = min(half + max(beside, 0.0) + rim + rng.uniform(0.1, 2.2), half + ROOM_MM - rim - 1)
    top = min(rng.uniform(2.0, 5.0), plan.height_mm * 0.7)
    sides = [(-1,), (1,), (-1, 1), (-1, 1)][int(rng.integers(4))]
    at = length * rng.uniform(0.25, 0.8)
    slanted = length * rng.uniform(-0.25, 0.25) if rng.random() < 0.4 else 0.0
    form = str(rng.choice(["round", "square", "gusset"]))
    bush = rng.random() < 0.45
    slot = rng.uniform(0.6, 2.0) if rng.random() < 0.25 else 0.0
    metal: RGB = (0.6, 0.59, 0.57) if rng.random() < 0.6 else (0.6, 0.43, 0.17)
    for side in sides:
        x0, y0 = at + side * slanted, side * reach
        x0 = float(np.clip(x0, rim, max(length - rim, rim)))
        eye = np.hypot(np.maximum(np.abs(c.x - x0) - slot, 0), c.y - y0) - rim
        low, high = sorted((y0, side * (half - 1.2)))
        neck = rounded_box(c.x, c.y, (x0 - rim - slot, x0 + rim + slot), (low, high), 0.0)
        if form == "square":
            eye = rounded_box(c.x, c.y, (x0 - rim - slot, x0 + rim + slot), (y0 - rim, y0 + rim), 1.0)
        elif form == "gusset":  # the neck widens towards the body
            f = np.clip((reach - side * c.y) / max(reach - half, 0.5), 0, 1.0)
            neck = np.maximum(np.abs(c.x - x0) - slot - rim * (0.95 + 0.7 * f), np.maximum(low - c.y, c.y - high))
        _grown(c, np.minimum(eye, neck), top, 0.6)
        ring = c.whole(c.cover(np.abs(np.hypot(c.x - x0, c.y - y0) - rim * 0.86) - 0.35) * c.mask)
        if not bush and rng.random() < 0.6:
            c.raise_by(ring, 0.7)
        elif bush:
            metal_ring = c.whole(c.cover(np.hypot(c.x - x0, c.y - y0) - hole - 0.9))
            c.set_height(metal_ring, top + 0.4)
            c.paint(metal_ring, metal)
            c.material(metal_ring, 0.7, 1.0)
        bore = np.hypot(np.maximum(np.abs(c.x - x0) - slot, 0), c.y - y0) < hole
        c.mask &= ~bore
        c.height[bore] = 0
        if form != "round" and rng.random() < 0.6:  # a rib that stiffens the ear, from the body to the eye
            y = sorted((side * (half - 0.5), side * (reach - hole - 1.2)))
            for s in (-1, 1):
                x = x0 + s * rim * 0.75
                rib = c.rect((x - 0.5, x + 0.5), (float(y[0]), float(y[1])), 0.2)
                c.set_height(Patch(rib.window, rib.cover * c.mask[rib.window], rib.u, rib.v), top + 1.4)


def _disc(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """A round body or flange over the housing, with rings and, at times, bayonet lugs."""
    half = plan.width_mm / 2
    r = min(half * rng.uniform(1.1, 1.45), half + ROOM_MM - 3, plan.length_mm * 0.6)
    x0 = plan.length_mm * rng.uniform(0.4, 0.6)
    d = np.hypot(c.x - x0, c.y) - r
    top = plan.height_mm * rng.uniform(0.9, 1.05)
    tone = plan.accent if rng.random() < 0.25 else plan.rgb
    _grown(c, d, top, 1.2, tone)
    for share in rng.uniform(0.45, 0.92, int(rng.integers(1, 4))):
        c.raise_by(c.whole(c.cover(np.abs(d + r * (1 - share)) - 0.4) * c.mask), float(rng.choice([-0.9, 0.6, 0.9])))
    lugs = int(rng.choice([0, 3, 4]))
    for k in range(lugs):
        a = k * 2 * np.pi / lugs + rng.uniform(0, 0.3)
        lug = np.hypot(c.x - x0 - np.cos(a) * r, c.y - np.sin(a) * r) - 1.5
        _grown(c, lug, top * 0.7, 0.5, tone)


def _collar(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """A collar for the bundle behind the housing, ribbed, in the housing's colour or another."""
    half = plan.width_mm / 2 * rng.uniform(0.75, 0.98)
    x = (-rng.uniform(2.5, 7.5), 1.2)
    tone = plan.accent if rng.random() < 0.5 else plan.rgb
    d = rounded_box(c.x, c.y, x, (-half, half), 1.5)
    across = np.sqrt(np.maximum(1 - 0.5 * (c.y / half) ** 2, 0.1))
    z = plan.height_mm * 0.94 * across + 0.35 * np.sin(c.x * (2 * np.pi / rng.uniform(1.4, 2.2)))
    new = (d <= 0) & ~c.mask
    c.height = np.where(new, z, c.height).astype(np.float32)
    c.albedo[new] = tone
    c.gloss[new] = rng.uniform(0.2, 0.5)
    c.mask |= new


def _deep_ribs(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """Deep even grooves between ribs, along or across: shadowed, straight, all alike."""
    half = plan.width_mm / 2
    pitch, deep = rng.uniform(1.8, 3.6), rng.uniform(0.9, 2.2)
    x = (plan.length_mm * rng.uniform(0.05, 0.4), plan.length_mm * rng.uniform(0.6, 0.95))
    y = (-half + 1.2, half - 1.2)
    if y[1] - y[0] < 3:
        return
    along = bool(rng.random() < 0.6)
    low, high = y if along else x
    for s in np.arange(low + 0.4, high - pitch * 0.4, pitch):
        bar = (float(s), float(s + pitch * 0.45))
        p = c.rect(x, bar, 0.3) if along else c.rect(bar, y, 0.3)
        p = Patch(p.window, p.cover * c.mask[p.window], p.u, p.v)
        c.raise_by(p, -deep)
        c.shade(p, 0.75)


def _slide(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """A slide or lever over the housing in a second colour: a frame with two arms that reach round the sides."""
    half, length, top = plan.width_mm / 2, plan.length_mm, plan.height_mm
    x = length * rng.uniform(0.1, 0.6)
    bar = (x, x + rng.uniform(3, 7))
    over = rng.uniform(0.6, 2.0)
    tone = plan.accent
    d = rounded_box(c.x, c.y, bar, (-half - over, half + over), 0.8)
    arm_end = min(bar[1] + length * rng.uniform(0.1, 0.4), length)
    for side in (-1, 1):
        y = (half - 1.0, half + over) if side > 0 else (-half - over, -half + 1.0)
        d = np.minimum(d, rounded_box(c.x, c.y, (bar[0], arm_end), y, 0.6))
    _grown(c, d, top + rng.uniform(0.5, 1.6), 0.5, tone)
    inside = d <= 0
    c.gloss[inside] = rng.uniform(0.3, 0.6)
    mid = (bar[0] + bar[1]) / 2
    for s in np.arange(-half * 0.5, half * 0.5, 1.5):
        c.raise_by(c.rect((mid - 1.2, mid + 1.2), (float(s), float(s) + 0.7), 0.2), 0.5)


def _tabs(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """Small locking tabs at the sides, each a wedge with its window."""
    half = plan.width_mm / 2
    x0 = plan.length_mm * rng.uniform(0.2, 0.6)
    long, out = rng.uniform(3, 6), rng.uniform(1.2, 2.4)
    for side in (-1, 1):
        y = (half - 0.4, half + out) if side > 0 else (-half - out, -half + 0.4)
        _grown(c, rounded_box(c.x, c.y, (x0, x0 + long), y, 0.4), plan.height_mm * 0.6, 0.4)
        slot = c.rect((x0 + long * 0.3, x0 + long * 0.75), (y[0] + 0.5, y[1] - 0.5), 0.2)
        c.set_height(slot, 0.5)
        c.shade(slot, 0.4)


def _coding(c: Canvas, rng: np.random.Generator, plan: HousingPlan) -> None:
    """Bars at the front that let only the fitting mate in, uneven on purpose."""
    half = plan.width_mm / 2
    deep = rng.uniform(2, 5)
    for _ in range(int(rng.integers(2, 5))):
        y = rng.uniform(-half + 1, half - 1.5)
        bar = c.rect((plan.length_mm - deep, plan.length_mm + 1.5), (y, y + rng.uniform(0.8, 1.8)), 0.2)
        inside = np.zeros(c.shape, bool)
        inside[bar.window] = bar.cover > 0.5
        z = plan.height_mm * rng.uniform(0.75, 1.0) + 0.6
        c.height[inside] = np.maximum(c.height[inside], z)
        c.mask |= inside
