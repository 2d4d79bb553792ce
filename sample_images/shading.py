"""Light on surfaces: lamps with soft shadows, sky light with occlusion, highlights, metal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Visible

Floats = NDArray[Any]
CELL_MM = 0.4
OCCLUSION_MM = ((0.9, 0.75), (2.2, 0.75), (6.0, 0.6), (16.0, 0.5))


@dataclass(frozen=True)
class Lamp:
    """A light at `place_mm` (x, y, height), colour (3,) linear at the page's middle, angular radius in rad."""

    place_mm: Floats
    colour: Floats
    soft_rad: float
    middle_mm: Floats

    def towards(self, xyz: Floats) -> tuple[Floats, Floats]:
        """Unit directions (n,3) and relative strength (n,) at points; 1 at the middle."""
        to = self.place_mm.astype(np.float32)[None] - xyz
        d2 = (to * to).sum(1)
        far = float(((self.place_mm - self.middle_mm) ** 2).sum())
        return to / np.sqrt(d2)[:, None], np.clip(far / d2, 0.2, 3.0)


@dataclass(frozen=True)
class Light:
    """All light of a scene: lamps, sky colour (3,), lean of the sky to one side, contrast of its image."""

    lamps: tuple[Lamp, ...]
    sky: Floats
    sky_lean: Floats
    sky_contrast: float
    sky_phase: Floats


def kelvin_rgb(kelvin: float) -> Floats:
    """Linear RGB of a black body, green 1: fit of Tanner Helland's table, made linear roughly by a square."""
    t = kelvin / 100.0
    red = 255.0 if t <= 66 else 329.7 * (t - 60) ** -0.1332
    green = 99.47 * np.log(t) - 161.12 if t <= 66 else 288.12 * (t - 60) ** -0.0755
    blue = 255.0 if t >= 66 else (0.0 if t <= 19 else 138.52 * np.log(t - 10) - 305.04)
    rgb = (np.clip([red, green, blue], 8, 255) / 255.0) ** 2.2
    return (rgb / rgb[1]).astype(np.float32)


RIGS = ("overcast", "window", "desk_lamp", "sun", "ceiling", "flash")


def light_scene(rng: np.random.Generator, middle_mm: Floats, camera_mm: Floats) -> Light:
    """A random lighting of a workshop bench; total light about 1 on the page."""
    rig = str(rng.choice(RIGS, p=[0.2, 0.24, 0.17, 0.09, 0.22, 0.08]))
    kelvin = rng.uniform(2700, 7200)
    table = {  # share of the sky, lamps, elevation range, distance range, angular radius range
        "overcast": (0.72, 1, (40, 80), (1500, 3000), (0.35, 0.6)),
        "window": (0.42, 1, (22, 50), (900, 2500), (0.15, 0.4)),
        "desk_lamp": (0.28, 1, (35, 75), (300, 650), (0.06, 0.16)),
        "sun": (0.3, 1, (25, 65), (9e4, 1e5), (0.005, 0.02)),
        "ceiling": (0.38, int(rng.integers(2, 4)), (45, 85), (1400, 2600), (0.05, 0.2)),
        "flash": (0.35, 1, (84, 89), (0, 1), (0.01, 0.03)),
    }
    share, count, elevation, distance, soft = table[rig]
    share = float(np.clip(share + rng.normal(0, 0.08), 0.15, 0.85))
    lamps = []
    turn = rng.uniform(0, 2 * np.pi)
    for k in range(count):
        el = np.radians(rng.uniform(*elevation))
        az = turn + k * rng.uniform(1.5, 3.0)
        direction = np.array([np.cos(az) * np.cos(el), np.sin(az) * np.cos(el), np.sin(el)])
        place = np.append(middle_mm, 0.0) + direction * rng.uniform(*distance)
        if rig == "flash":
            place = camera_mm + np.array([rng.uniform(-12, 12), rng.uniform(-12, 12), 0.0])
            direction = place - np.append(middle_mm, 0.0)
            direction /= np.linalg.norm(direction)
        colour = kelvin_rgb(float(np.clip(kelvin + rng.normal(0, 250), 2500, 7500)))
        strength = (1 - share) / count / max(direction[2], 0.3)
        lamps.append(Lamp(place, (colour * strength).astype(np.float32), rng.uniform(*soft), np.append(middle_mm, 0.0)))
    sky_colour = kelvin_rgb(float(np.clip(kelvin + rng.normal(0, 700), 2500, 7500))) * share
    lean = np.append(rng.normal(0, 0.25, 2), 0.0).astype(np.float32)
    return Light(tuple(lamps), sky_colour.astype(np.float32), lean, rng.uniform(0.3, 1.0), rng.uniform(0, 6.28, 3))


class Relief:
    """Heights of everything on the page on a lattice of CELL_MM, with blurred copies and shadow layers."""

    def __init__(self, seen: Visible, light: Light, rng: np.random.Generator) -> None:
        xyz = seen.xyz
        margin = 45.0
        self.x0, self.y0 = float(xyz[:, 0].min() - margin), float(xyz[:, 1].min() - margin)
        w = int((xyz[:, 0].max() + margin - self.x0) / CELL_MM) + 2
        h = int((xyz[:, 1].max() + margin - self.y0) / CELL_MM) + 2
        ix = ((xyz[:, 0] - self.x0) / CELL_MM + 0.5).astype(np.int64)
        iy = ((xyz[:, 1] - self.y0) / CELL_MM + 0.5).astype(np.int64)
        cells = np.zeros(w * h, np.float32)
        np.maximum.at(cells, iy * w + ix, xyz[:, 2])
        top = cells.reshape(h, w)
        self.top = np.maximum(top, np.where(top == 0, cv2.morphologyEx(top, cv2.MORPH_CLOSE, np.ones((3, 3))), 0))
        self.blurred = [cv2.GaussianBlur(self.top, (0, 0), mm / CELL_MM / 2) for mm, _ in OCCLUSION_MM]
        self.ground_shadow = [self._shadow(lamp, np.zeros_like(self.top), rng) for lamp in light.lamps]
        self.top_shadow = [self._shadow(lamp, self.top, rng) for lamp in light.lamps]

    def _shadow(self, lamp: Lamp, receiver: Floats, rng: np.random.Generator) -> Floats:
        """Share of the lamp seen from each cell at the receiver's height: marching towards points of the lamp."""
        h, w = self.top.shape
        centre = np.array([self.x0 + w * CELL_MM / 2, self.y0 + h * CELL_MM / 2, 0.0])
        to = lamp.place_mm - centre
        to /= np.linalg.norm(to)
        total = np.zeros((h, w), np.float32)
        count = 1 if lamp.soft_rad < 0.03 else 7
        highest = float(self.top.max())
        for k in range(count):
            shift = np.array([np.cos(k * 2.4), np.sin(k * 2.4), 0.6 * np.cos(k * 5.1)]) * np.sqrt((k + 0.5) / count)
            ray = to + shift * (lamp.soft_rad if count > 1 else 0.0)
            slope = max(float(ray[2] / (np.hypot(ray[0], ray[1]) + 1e-6)), 0.12)
            away = ray[:2] / (np.hypot(ray[0], ray[1]) + 1e-6)
            excess = np.full((h, w), -1.0, np.float32)
            reach = CELL_MM * (0.9 + 0.5 * rng.random())
            while reach * slope < highest and reach < 60:
                dx, dy = round(away[0] * reach / CELL_MM), round(away[1] * reach / CELL_MM)
                ys, yd = slice(max(dy, 0), h + min(dy, 0)), slice(max(-dy, 0), h + min(-dy, 0))
                xs, xd = slice(max(dx, 0), w + min(dx, 0)), slice(max(-dx, 0), w + min(-dx, 0))
                over = self.top[ys, xs] - receiver[yd, xd] - reach * slope
                np.maximum(excess[yd, xd], over, out=excess[yd, xd])
                reach *= 1.28
            total += np.clip(excess / 0.35 - 0.15, 0, 1)
        lit = 1 - total / count
        return cv2.GaussianBlur(lit, (0, 0), 0.8)

    def sample(self, layer: Floats, x: Floats, y: Floats, border: float) -> Floats:
        """Values of a layer at page coordinates of any shape, `border` outside."""
        shape = x.shape
        mx = ((x - self.x0) / CELL_MM).astype(np.float32)
        my = ((y - self.y0) / CELL_MM).astype(np.float32)
        if mx.ndim == 1:
            pad = -len(mx) % 1024
            mx, my = np.pad(mx, (0, pad)).reshape(-1, 1024), np.pad(my, (0, pad)).reshape(-1, 1024)
        out = cv2.remap(layer, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=border)
        return out.ravel()[: shape[0]] if len(shape) == 1 else out

    def openness(self, x: Floats, y: Floats, z: Floats | float) -> Floats:
        """Share of the sky seen at points, from how far the blurred heights rise above them."""
        total = np.zeros(x.shape, np.float32)
        for (mm, weight), layer in zip(OCCLUSION_MM, self.blurred, strict=True):
            total += weight * np.clip((self.sample(layer, x, y, 0.0) - z) / mm, 0, 1.2)
        return np.exp(-1.25 * total)

    def lit(self, k: int, x: Floats, y: Floats, z: Floats) -> Floats:
        """Share of lamp k seen at points between the page and the top."""
        ground, top = self.sample(self.ground_shadow[k], x, y, 1.0), self.sample(self.top_shadow[k], x, y, 1.0)
        f = np.clip(z / np.maximum(self.sample(self.top, x, y, 1.0), 0.3), 0, 1)
        return ground * (1 - f) + top * f


def shade(seen: Visible, relief: Relief, light: Light, camera_mm: Floats, ground: Floats) -> Floats:
    """Light (n,3) that each visible point sends to the camera. `ground` (3,) is the page's mean colour, for bounce."""
    n, xyz = seen.normal.astype(np.float32), seen.xyz
    x, y, z = xyz[:, 0], xyz[:, 1], xyz[:, 2]
    view = camera_mm.astype(np.float32)[None] - xyz
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    open_ = relief.openness(x, y, z)
    dull = seen.albedo * (1 - 0.5 * seen.metal)[:, None]  # rough metal scatters half of its light widely
    facing = np.clip((n * view).sum(1), 0.02, 1)
    base = np.where(seen.metal[:, None] > 0, seen.albedo * seen.metal[:, None], 0) + 0.04 * (1 - seen.metal)[:, None]
    fresnel = base + (1 - base) * ((1 - facing) ** 5 * 0.6)[:, None]
    sky = (0.55 + 0.45 * n[:, 2]) * open_ * (1 + n @ light.sky_lean)
    out = dull * (sky[:, None] * light.sky[None])
    bounce = (0.5 - 0.5 * n[:, 2]) * np.sqrt(open_) * 0.55
    out += dull * bounce[:, None] * ground[None]
    mirror = 2 * (n * view).sum(1, keepdims=True) * n - view
    out += (
        fresnel
        * (_reflected_sky(mirror, light) * open_ * (0.25 + 0.75 * np.maximum(seen.gloss, seen.metal)))[:, None]
        * light.sky
    )
    sharp = 2.0 ** (2.0 + 6.5 * seen.gloss)
    for k, lamp in enumerate(light.lamps):
        to, strength = lamp.towards(xyz)
        lit = relief.lit(k, x, y, z) * strength * np.sqrt(open_)
        cos = np.clip((n * to).sum(1), 0, 1)
        half = to + view
        half /= np.linalg.norm(half, axis=1, keepdims=True) + 1e-9
        power = 1 / (1 / sharp + lamp.soft_rad**2 * 0.35)
        glint = np.clip((n * half).sum(1), 0, 1) ** power * (power + 2) / 8
        glint *= cos * lit * (0.2 + 0.8 * np.maximum(seen.gloss, seen.metal * 0.8))
        out += (dull * (cos * lit)[:, None] + fresnel * np.minimum(glint, 12)[:, None]) * lamp.colour[None]
    return out


def _reflected_sky(ray: Floats, light: Light) -> Floats:
    """Brightness of the workshop in a direction: bright above, dark below, with bright and dark fields."""
    p = [float(v) for v in light.sky_phase]
    fields = np.sin(3.1 * ray[:, 0] + p[0]) * np.sin(2.7 * ray[:, 1] + p[1]) + 0.5 * np.sin(
        6 * ray[:, 0] - 4 * ray[:, 1] + p[2]
    )
    return np.clip(0.55 + 0.6 * ray[:, 2] + light.sky_contrast * 0.6 * fields, 0.05, 2.5)


def ground_light(
    relief: Relief | None, light: Light, camera_mm: Floats, gx: Floats, gy: Floats, gloss: float
) -> tuple[Floats, Floats]:
    """Light falling on the page per pixel (H,W,3), and mirrored glare (H,W,3)."""
    h, w = gx.shape
    cx, cy = gx[::16, ::16], gy[::16, ::16]
    flat = np.stack([cx.ravel(), cy.ravel(), np.zeros(cx.size, np.float32)], axis=1)
    view = camera_mm.astype(np.float32)[None] - flat
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    open_ = relief.openness(gx, gy, 0.0) if relief else np.ones((h, w), np.float32)
    total = open_[..., None] * light.sky
    glare = np.zeros((*cx.shape, 3), np.float32)
    for k, lamp in enumerate(light.lamps):
        to, strength = lamp.towards(flat)
        field = (to[:, 2] * strength).reshape(cx.shape)
        field = cv2.resize(field.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
        if relief:
            field *= relief.sample(relief.ground_shadow[k], gx, gy, 1.0)
        total += field[..., None] * lamp.colour
        half = to + view
        half /= np.linalg.norm(half, axis=1, keepdims=True)
        power = 1 / (1 / 2 ** (3 + 6 * gloss) + lamp.soft_rad**2 * 0.35)
        spot = np.clip(half[:, 2], 0, 1) ** power * (power + 2) / 8 * 0.04 * strength * gloss
        glare += spot.reshape(cx.shape)[..., None] * lamp.colour
    glare = cv2.resize(glare, (w, h), interpolation=cv2.INTER_LINEAR)
    return total, glare
