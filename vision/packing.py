"""How many wires a bundle of a known width can hold: bounds by geometry, and a usual number by a rule of the trade."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.findings import Count, Measure

_USUAL = 1.2
"""A taped bundle of n wires is about 1.2 x wire diameter x sqrt(n) wide: common practice, no published source."""
_WIDTHS_U95_MM = 0.15
"""What diameters of one photograph share of their error: median bias on rendered photographs, rounded up."""


@dataclass(frozen=True)
class Wrap:
    """What a kind of covering adds to the radius of a bundle, mm: at least, usually, at most; whether it fits tight."""

    least_mm: float
    usual_mm: float
    most_mm: float
    tight: bool


# tape of 0.13 to 0.3 mm in one to two layers, conduit with its ribs: our estimates, no published source
WRAPS = {"tape": Wrap(0.13, 0.3, 0.6, True), "conduit": Wrap(0.5, 1.2, 2.0, False)}


def most_circles(ratio: float) -> int:
    """How many circles of diameter 1 a circle of diameter `ratio` holds at most; 0 below 1.

    Their middles lie 1 apart in a circle of radius R = (ratio - 1) / 2, and Oler's inequality bounds points 1 apart in
    a convex body of area A and perimeter P by 2 / sqrt(3) A + P / 2 + 1 (N. Oler, Acta Math. 105, 1961; from memory).
    """
    if ratio < 1:
        return 0
    r = (ratio - 1) / 2
    return math.floor(2 / math.sqrt(3) * math.pi * r * r + math.pi * r + 1 + 1e-9)


def usual_circles(ratio: float) -> float:
    """How many wires of diameter 1 a taped bundle of that width usually holds: the rule of the trade turned round."""
    return (ratio / _USUAL) ** 2


def wires_within(
    width_mm: Measure, kind: str, wires_mm: Sequence[Measure], seen: int, bare_mm: Sequence[Measure] = ()
) -> Count | None:
    """Wires beneath a covering; None where no diameter is known or the wrap alone fills the width.

    width_mm : of the covered trunk from outside; wires_mm : diameters of wires seen beside it; seen : how many were;
    bare_mm : widths of the bare bundle at either end of the covering, where both are seen: wires run on, so that no
    more lie beneath than find room at the wider end.
    At most: the trunk as thin-walled and as wide, the wires as thin, as the uncertainties allow, packed in a circle (a
    bundle lies on its broad side, so it is no higher than wide). Unequal wires count at their root mean square; sizes
    that differ much could be packed a little denser in theory. At least: a tight wrap holds wires whose shadows fill
    its width, however flat it lies; a loose one those that were seen to go in.
    """
    wrap = WRAPS[kind]
    mean, square, u95 = _sizes(wires_mm)
    widest, narrowest = width_mm.value + width_mm.u95 - 2 * wrap.least_mm, width_mm.value - width_mm.u95
    usual = width_mm.value - 2 * wrap.usual_mm
    if not wires_mm or square <= u95 or widest <= 0:
        return None
    shadow = max(narrowest - 2 * wrap.most_mm, 0.0) / (mean + u95) if wrap.tight else 0.0
    high = max(1, seen, most_circles(widest / (square - u95)))
    low = min(max(1, seen, math.ceil(shadow - 1e-9)), high)
    if bare_mm:
        room = max(most_circles((bare.value + bare.u95) / (square - u95)) for bare in bare_mm)
        # less room than wires that surely lie beneath: the ends were misread
        high = min(high, room) if room >= low else high
    value = round(usual_circles(max(usual, 0.0) / square)) if wrap.tight else low
    return Count(value=min(max(value, low), high), low=low, high=high)


def _sizes(wires_mm: Sequence[Measure]) -> tuple[float, float, float]:
    """Mean and root mean square of the diameters, and the U95 of both: few wires stand for all."""
    if not wires_mm:
        return 0.0, 0.0, 0.0
    values = np.array([m.value for m in wires_mm])
    own = float(np.mean([m.u95 for m in wires_mm])) / math.sqrt(len(values))
    spread = 2 * float(values.std(ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    u95 = math.sqrt(own**2 + spread**2 + _WIDTHS_U95_MM**2)
    return float(values.mean()), float(np.sqrt((values**2).mean())), u95
