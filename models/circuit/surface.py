"""Heat that one metre of a round wire sheds into still air: natural convection and radiation from its surface."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.circuit.insulation_table import EMISSIVITY

_KELVIN = 273.15
_STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m² K⁴)
_GRAVITY = 9.80665
_PRESSURE_PA = 101_325.0
_GAS_J_KGK = 287.05
_HEAT_J_KGK = 1006.0


def shed_w_per_m(surface_c: Any, ambient_c: float, od_mm: float) -> Any:
    """Heat in W per metre from a surface at `surface_c` (any shape) to still air and walls at `ambient_c`."""
    surface_c = np.asarray(surface_c, dtype=float)
    around = np.pi * od_mm / 1000
    hot, cold = surface_c + _KELVIN, ambient_c + _KELVIN
    radiated = EMISSIVITY * _STEFAN_BOLTZMANN * (hot**4 - cold**4)
    return around * (film_w_m2k(surface_c, ambient_c, od_mm) * (surface_c - ambient_c) + radiated)


def film_w_m2k(surface_c: Any, ambient_c: float, od_mm: float) -> Any:
    """Coefficient of natural convection round a horizontal cylinder: Churchill and Chu (1975), all Rayleigh numbers.

    Nu = (0.60 + 0.387 Ra^(1/6) / (1 + (0.559/Pr)^(9/16))^(8/27))², air at the mean of surface and ambient. For wires
    as thin as these it lies below other correlations, so it errs towards a hotter wire.
    """
    diameter = od_mm / 1000
    mean_k = (np.asarray(surface_c, dtype=float) + ambient_c) / 2 + _KELVIN
    conductivity, viscosity, diffusivity = _air(mean_k)
    rise = np.abs(np.asarray(surface_c) - ambient_c)
    rayleigh = _GRAVITY / mean_k * rise * diameter**3 / (viscosity * diffusivity)
    prandtl = viscosity / diffusivity
    nusselt = (0.60 + 0.387 * rayleigh ** (1 / 6) / (1 + (0.559 / prandtl) ** (9 / 16)) ** (8 / 27)) ** 2
    return nusselt * conductivity / diameter


def _air(kelvin: Any) -> tuple[Any, Any, Any]:
    """Conductivity W/(m K), kinematic viscosity m²/s and thermal diffusivity m²/s of dry air at sea level.

    Formulas of the U.S. Standard Atmosphere 1976; density of an ideal gas, heat capacity taken constant.
    """
    conductivity = 2.64638e-3 * kelvin**1.5 / (kelvin + 245.4 * 10 ** (-12 / kelvin))
    density = _PRESSURE_PA / (_GAS_J_KGK * kelvin)
    viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4) / density
    return conductivity, viscosity, conductivity / (density * _HEAT_J_KGK)
