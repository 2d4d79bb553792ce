"""Which load current explains overload damage that begins at some distance from a terminal.

A long wire under one current is equally hot all along, but near a terminal heat flows off into the terminal's metal.
How close to the terminal the damage comes therefore tells how far the wire was above the damage temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

from models.circuit.errors import not_negative, positive
from models.circuit.heat import HeatedWire, steady_current_a
from models.circuit.insulation_table import COPPER_MELTS_C, LOSS_SAYS, OVERLOAD_K, InsulationClass
from models.circuit.wire_table import resistance_at

_COPPER_W_MK = 390.0  # conductivity of copper near 100 °C
_EXPLAINED_WITHIN = 5.0  # cooling lengths: farther from the terminal than this, a uniform overload is no explanation


@dataclass(frozen=True)
class LoadExplained:
    """Current in A, least and most, that explains the damage; most None: no upper end short of melting copper.

    plausible : whether a current can explain it at all. cooling_mm : the length over which a terminal cools the wire.
    """

    low_a: float
    high_a: float | None
    plausible: bool
    cooling_mm: float
    says: str
    assumptions: tuple[str, ...]


ASSUMPTIONS = (
    "one current for long enough to settle (minutes), the same along the whole wire",
    "still air at the ambient stated, nothing lying on the wire",
    f"insulation shows damage somewhere between its class limit and {OVERLOAD_K:g} K above it",
    "the terminal is no source of heat itself and lies between ambient and the wire's own temperature",
    LOSS_SAYS,
)


def load_that_explains(
    wire: HeatedWire, insulation: InsulationClass, damaged_mm: float, to_terminal_mm: float
) -> LoadExplained:
    """The load current for damage over `damaged_mm` that stops `to_terminal_mm` before a terminal.

    Fin of length L = damage + 2 × distance with both ends held at ambient: at the damage's edge the rise is
    1 − cosh(damage/2λ) / cosh(L/2λ) of that far from the ends, λ the cooling length.
    """
    positive("damaged length", damaged_mm, "mm")
    not_negative("distance to the terminal", to_terminal_mm, "mm")
    fast, slow = wire.bounds()
    cooling_mm = _cooling_mm(fast, insulation.limit_c)  # the longest it may be: only then is an overload ruled out
    low = steady_current_a(fast, insulation.limit_c)  # a terminal as hot as the wire does not cool it
    high = _current_for_edge(slow, insulation.overload_c, damaged_mm, to_terminal_mm)
    plausible = to_terminal_mm <= _EXPLAINED_WITHIN * cooling_mm
    return LoadExplained(low, high, plausible, cooling_mm, _says(low, high, plausible, cooling_mm), ASSUMPTIONS)


def _cooling_mm(wire: HeatedWire, conductor_c: float) -> float:
    """√(copper conductance ÷ slope of net loss), far from the terminals at this conductor temperature.

    Where the copper is cooler it also makes less heat. With loss linear in temperature the net loss falls from nothing
    far away to the heat made at ambient temperature beside the terminal, hence the resistance at ambient.
    """
    if conductor_c <= wire.ambient_c:
        return math.inf
    current = steady_current_a(wire, conductor_c)
    made_w = current**2 * resistance_at(wire.ohm_per_m_20c, wire.ambient_c)
    return 1000 * math.sqrt(_COPPER_W_MK * wire.copper_mm2 * 1e-6 * (conductor_c - wire.ambient_c) / made_w)


def _current_for_edge(wire: HeatedWire, edge_c: float, damaged_mm: float, to_terminal_mm: float) -> float | None:
    """Current at which the damage's edge just reaches `edge_c`; None where copper would melt first."""

    def edge_rise(far_c: float) -> float:
        cooling = _cooling_mm(wire, far_c)
        inner, whole = damaged_mm / 2 / cooling, (damaged_mm / 2 + to_terminal_mm) / cooling
        share = 1 - math.exp(inner - whole) * (1 + math.exp(-2 * inner)) / (1 + math.exp(-2 * whole))
        return (far_c - wire.ambient_c) * share - (edge_c - wire.ambient_c)

    if edge_c <= wire.ambient_c or edge_rise(COPPER_MELTS_C) < 0:
        return None
    if edge_rise(edge_c) >= 0:
        return steady_current_a(wire, edge_c)
    return steady_current_a(wire, float(brentq(edge_rise, edge_c, COPPER_MELTS_C, xtol=1e-3)))


def _says(low: float, high: float | None, plausible: bool, cooling_mm: float) -> str:
    if not plausible:
        return (
            "An overload alone does not explain it: it would reach to within about "
            f"{_EXPLAINED_WITHIN * cooling_mm:.0f} mm of the terminal. "
            "Look for heat from outside, a tight bundle there, or a hot joint."
        )
    if high is None:
        return (
            f"At least {low:.0f} A; damage this near the terminal has no upper end, and a hot terminal explains it too."
        )
    return f"Between {low:.0f} and {high:.0f} A for minutes."
