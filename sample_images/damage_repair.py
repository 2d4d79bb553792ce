"""Earlier repairs: shrunk sleeves over joints, and the factory joints that are none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.colours import linear
from sample_images.coverings import SLEEVE_ODDS, SLEEVE_SRGB, sleeve
from sample_images.damage_site import Site, choose_site, lay_on_top, span_of, upper_wires
from sample_images.harness import Harness
from sample_images.record import Record
from sample_images.sleeves_more import LENGTH_MM, other_sleeve, sleeve_kind
from sample_images.tubes import Tube
from sample_images.wires import Skin

Floats = NDArray[Any]


@dataclass
class Sleeve:
    """A sleeve over a joint of one wire."""

    wire: int
    low: float
    high: float
    origin: str
    tube: Tube


def repair(
    rng: np.random.Generator,
    harness: Harness,
    skins: list[Skin],
    grade: float,
    code: int,
    distance_mm: float,
    busy: list[tuple[float, float]],
    more: np.random.Generator | None = None,
) -> tuple[Record, list[Sleeve]]:
    """1 to 3 sleeves near each other, the nearest at the wanted distance from a termination; `more`: rarer ones."""
    length = float(rng.uniform(20, 45))
    if more is not None:
        length = float(more.uniform(*LENGTH_MM))
    site = choose_site(rng, harness, length, distance_mm, busy)
    order = upper_wires(harness, site)
    count = min(len(order), int(rng.choice([1, 2, 3], p=[0.5, 0.3, 0.2])))
    record = Record("earlier_repair", code, grade, ["sleeve"], 0.0)
    kind = str(rng.choice(list(SLEEVE_SRGB), p=SLEEVE_ODDS))
    if more is not None:
        kind = sleeve_kind(more)
    if rng.random() < 0.45 and not skins[order[0]].changes:
        lay_on_top(harness, order[0], site.u0, site.u1)
    sleeves: list[Sleeve] = []
    u = []
    for rank, index in enumerate(order[:count]):
        shift = 0.0 if rank == 0 else float(rng.uniform(-18, 30))
        u0 = float(np.clip(site.u0 + shift, harness.start_u, harness.end_u - length))
        span = span_of(harness.wires[index], u0, u0 + length * rng.uniform(0.85, 1.0))
        if rank and rng.random() < 0.2:  # another repair, another sleeve
            kind = str(rng.choice(list(SLEEVE_SRGB), p=SLEEVE_ODDS)) if more is None else sleeve_kind(more)
        if span is None:
            continue
        make, dice = (sleeve, rng) if more is None else (other_sleeve, more)
        tube = make(dice, harness.wires[index], *span, code, kind, skins[index].base)
        sleeves.append(Sleeve(index, *span, "repair", tube))
        record.spans[index] = [span]
        u += [u0, u0 + span[1] - span[0]]
    record.length_mm = max(u) - min(u)
    return record, sleeves


def factory_joint(rng: np.random.Generator, harness: Harness, busy: list[tuple[float, float]]) -> list[Sleeve]:
    """A maker's own joint: a short flat sleeve low in the bundle; not a repair."""
    length = float(rng.uniform(14, 22))
    site = choose_site(rng, harness, length, float(rng.uniform(40, 120)), busy)
    if any(site.u0 < b + 8 and site.u1 > a - 8 for a, b in busy):
        return []
    index = upper_wires(harness, site)[-1]
    span = span_of(harness.wires[index], site.u0, site.u1)
    if span is None:
        return []
    tube = sleeve(rng, harness.wires[index], *span, 0, "black", linear((40, 40, 42)))
    return [Sleeve(index, *span, "factory", tube)]


def joint_after(rng: np.random.Generator, harness: Harness, record: Record) -> list[Sleeve]:
    """A maker's joint at which an overloaded wire's burn ends, where there is room before the termination."""
    index, spans = next(iter(record.spans.items()))
    wire, length = harness.wires[index], float(rng.uniform(14, 26))
    low = spans[0][0] - length + 1 if rng.random() < 0.5 else spans[0][1] - 1
    on = wire.s[np.isfinite(wire.u)]
    if low < on[0] + 3 or low + length > on[-1] - 3:
        return []
    # a maker's joint looks like a maker's joint: in a repair's colours nobody could tell the two apart
    tube = sleeve(rng, wire, low, low + length, 0, "black", linear((40, 40, 42)))
    return [Sleeve(index, low, low + length, "factory", tube)]


__all__ = ["Site", "Sleeve", "factory_joint", "joint_after", "repair"]
