"""Where a damage goes: a stretch of the trunk at a wanted distance from the nearest termination."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from sample_images.harness import Harness, WirePath
from sample_images.record import to_termination_mm

Floats = NDArray[Any]
ELSEWHERE_MM = -30.0  # the height of a wire where it does not run in the trunk: out of every union


@dataclass(frozen=True)
class Site:
    """Trunk coordinates of a damage and the wires that run through all of it."""

    u0: float
    u1: float
    wires: tuple[int, ...]


def wanted_distance(rng: np.random.Generator, kind: str) -> float:
    """Near edge to termination, mm: beyond the limit of 152.4 (`far`), about it (`edge`), or nearer (`near`)."""
    low, high = {"far": (163.0, 240.0), "edge": (142.4, 162.4), "near": (12.0, 141.0)}[kind]
    return float(rng.uniform(low, high))


def span_of(wire: WirePath, u0: float, u1: float) -> tuple[float, float] | None:
    """Arc lengths of a wire between two trunk coordinates."""
    low, high = wire.s_at(u0), wire.s_at(u1)
    return (low, high) if low is not None and high is not None else None


def overlap_of(wire: WirePath, u0: float, u1: float) -> tuple[float, float] | None:
    """Arc lengths where a wire runs within two trunk coordinates; None when it shares less than a third of them."""
    on = wire.u[np.isfinite(wire.u)]
    if len(on) == 0:
        return None
    low, high = max(u0, float(on[0])), min(u1, float(on[-1]))
    return span_of(wire, low, high) if high - low > (u1 - u0) / 3 else None


def choose_site(
    rng: np.random.Generator, harness: Harness, length_mm: float, target_mm: float, avoid: list[tuple[float, float]]
) -> Site:
    """The stretch nearest to the wanted distance from a termination that keeps 55 mm from other damages."""
    length = min(length_mm, (harness.end_u - harness.start_u) * 0.6)
    end = min(harness.end_u, harness.start_u + 420)
    best: tuple[float, Site] | None = None
    for u0 in np.arange(harness.start_u + 2, max(end - length - 2, harness.start_u + 3), 3.0):
        u0 = float(u0 + rng.uniform(-1, 1))
        spans = {w.index: [sp] for w in harness.wires if (sp := span_of(w, u0, u0 + length)) is not None}
        if not spans:
            continue
        found = to_termination_mm(harness.wires, spans)
        cost = abs((found if found is not None else 400.0) - target_mm) + 8.0 * (len(spans) < 2) + rng.uniform(0, 2)
        cost += sum(500.0 for a, b in avoid if u0 < b + 55 and u0 + length > a - 55)
        if best is None or cost < best[0]:
            best = (cost, Site(u0, u0 + length, tuple(spans)))
    if best is None:
        raise ValueError(
            f"expected a trunk with room for {length:.0f} mm of damage, got {harness.trunk.length_mm:.0f} mm"
        )
    return best[1]


def in_trunk_frame(harness: Harness, wire: WirePath, u: Floats) -> tuple[Floats, Floats]:
    """Across and height (M,) mm of a wire's axis at trunk coordinates."""
    on = np.isfinite(wire.u)
    xyz = np.stack([np.interp(u, wire.u[on], wire.xyz[on, k]) for k in range(3)], axis=1)
    xy, _, normal = harness.trunk.at(u)
    here = (u >= wire.u[on][0] - 1) & (u <= wire.u[on][-1] + 1)
    return ((xyz[:, :2] - xy) * normal).sum(1), np.where(here, xyz[:, 2], ELSEWHERE_MM)


def _above(harness: Harness, u: Floats) -> tuple[Floats, Floats]:
    """Heights (W,M) mm of the axes at trunk coordinates, and the height each would need to lie on the others."""
    placed = [in_trunk_frame(harness, w, u) for w in harness.wires]
    across, height = np.stack([p[0] for p in placed]), np.stack([p[1] for p in placed])
    radius = np.array([w.od_mm / 2 for w in harness.wires])
    reach = radius[:, None, None] + radius[None, :, None]
    d = np.abs(across[:, None] - across[None])
    rest = height[None] + np.sqrt(np.maximum(reach**2 - d**2, 0))
    free = (d >= reach) | (height[None] < 0) | np.eye(len(radius), dtype=bool)[..., None]
    return height, np.where(free, 0.0, rest).max(1)


def upper_wires(harness: Harness, site: Site) -> list[int]:
    """Wires of the site, those seen best first: least of their length under others, then the highest."""
    height, need = _above(harness, np.linspace(site.u0, site.u1, 9))
    buried = np.clip((need - height) / (2 * np.array([w.od_mm for w in harness.wires])[:, None]), 0, 1).mean(1)
    top = height.mean(1) / 100
    return sorted(site.wires, key=lambda i: float(buried[i] - top[i]))


def lay_on_top(harness: Harness, index: int, u0: float, u1: float) -> None:
    """Lift a wire between two trunk coordinates until it rests on its neighbours."""
    u = np.arange(u0 - 24, u1 + 24, 1.0)
    height, need = _above(harness, u)
    lift = np.where(height[index] > 0, np.maximum(need[index] - height[index], 0), 0)
    lift *= np.clip(np.minimum(u - u[0], u[-1] - u) / 18, 0, 1)
    lift = gaussian_filter1d(maximum_filter1d(lift, 5), 3.0)
    wire = harness.wires[index]
    on = np.isfinite(wire.u)
    xyz = wire.xyz.copy()
    xyz[on, 2] += np.interp(wire.u[on], u, lift, left=0, right=0)
    wire.replaced(xyz)
    top = np.interp(harness.station_u, u, height[index] + lift + wire.od_mm / 2, left=0, right=0)
    harness.outline[:, 2] = np.maximum(harness.outline[:, 2], top)
