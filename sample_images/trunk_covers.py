"""Chooses what covers the trunk: over a damage's end now and then, and elsewhere off the damages."""

from __future__ import annotations

import numpy as np

from sample_images import coverings, damages
from sample_images.coverings_more import cover_more
from sample_images.layout_scene import Assembly
from sample_images.record import Record


def cover_trunk(
    rng: np.random.Generator, assembly: Assembly, records: list[Record], more: np.random.Generator | None
) -> list[coverings.Cover]:
    """All coverings of the trunk; `more` draws those that are less common, where the scene shows some."""
    hiding = _hide(rng, assembly, records)
    busy = damages.taken(records, assembly.harness) + [(c.u0, c.u1) for c in hiding]
    on_trunk = hiding + _cover(rng, assembly, busy)
    if more is not None:
        busy += [(c.u0, c.u1) for c in on_trunk]
        on_trunk += cover_more(more, assembly.harness, busy)
    return on_trunk


def _hide(rng: np.random.Generator, assembly: Assembly, records: list[Record]) -> list[coverings.Cover]:
    """Now and then a covering that a damage runs on under."""
    h = assembly.harness
    out: list[coverings.Cover] = []
    for record in records:
        spans = damages.taken([record], h)
        if record.label == "earlier_repair" or not spans or rng.random() > 0.12:
            continue
        low, high = min(a for a, _ in spans), max(b for _, b in spans)
        u0 = high - (high - low) * rng.uniform(0.1, 0.35)
        u1 = min(u0 + rng.uniform(0.35 * (high - low) + 12, 0.35 * (high - low) + 50), h.end_u)
        if u1 - u0 < 10:
            continue
        record.hidden = True
        out.append(coverings.tape(rng, h, u0, u1) if rng.random() < 0.6 else coverings.conduit(rng, h, u0, u1))
    return out


def _cover(rng: np.random.Generator, assembly: Assembly, taken: list[tuple[float, float]]) -> list[coverings.Cover]:
    """Tape, conduit and ties on the trunk, off the damages and off each other."""
    h = assembly.harness
    out: list[coverings.Cover] = []
    busy = list(taken)
    for _ in range(int(rng.integers(0, 5))):
        kind = str(rng.choice(["tape", "spot", "conduit", "tie"], p=[0.28, 0.3, 0.2, 0.22]))
        length = {
            "tape": rng.uniform(25, 90),
            "spot": rng.uniform(10, 22),
            "conduit": rng.uniform(30, 110),
            "tie": 4.0,
        }[kind]
        last = min(h.end_u, h.start_u + 420) - length - 4
        if last <= h.start_u + 4:
            continue
        u0 = float(rng.uniform(h.start_u + 4, last))
        if any(u0 < b + 6 and u0 + length > a - 6 for a, b in busy):
            continue
        busy.append((u0, u0 + length))
        if kind == "tie":
            out.append(coverings.tie(rng, h, u0))
        elif kind == "conduit":
            out.append(coverings.conduit(rng, h, u0, u0 + length))
        else:
            out.append(coverings.tape(rng, h, u0, u0 + length))
    return out
