"""Reliefs of connector housings: latch arms, ribs, windows, locks, seals, numbers, marks of the mould."""

from __future__ import annotations

import cv2
import numpy as np

from sample_images.parts_canvas import RGB, Canvas, Patch, scratch, smooth_noise

Span = tuple[float, float]


def ribs_along(c: Canvas, rng: np.random.Generator, x: Span, y_positions: list[float], top_mm: float) -> None:
    """Straight raised bars running along x."""
    width, rise = rng.uniform(0.5, 1.3), rng.uniform(0.25, 0.9)
    for y in y_positions:
        p = c.rect(x, (y - width / 2, y + width / 2), width / 3)
        c.set_height(p, np.maximum(c.height[p.window], top_mm) + rise * np.sqrt(1 - 0.6 * (2 * p.v - 1) ** 2))


def grip_ridges(c: Canvas, rng: np.random.Generator, x: Span, y: Span, along_x: bool = True) -> None:
    """A row of narrow bars to press or pull on; `along_x` stacks them along x."""
    pitch, rise = rng.uniform(0.7, 1.6), rng.uniform(0.2, 0.6)
    low, high = x if along_x else y
    for s in np.arange(low + pitch / 3, high - pitch / 3, pitch):
        bar = (s, s + pitch * 0.5)
        c.raise_by(c.rect(bar, y, 0.15) if along_x else c.rect(x, bar, 0.15), rise)


def latch_base(c: Canvas, rng: np.random.Generator, x: Span, y: Span, top_mm: float) -> float:
    """The recess under a latch arm with its catch; returns the depth of the recess's floor in mm above the bench."""
    slot = rng.uniform(0.45, 1.1)
    floor = top_mm - rng.uniform(1.2, 2.6)
    p = c.rect((x[0] - slot, x[1]), (y[0] - slot, y[1] + slot), 0.3)
    c.set_height(p, floor)
    c.paint(p, c.rgb)
    c.shade(p, float(rng.uniform(0.45, 0.8)))
    if rng.random() < 0.6:  # rails left and right that guard the arm
        for s in (-1, 1):
            yr = (y[1] + slot, y[1] + slot + 1.0) if s > 0 else (y[0] - slot - 1.0, y[0] - slot)
            rail = c.rect((x[0], x[1]), yr, 0.25)
            c.set_height(rail, top_mm + rng.uniform(0.6, 2.0))
            c.paint(rail, c.rgb)
    cx, w = x[0] + 0.55 * (x[1] - x[0]), 0.25 * (y[1] - y[0])
    mid = (y[0] + y[1]) / 2
    catch = c.rect((cx, cx + 0.16 * (x[1] - x[0]) + 0.8), (mid - w, mid + w), 0.1)
    c.set_height(catch, floor + 1.3 * (1 - catch.u))
    return floor


def latch_arm(c: Canvas, rng: np.random.Generator, x: Span, y: Span, top_mm: float) -> None:
    """The springy arm, hinged at the front (x[1]), its thumb pad towards the wires, a window over the catch."""
    rise = rng.uniform(0.2, 1.6)
    arm = c.rect(x, y, rng.uniform(0.2, 0.9))
    c.paint(arm, c.rgb)
    c.set_height(arm, top_mm + rise * (1 - rng.uniform(0.2, 1) * arm.u))
    length, width = x[1] - x[0], y[1] - y[0]
    mid = (y[0] + y[1]) / 2
    if rng.random() < 0.75:
        wx = x[0] + length * rng.uniform(0.45, 0.55)
        hole = c.rect((wx, wx + length * rng.uniform(0.15, 0.28)), (mid - width * 0.26, mid + width * 0.26), 0.2)
        c.set_height(hole, top_mm - 1.4 + 1.2 * hole.u)
        c.shade(hole, float(rng.uniform(0.35, 0.7)))
    pad = (x[0], x[0] + length * rng.uniform(0.18, 0.35))
    spread = rng.choice([0.0, 0.0, 0.8])
    wide = c.rect(pad, (y[0] - spread, y[1] + spread), 0.3)
    c.paint(wide, c.rgb)
    c.set_height(wide, top_mm + rise + rng.uniform(0.1, 0.9) * (1 - wide.u))
    if rng.random() < 0.7:
        grip_ridges(c, rng, (pad[0] + 0.2, pad[1]), (y[0] + 0.4, y[1] - 0.4))


def windows(c: Canvas, rng: np.random.Generator, x: Span, y_positions: np.ndarray, pitch_mm: float) -> None:
    """One opening per cavity through which the terminal is seen."""
    half = pitch_mm * rng.uniform(0.22, 0.36)
    depth, glint = rng.uniform(1.0, 3.0), rng.random() < 0.6
    dark = float(rng.uniform(0.25, 0.6))
    for y in y_positions:
        p = c.rect(x, (y - half, y + half), 0.15)
        c.raise_by(p, -depth)
        c.shade(p, dark)
        if glint:
            metal = c.rect((x[0] + 0.3, x[1] - 0.2), (y - half * 0.5, y + half * 0.5), 0.1)
            c.paint(metal, (0.45, 0.44, 0.42), 0.8)
            c.material(metal, 0.6, 0.9)
            c.raise_by(metal, 0.4)


def secondary_lock(c: Canvas, rng: np.random.Generator, x: Span, y: Span, top_mm: float, rgb: RGB) -> None:
    """A bar of another colour across the housing, with the gap around it."""
    gap = c.rect((x[0] - 0.25, x[1] + 0.25), (y[0] - 0.25, y[1] + 0.25), 0.2)
    c.raise_by(gap, -0.8)
    c.shade(gap, 0.5)
    bar = c.rect(x, y, 0.25)
    c.set_height(bar, top_mm + rng.uniform(-0.4, 0.7))
    c.paint(bar, rgb)
    mid = (y[0] + y[1]) / 2
    tool = c.rect((x[0] + 0.3, x[1] - 0.3), (mid - 0.7, mid + 0.7), 0.1)
    c.raise_by(tool, -0.7)


def rear_openings(c: Canvas, rng: np.random.Generator, y_positions: np.ndarray, pitch_mm: float, z_mm: float) -> None:
    """Cavities cut open at the rear, walls left between them."""
    depth = rng.uniform(0.6, 3.2)
    half = pitch_mm * rng.uniform(0.34, 0.42)
    dark = float(rng.uniform(0.3, 0.6))
    for y in y_positions:
        p = c.rect((-0.2, depth), (y - half, y + half), half * 0.5)
        c.set_height(p, z_mm - half * 0.6)
        c.shade(p, dark)


def seals(c: Canvas, y_positions: np.ndarray, radius_mm: float, x: Span, z_mm: float, rgb: RGB) -> None:
    """Rubber wire seals that stand out of the rear face, from x[0] < 0 to under the body; they belong to the mask."""
    for y in y_positions:
        p = c.rect(x, (y - radius_mm, y + radius_mm), 0.3)
        ring = 0.12 * np.sin(np.clip(p.u, 0, 1) * 4 * np.pi)
        z = z_mm + radius_mm * np.sqrt(np.maximum(1 - (2 * p.v - 1) ** 2, 0)) + ring
        free = np.where(c.mask[p.window], 0.0, 1.0).astype(np.float32)
        outside = Patch(p.window, p.cover * free, p.u, p.v)
        c.set_height(outside, z)
        c.paint(outside, rgb)
        c.material(outside, 0.35)
        c.mask[p.window] |= p.cover > 0.5


def slots(c: Canvas, rng: np.random.Generator, x: Span, y: Span) -> None:
    """Deep straight slits, some of them U-shaped around a tongue: dark lines that are no cracks."""
    for _ in range(rng.integers(1, 4)):
        width, long = rng.uniform(0.25, 1.0), rng.uniform(2.5, 0.6 * (x[1] - x[0]) + 2.6)
        sx, sy = rng.uniform(x[0] + 1, max(x[1] - long - 1, x[0] + 1.1)), rng.uniform(y[0] + 1, y[1] - 1)
        bars = [((sx, sx + long), (sy, sy + width))]
        if rng.random() < 0.4:
            span = rng.uniform(1.5, 4)
            bars += [((sx, sx + long), (sy + span, sy + span + width)), ((sx, sx + width), (sy, sy + span + width))]
        for bx, by in bars:
            p = c.rect(bx, by, width * 0.3)
            p = Patch(p.window, p.cover * c.mask[p.window], p.u, p.v)
            c.raise_by(p, -rng.uniform(1.5, 4))
            c.shade(p, 0.3)


def coupling_ring(c: Canvas, rng: np.random.Generator, x: Span, half_mm: float, top_mm: float, rgb: RGB) -> None:
    """A knurled ring around a round housing, ridges running along x."""
    p = c.rect(x, (-half_mm, half_mm), 0.6)
    across = 2 * p.v - 1
    knurl = 0.25 * np.abs(np.sin(np.arcsin(np.clip(across, -1, 1)) * rng.integers(8, 18)))
    c.set_height(p, top_mm * (0.5 + 0.5 * np.sqrt(np.maximum(1 - across**2, 0))) + knurl)
    c.paint(p, rgb)
    c.mask[p.window] |= p.cover > 0.5


def lever(c: Canvas, rng: np.random.Generator, x: Span, y: Span, top_mm: float, rgb: RGB) -> None:
    """A mate-assist lever: a curved band with a pivot, in its own colour."""
    radius = rng.uniform(0.3, 0.44) * min(x[1] - x[0], y[1] - y[0])
    px, py = rng.uniform(x[0] + radius + 2, max(x[1] - radius - 2, x[0] + radius + 2.1)), (y[0] + y[1]) / 2
    distance = np.abs(np.hypot(c.x - px, c.y - py) - radius) - rng.uniform(0.9, 1.6)
    side = rng.choice([-1.0, 1.0])
    band = c.whole(c.cover(np.maximum(distance, side * (c.y - py) - 0.3 * radius)) * c.mask)
    c.set_height(band, top_mm + rng.uniform(0.8, 1.6))
    c.paint(band, rgb)
    pivot = c.disc(px, py, rng.uniform(1.6, 2.6))
    c.set_height(pivot, top_mm + 1.4)
    c.paint(pivot, rgb)
    c.raise_by(c.disc(px, py, 0.9), -0.7)


def number(c: Canvas, x: float, y: float, text: str, size_mm: float, rise_mm: float, turns: int) -> None:
    """Raised or sunk lettering, its middle at (x, y); turned by quarter turns."""
    scale = size_mm * c.ppm / 22
    (tw, th), base = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 1)
    tile = np.zeros((th + base + 4, tw + 4), np.uint8)
    cv2.putText(tile, text, (2, th + 2), cv2.FONT_HERSHEY_SIMPLEX, scale, 255, 1, cv2.LINE_AA)
    tile = np.rot90(tile, turns)
    cx, cy = (round(float(v)) for v in c.to_px(np.array([[x, y]]))[0])
    r0, c0 = cy - tile.shape[0] // 2, cx - tile.shape[1] // 2
    if r0 < 0 or c0 < 0 or r0 + tile.shape[0] > c.shape[0] or c0 + tile.shape[1] > c.shape[1]:
        return
    window = (slice(r0, r0 + tile.shape[0]), slice(c0, c0 + tile.shape[1]))
    c.height[window] += tile.astype(np.float32) / 255 * rise_mm


def mould_marks(c: Canvas, rng: np.random.Generator, x: Span, y: Span) -> None:
    """Parting line, ejector discs and gate: fine straight or round marks that are no damage."""
    if rng.random() < 0.5:
        s = rng.uniform(*y)
        c.raise_by(c.rect(x, (s - 0.08, s + 0.08)), rng.uniform(0.05, 0.16))
    if rng.random() < 0.3:
        s = rng.uniform(x[0] + 1, x[1] - 1)
        c.raise_by(c.rect((s - 0.08, s + 0.08), y), rng.choice([-0.15, 0.12]))
    for _ in range(rng.integers(0, 4)):
        p = c.disc(rng.uniform(x[0] + 1.5, x[1] - 1.5), rng.uniform(y[0] + 1.5, y[1] - 1.5), rng.uniform(0.6, 1.5))
        c.raise_by(p, rng.choice([-0.15, -0.08, 0.08]))
    if rng.random() < 0.12:  # the dab of ink of an inspector
        dab = c.disc(rng.uniform(x[0] + 2, x[1] - 2), rng.uniform(y[0] + 1, y[1] - 1), rng.uniform(0.6, 1.8))
        inks = ((0.75, 0.75, 0.72), (0.05, 0.25, 0.6), (0.6, 0.05, 0.05), (0.1, 0.45, 0.12), (0.75, 0.6, 0.05))
        c.paint(dab, inks[rng.integers(len(inks))], rng.uniform(0.5, 0.95))


def weather(c: Canvas, rng: np.random.Generator) -> None:
    """Fine matte grain, dirt, scuffs and uneven sheen over everything made so far."""
    grain = rng.uniform(0.001, 0.006)
    c.height += grain * (smooth_noise(rng, c.shape, 1.0) + smooth_noise(rng, c.shape, 2.2)) * (c.height > 0)
    mottle = 0.025 * smooth_noise(rng, c.shape, 1.0) + 0.03 * smooth_noise(rng, c.shape, 25)
    c.albedo *= (1 + mottle)[..., None]
    cloud = smooth_noise(rng, c.shape, rng.uniform(12, 50)) + 0.5 * smooth_noise(rng, c.shape, 5)
    dirt = np.clip((cloud - rng.uniform(0.2, 1.4)) / 2.5, 0, 1) * rng.uniform(0, 0.35)
    low = cv2.GaussianBlur(c.height, (0, 0), 1.0 * c.ppm) - c.height  # dirt gathers in the corners
    dirt = np.clip(dirt + np.clip(low, 0, 1) * rng.uniform(0, 0.5), 0, 0.75)
    tone = np.asarray(rng.choice([[0.10, 0.08, 0.06], [0.05, 0.045, 0.04], [0.28, 0.24, 0.19]]), np.float32)
    c.albedo += dirt[..., None] * (tone - c.albedo)
    scuffs = np.zeros(c.shape, np.uint8)
    for _ in range(rng.integers(0, 14)):
        a = rng.uniform((0, 0), (c.shape[1], c.shape[0]))
        b = a + rng.normal(0, 2.2 * c.ppm, 2)
        scratch(scuffs, a, b, int(rng.integers(40, 130)))
    s = scuffs.astype(np.float32) / 255 * (c.metal < 0.5)
    c.albedo += s[..., None] * (np.clip(c.albedo * 1.6 + 0.06, 0, 0.9) - c.albedo)
    sheen = 0.12 * smooth_noise(rng, c.shape, 30) + rng.uniform(-0.15, 0.25)
    c.gloss = np.clip(c.gloss + sheen * (c.metal < 0.5), 0.02, 0.95)
