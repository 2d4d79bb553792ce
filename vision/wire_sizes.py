"""Conductor sizes that an outside diameter allows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.findings import SizeCandidate


@dataclass(frozen=True)
class CableSize:
    """One size of a cable standard: conductor area and the range of outside diameters it allows."""

    size_mm2: float
    least_mm: float
    most_mm: float


# ISO 6722-1 / ISO 19642 thin wall, maximum outside diameter: values from memory, not checked against the standard.
# The standards name no minimum; 0.3 mm (small) to 0.5 mm below the maximum is what such cables measure, our estimate
_THIN_WALL = tuple(
    CableSize(size, most - 0.2 - 0.06 * most, most)
    for size, most in (
        (0.22, 1.2), (0.35, 1.4), (0.5, 1.6), (0.75, 1.9), (1.0, 2.1), (1.5, 2.4), (2.0, 2.8), (2.5, 3.0), (4.0, 3.7),
        (6.0, 4.3),
    )
)  # fmt: skip

# JIS C 3406 type AV: standard and maximum outside diameter as published; the lower rim mirrors the upper
_AV = tuple(
    CableSize(size, 2 * usual - most, most)
    for size, usual, most in (
        (0.5, 2.2, 2.4), (0.85, 2.4, 2.6), (1.25, 2.7, 2.9), (2.0, 3.1, 3.4), (3.0, 3.8, 4.1), (5.0, 4.6, 4.9),
    )
)  # fmt: skip

FAMILIES: dict[str, tuple[CableSize, ...]] = {"thin wall": _THIN_WALL, "AV": _AV}
"""Cable families; without a print on the wire each is as likely as the other."""

_TABLE_U_MM = 0.1  # standard uncertainty of the tables themselves: from memory, and makers differ
_LEAST_P = 0.02


def size_candidates(diameter_mm: float, u95_mm: float) -> list[SizeCandidate]:
    """Conductor sizes in mm², likeliest first, for an outside diameter; empty where none fits.

    Each size answers for its range of diameters, blurred by the measurement and by the tables' own uncertainty.
    """
    u = float(np.hypot(u95_mm / 1.96, _TABLE_U_MM))
    score: dict[float, float] = {}
    fits = False
    for family in FAMILIES.values():
        for cable in family:
            gap = max(cable.least_mm - diameter_mm, diameter_mm - cable.most_mm, 0.0)
            fits |= gap <= 3 * u
            # a wide range of allowed diameters makes any single one less likely
            weight = float(np.exp(-0.5 * (gap / u) ** 2)) / (cable.most_mm - cable.least_mm + u)
            score[cable.size_mm2] = score.get(cable.size_mm2, 0.0) + weight
    if not fits:
        return []
    total = sum(score.values())
    kept = {size: value / total for size, value in score.items() if value / total >= _LEAST_P}
    whole = sum(kept.values())
    ranked = sorted(kept.items(), key=lambda item: (-item[1], item[0]))
    return [SizeCandidate(size=size, p=value / whole) for size, value in ranked]
