"""Insulation: temperature classes, materials, and the derating of wires in a bundle, each with its source."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from models.circuit.errors import CircuitError

_TABLE: dict[str, Any] = tomllib.loads(
    resources.files("models.circuit").joinpath("insulation_table.toml").read_text("utf-8")
)
COPPER_HEAT_J_M3K: float = _TABLE["copper"]["heat_capacity"] * 1e6
COPPER_MELTS_C: float = _TABLE["copper"]["melts_c"]
EMISSIVITY: float = _TABLE["surface"]["emissivity"]
LOSS_LESS_REL: float = _TABLE["surface"]["loss_less_rel"]
LOSS_MORE_REL: float = _TABLE["surface"]["loss_more_rel"]
HEAT_U95_REL: float = _TABLE["surface"]["insulation_heat_u95_rel"]
OVERLOAD_K: float = _TABLE["short_overload"]["above_limit_k"]
OVERLOAD_LASTS_S: float = _TABLE["short_overload"]["longest_s"]
OVERLOAD_SOURCE: str = _TABLE["short_overload"]["source"] + " (from memory)"
BUNDLE_SOURCE: str = _TABLE["bundle"]["source"] + " (from memory)"


@dataclass(frozen=True)
class Material:
    """An insulation material: conductivity in W/(m K), heat capacity in J/(m³ K)."""

    name: str
    conductivity_w_mk: float
    heat_j_m3k: float


@dataclass(frozen=True)
class InsulationClass:
    """A temperature class: the highest conductor temperature in long service, and in a short overload.

    Above `overload_c` the insulation counts as damaged, however short the time: a class limit is for thousands of
    hours and may be passed for minutes.
    """

    name: str
    limit_c: float
    material: Material

    @property
    def overload_c(self) -> float:
        """Conductor temperature above which the insulation counts as damaged."""
        return self.limit_c + OVERLOAD_K


MATERIALS: dict[str, Material] = {
    row["name"]: Material(row["says"], row["conductivity"], row["heat_capacity"] * 1e6) for row in _TABLE["material"]
}
CLASSES: dict[str, InsulationClass] = {
    row["name"]: InsulationClass(row["name"], row["limit_c"], MATERIALS[row["material"]])
    for row in _TABLE["classes"]["class"]
}
"""Insulation classes A (85 °C) to H (250 °C) by their letter."""
CLASSES_SOURCE: str = _TABLE["classes"]["source"]
LOSS_SAYS = f"heat shed known from {100 * LOSS_LESS_REL:.0f} % less to {100 * LOSS_MORE_REL:.0f} % more"
"""How well the heat shed is known, in words for lists of assumptions."""


def insulation_class(name: str) -> InsulationClass:
    """The class of this letter; CircuitError where there is none."""
    found = CLASSES.get(name.strip().upper())
    if found is None:
        known = ", ".join(f"{c.name} ({c.limit_c:g} °C)" for c in CLASSES.values())
        raise CircuitError(f"insulation class: expected one of {known}, got {name!r}")
    return found


@cache
def bundle_share(loaded_wires: int) -> float:
    """Current a wire may carry in a bundle of so many loaded wires, as a share of that in free air."""
    rows = _TABLE["bundle"]["share"]
    if not 1 <= loaded_wires <= rows[-1][0]:
        raise CircuitError(f"bundle: expected from 1 to {rows[-1][0]} loaded wires, got {loaded_wires}")
    counts, shares = zip(*rows, strict=True)
    return float(np.interp(math.log(loaded_wires), np.log(counts), shares))
