"""Where a damage goes: a stretch of the trunk at a wanted distance from the nearest termination."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_images.harness import Harness, WirePath
from sample_images.record import to_termination_mm


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


def upper_wires(harness: Harness, site: Site) -> list[int]:
    """Wires of the site, the highest first."""
    middle = (site.u0 + site.u1) / 2

    def top(i: int) -> float:
        wire = harness.wires[i]
        s = wire.s_at(middle)
        return float(np.interp(s if s is not None else 0.0, wire.s, wire.xyz[:, 2])) + wire.od_mm / 2

    return sorted(site.wires, key=top, reverse=True)
