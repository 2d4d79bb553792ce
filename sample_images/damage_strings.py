"""Strings of molten plastic drawn from wire to wire, thick where they stick and thin between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Material, Part
from sample_images.colours import scorched
from sample_images.damage_site import Site, in_trunk_frame
from sample_images.harness import Harness
from sample_images.tubes import Tube
from sample_images.wires import Skin

Floats = NDArray[Any]


def melt_strings(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], wires: list[int], site: Site, grade: float, code: int
) -> list[Part]:
    """Up to 20 strings within the site, more with more heat, each between two wires 0.6 to 14 mm apart."""
    if len(wires) < 2:
        return []
    out: list[Part] = []
    for _ in range(int(rng.integers(0, 4 + round(16 * grade)))):
        u = site.u0 + (site.u1 - site.u0) * float(rng.uniform(0.08, 0.92))
        a, b = (int(i) for i in rng.choice(wires, 2, replace=False))
        ends = [_foot(harness, i, u + float(rng.normal(0, 1.5))) for i in (a, b)]
        gap = float(np.linalg.norm(ends[0] - ends[1]))
        if min(e[2] for e in ends) < 0.3 or not 0.6 < gap < 14:
            continue
        tone = scorched((skins[a].base + skins[b].base)[None] / 2, np.full((1, 1), rng.uniform(0.2, 1.0)))[0]
        out.append(_string(rng, ends[0], ends[1], tone, code))
    return out


def _foot(harness: Harness, index: int, u_mm: float) -> Floats:
    """(3,) mm: top of a wire at a trunk coordinate."""
    u = np.array([u_mm])
    across, height = in_trunk_frame(harness, harness.wires[index], u)
    xy, _, normal = harness.trunk.at(u)
    return np.append(xy[0] + normal[0] * across[0], height[0] + 0.35 * harness.wires[index].od_mm)


def _string(rng: np.random.Generator, a: Floats, b: Floats, tone: Floats, code: int) -> Tube:
    t = np.linspace(0, 1, 13)
    gap = float(np.linalg.norm(b - a))
    axis = a + (b - a) * t[:, None]
    bow = np.array([*rng.normal(0, 0.08, 2), rng.uniform(-0.1, 0.12)]) * gap
    axis += np.sin(np.pi * t)[:, None] * bow
    thin, foot = rng.uniform(0.06, 0.22), rng.uniform(0.15, 0.5)
    r = thin + foot * np.abs(2 * t - 1) ** rng.uniform(2, 5)
    axis[:, 2] = np.maximum(axis[:, 2], r)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(axis, axis=0), axis=1))])
    gloss = float(rng.uniform(0.6, 0.95))

    def paint(s: Floats, angle: Floats) -> Material:
        n = len(s)
        albedo = np.repeat(tone[None].astype(np.float32), n, axis=0)
        return Material(albedo, np.full(n, gloss, np.float32), np.zeros(n, np.float32), np.full(n, code, np.uint8))

    return Tube(axis, s, r, r, paint)
