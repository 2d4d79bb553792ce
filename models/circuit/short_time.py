"""Closed forms for wires heated so fast that no heat escapes: Preece, Onderdonk, and the adiabatic equation."""

from __future__ import annotations

import math

from models.circuit.errors import positive
from models.circuit.insulation_table import COPPER_MELTS_C

_MM_PER_INCH = 25.4
_PREECE_COPPER = 10_244.0  # A per inch^1.5
_MM2_PER_CIRCULAR_MIL = math.pi / 4 * (_MM_PER_INCH / 1000) ** 2
_COPPER_ZERO_C = 234.5  # minus the temperature at which copper's resistance, drawn as a line, reaches zero
ADIABATIC_MOST_S = 5.0
"""IEC 60364-5-54 uses the adiabatic equation up to this time."""


def preece_current_a(diameter_mm: float) -> float:
    """Current that melts a bare copper wire in free air in the long run: Preece, I = 10244 d^1.5, d in inches."""
    return _PREECE_COPPER * (diameter_mm / _MM_PER_INCH) ** 1.5


def onderdonk_time_s(copper_mm2: float, current_a: float, ambient_c: float = 25.0) -> float:
    """Time in which a short current melts copper: Onderdonk, I = A √(log10((Tm − Ta)/(234 + Ta) + 1)/(33 t)).

    A in circular mils. The sum is 234 + Ta; a copied example that has 234 − Ta gives times that are too long.
    """
    positive("current", current_a, "A")
    area = copper_mm2 / _MM2_PER_CIRCULAR_MIL
    rise = math.log10((COPPER_MELTS_C - ambient_c) / (234.0 + ambient_c) + 1.0)
    return rise / 33.0 * (area / current_a) ** 2


def adiabatic_k(start_c: float, end_c: float) -> float:
    """Factor k in A √s/mm² for copper from start to end temperature, IEC 60364-5-54: 226 √ln((234.5+θf)/(234.5+θi))."""
    return 226.0 * math.sqrt(math.log((_COPPER_ZERO_C + end_c) / (_COPPER_ZERO_C + start_c)))


def adiabatic_time_s(copper_mm2: float, current_a: float, k: float) -> float:
    """Time in which a short current takes copper from start to end temperature of `k`: t = k² S² / I²."""
    return (k * copper_mm2 / positive("current", current_a, "A")) ** 2
