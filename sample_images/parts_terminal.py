"""Ring and spade terminals seen from above: tongue, barrel, and a sleeve or shrink tube where they have one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_images.parts_canvas import PLASTICS, RGB, Canvas, Patch, jitter_colour, rounded_box, scratch, smooth_noise
from sample_images.sprites import Sprite, SpriteError

METALS: dict[str, RGB] = {"tin": (0.60, 0.59, 0.57), "copper": (0.66, 0.34, 0.22), "brass": (0.60, 0.43, 0.17)}
COPPER: RGB = METALS["copper"]
HOLES_MM = (4.3, 5.3, 6.4, 8.4, 10.5)  # clearance holes of M4, M5, M6, M8, M10
SLEEVES = ("RD", "BU", "YE", "BK", "GY", "natural", "GN")


@dataclass(frozen=True)
class TerminalPlan:
    """Sizes in mm along x: the cover's rear end is 0, the barrel ends at `barrel_end_mm`, then the tongue."""

    metal: str
    cover: str  # none | sleeve | shrink
    cover_colour: str
    style: str  # closed: a brazed tube; open: two pairs of wings, strands between
    barrel_start_mm: float
    barrel_end_mm: float
    barrel_radius_mm: float
    cover_radius_mm: float
    axis_z_mm: float
    plate_top_mm: float
    plate_mm: float


def make_ring(rng: np.random.Generator, wire_od_mm: float, px_per_mm: float = 8.0) -> Sprite:
    """A ring tongue for a bolt M4 to M10 on a wire of `wire_od_mm`."""
    plan = _draw_plan(rng, wire_od_mm)
    odds = np.array([3.0, 3, 3, 2, 1]) if wire_od_mm < 2.6 else np.array([1.0, 2, 3, 3, 2])
    hole = float(rng.choice(HOLES_MM, p=odds / odds.sum()))
    outer = hole / 2 * rng.uniform(1.55, 2.0) + 0.4
    centre = plan.barrel_end_mm + outer + rng.uniform(0.3, 4.0)
    half = max(outer, plan.cover_radius_mm) + 1.0
    c = _canvas(plan, rng, centre + outer + 1, half, px_per_mm)
    ring = np.hypot(c.x - centre, c.y) - outer
    plate = np.minimum(ring, _neck(c, rng, plan, centre, outer))
    bore = hole / 2 - np.hypot(c.x - centre, c.y)
    _tongue(c, rng, plan, np.maximum(plate, bore))
    if rng.random() < 0.4:  # pressed by a bolt head before: a bright worn ring
        worn = c.whole(c.cover(np.abs(np.hypot(c.x - centre, c.y) - hole * 0.66) - 0.25) * c.mask)
        c.paint(worn, np.asarray(METALS[plan.metal]) * 1.25, 0.5)
    return _finish(c, rng, plan, "ring")


def make_spade(rng: np.random.Generator, wire_od_mm: float, px_per_mm: float = 8.0) -> Sprite:
    """A fork, a blade, or a receptacle with rolled sides."""
    plan = _draw_plan(rng, wire_od_mm)
    form = str(rng.choice(["fork", "blade", "receptacle"]))
    width = float(rng.choice([2.8, 4.8, 6.3, 9.5])) if form != "fork" else rng.uniform(6, 11)
    long = rng.uniform(6.0, 9.0) + 0.4 * width
    start = plan.barrel_end_mm + rng.uniform(1.0, 3.0)
    half = max(width / 2, plan.cover_radius_mm) + 1.0
    c = _canvas(plan, rng, start + long + 1, half, px_per_mm)
    corner = width * 0.35 if form == "fork" else 0.3
    blade = rounded_box(c.x, c.y, (start, start + long), (-width / 2, width / 2), corner)
    plate = np.minimum(blade, _neck(c, rng, plan, start + 1.0, width * 0.4))
    if form == "fork":
        gap = width * 0.22
        slot = rounded_box(c.x, c.y, (start + long * 0.35, start + long + 9), (-gap, gap), gap)
        plate = np.maximum(plate, -slot)
    elif form == "blade":
        plate = np.maximum(plate, -(np.hypot(c.x - start - long * 0.6, c.y) - 0.6))
        plate = np.maximum(plate, (c.x - start - long + np.abs(c.y) - width / 2 + 0.8) / np.sqrt(2))
    _tongue(c, rng, plan, plate)
    if form == "receptacle":
        _rolled_sides(c, plan, (start + 0.5, start + long), width)
    return _finish(c, rng, plan, "spade")


def _draw_plan(rng: np.random.Generator, wire_od_mm: float) -> TerminalPlan:
    if not 0.5 <= wire_od_mm <= 12:
        raise SpriteError(f"wire_od_mm: expected 0.5 to 12, got {wire_od_mm}")
    cover = str(rng.choice(["none", "sleeve", "shrink"], p=[0.35, 0.45, 0.2]))
    radius = wire_od_mm / 2 * rng.uniform(0.95, 1.25) + 0.25
    start = {"none": 0.0, "sleeve": rng.uniform(0.5, 3), "shrink": rng.uniform(3, 14)}[cover]
    odds = np.array([4, 4, 4, 2.5, 0.5, 1, 0.5]) if cover == "sleeve" else np.array([1.5, 0.5, 0.2, 8, 0.2, 0.5, 0.2])
    plate = rng.uniform(0.7, 1.1) + 0.1 * wire_od_mm
    return TerminalPlan(
        metal=str(rng.choice(list(METALS), p=[0.75, 0.15, 0.1])),
        cover=cover,
        cover_colour=str(rng.choice(SLEEVES, p=odds / odds.sum())),
        style="closed" if cover != "none" or rng.random() < 0.5 else "open",
        barrel_start_mm=start,
        barrel_end_mm=start + rng.uniform(4.5, 7.5) + wire_od_mm * 0.6,
        barrel_radius_mm=radius,
        cover_radius_mm=(radius if cover == "none" else radius + rng.uniform(0.3, 0.8)),
        axis_z_mm=radius + rng.uniform(0.2, 1.0),
        plate_top_mm=plate + rng.uniform(0.05, 0.8),
        plate_mm=plate,
    )


def _canvas(plan: TerminalPlan, rng: np.random.Generator, end_mm: float, half_mm: float, px_per_mm: float) -> Canvas:
    c = Canvas((-1.0, end_mm), (-half_mm, half_mm), px_per_mm, jitter_colour(rng, METALS[plan.metal], 0.12))
    c.gloss[:], c.metal[:] = rng.uniform(0.45, 0.85), 1.0
    return c


def _neck(c: Canvas, rng: np.random.Generator, plan: TerminalPlan, reach_mm: float, wide_mm: float) -> np.ndarray:
    """Signed distance to the taper between the barrel's end and the tongue."""
    x0 = plan.barrel_end_mm - 0.5
    s = np.clip((c.x - x0) / max(reach_mm - x0, 0.5), 0, 1)
    narrow = plan.barrel_radius_mm * rng.uniform(0.8, 1.15)
    half = narrow + (wide_mm * rng.uniform(0.6, 0.98) - narrow) * s ** rng.uniform(0.8, 2.0)
    return np.maximum(np.maximum(np.abs(c.y) - half, x0 - c.x), c.x - reach_mm)


def _tongue(c: Canvas, rng: np.random.Generator, plan: TerminalPlan, plate: np.ndarray) -> None:
    """Lay the plate with its rounded edge; it rises to the barrel over the shoulder."""
    c.mask = plate <= 0
    inside = np.clip(-plate / 0.3, 0, 1)
    shoulder = np.clip(1 - (c.x - plan.barrel_end_mm) / rng.uniform(1.0, 2.5), 0, 1) ** 1.5
    top = plan.axis_z_mm + 0.6 * plan.barrel_radius_mm
    z = plan.plate_top_mm - 0.2 * (1 - np.sqrt(1 - (1 - inside) ** 2)) + shoulder * max(top - plan.plate_top_mm, 0)
    bend = np.tan(np.radians(rng.normal(0, 2.5))) * np.clip(c.x - plan.barrel_end_mm, 0, None)
    c.height = np.where(c.mask, np.maximum(z + np.clip(bend, -0.3, 2), plan.plate_mm), 0).astype(np.float32)


def _tube(
    c: Canvas, plan: TerminalPlan, x: tuple[float, float], radius: np.ndarray | float
) -> tuple[Patch, np.ndarray]:
    """A lying cylinder over x whose radius may change along it (array over u); its patch and its top surface."""
    most = float(np.max(radius))
    p = c.rect(x, (-most, most), 0.2)
    r = np.interp(p.u, np.linspace(0, 1, np.size(radius)), np.atleast_1d(radius))
    across = (2 * p.v - 1) * most / r
    cover = p.cover * (np.abs(across) <= 1)
    z = plan.axis_z_mm + r * np.sqrt(np.maximum(1 - across**2, 0))
    c.mask[p.window] |= cover > 0.5
    return Patch(p.window, cover.astype(np.float32), p.u, p.v), z


def _barrel(c: Canvas, rng: np.random.Generator, plan: TerminalPlan) -> None:
    x, r = (plan.barrel_start_mm, plan.barrel_end_mm), plan.barrel_radius_mm
    if plan.style == "open":
        _wings(c, rng, plan)
        return
    p, z = _tube(c, plan, x, r)
    dent = np.exp(-(((p.u - rng.uniform(0.4, 0.6)) / 0.16) ** 2) - ((p.v - 0.5) / 0.28) ** 2)
    c.set_height(p, z - rng.uniform(0.1, 0.5) * r * dent - 0.12 * (np.abs(p.v - 0.5) < 0.03))


def _wings(c: Canvas, rng: np.random.Generator, plan: TerminalPlan) -> None:
    """Open barrel: wings round the insulation, bare strands, wings round the conductor with a seam in the middle."""
    a, b, r = plan.barrel_start_mm, plan.barrel_end_mm, plan.barrel_radius_mm
    split = a + (b - a) * rng.uniform(0.35, 0.45)
    spine, z = _tube(c, plan, (a, b), r * 0.55)  # the strip that joins both pairs of wings
    c.set_height(spine, z)
    strands, z = _tube(c, plan, (split - 0.3, b), r * 0.7)
    lay = 0.06 * np.sin(strands.v * 40 + strands.u * 8)
    c.set_height(strands, z + lay)
    c.paint(strands, COPPER)
    for x, size in (((a, split - rng.uniform(0.3, 0.9)), 1.05), ((split + rng.uniform(0.3, 0.7), b - 0.6), 0.85)):
        p, z = _tube(c, plan, x, r * size)
        seam = np.exp(-(((p.v - 0.5) / 0.07) ** 2))
        c.set_height(p, z - 0.3 * r * seam)
        c.paint(p, c.rgb)
        c.shade(Patch(p.window, (p.cover * seam).astype(np.float32), p.u, p.v), 0.5)


def _cover(c: Canvas, rng: np.random.Generator, plan: TerminalPlan) -> None:
    """Insulation sleeve with a bell mouth and a crimp mark, or a shrink tube that follows what lies under it."""
    r, end = plan.cover_radius_mm, plan.barrel_end_mm + rng.uniform(-0.8, 0.6)
    u = np.linspace(0, 1, 40)
    step = plan.barrel_start_mm / end
    if plan.cover == "sleeve":
        pinch = rng.uniform(0, 0.12) * np.exp(-(((u - 0.65) / 0.12) ** 2))
        radius = r * (1 + rng.uniform(0.02, 0.16) * (u < step) - pinch)
    else:
        radius = r * (0.82 + 0.18 / (1 + np.exp(-(u - step) * 25))) * (1 - 0.12 * np.clip((u - 0.93) / 0.07, 0, 1))
        radius = radius * (1 + 0.02 * np.interp(u, np.linspace(0, 1, 9), rng.normal(0, 1, 9)))
    p, z = _tube(c, plan, (0, end), radius)
    mark = np.exp(-(((p.u - 0.65) / 0.1) ** 2) - ((p.v - 0.5) / 0.3) ** 2) if plan.cover == "sleeve" else 0.0
    c.set_height(p, z - rng.uniform(0.1, 0.5) * mark)
    c.paint(p, jitter_colour(rng, PLASTICS[plan.cover_colour]))
    c.material(p, float(rng.uniform(0.25, 0.6)), 0.0)


def _rolled_sides(c: Canvas, plan: TerminalPlan, x: tuple[float, float], width_mm: float) -> None:
    roll = min(1.5, width_mm * 0.32)
    for s in (-1, 1):
        y = (width_mm / 2 - roll, width_mm / 2 + 0.2) if s > 0 else (-width_mm / 2 - 0.2, -width_mm / 2 + roll)
        p = c.rect(x, y, 0.2)
        c.mask[p.window] |= p.cover > 0.5
        c.set_height(p, plan.plate_top_mm + 1.4 * np.sqrt(np.maximum(1 - 0.8 * (2 * p.v - 1) ** 2, 0)))


def _finish(c: Canvas, rng: np.random.Generator, plan: TerminalPlan, kind: str) -> Sprite:
    _barrel(c, rng, plan)
    if plan.cover != "none":
        _cover(c, rng, plan)
    _tarnish(c, rng)
    bare = plan.cover == "none"
    length, width = (float(np.ptp(np.flatnonzero(c.mask.any(k))) + 1) / c.ppm for k in (0, 1))
    return c.sprite(
        kind,
        entries_mm=((0.0, plan.axis_z_mm),),
        entry_x_mm=(0.0,),
        size_mm=(length, width, float(c.height[c.mask].max())),
        colour=plan.metal if bare else plan.cover_colour,
    )


def _tarnish(c: Canvas, rng: np.random.Generator) -> None:
    """Grain, stains of oxide, and fine scratches on the metal."""
    c.height += rng.uniform(0.0005, 0.003) * smooth_noise(rng, c.shape, 1.5) * c.mask
    c.albedo *= (1 + 0.03 * smooth_noise(rng, c.shape, 1.0))[..., None]
    dull = np.clip(smooth_noise(rng, c.shape, rng.uniform(8, 30)) + rng.uniform(-1.2, 0.8), 0, 1) * rng.uniform(0, 0.6)
    c.albedo *= (1 - 0.55 * dull)[..., None]
    c.gloss *= 1 - 0.6 * dull
    lines = np.zeros(c.shape, np.uint8)
    for _ in range(rng.integers(0, 10)):
        a = rng.uniform((0, 0), (c.shape[1], c.shape[0]))
        b = a + rng.normal(0, 1.5 * c.ppm, 2)
        scratch(lines, a, b, 90)
    c.albedo *= (1 + 0.35 * lines.astype(np.float32) / 255)[..., None]
