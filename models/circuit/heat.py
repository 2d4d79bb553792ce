"""The temperature of an insulated wire in time for a given current, and the currents and times that reach a limit.

Copper heats with I²R, R rising with temperature. Heat is conducted through the insulation, which is cut into rings,
and leaves its surface by natural convection and radiation; in a bundle it leaves more slowly. Along the wire
everything is alike: heat that flows away into terminals is left out, so near them the wire is cooler.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from models.circuit.errors import CircuitError, not_negative, positive
from models.circuit.insulation_table import (
    COPPER_HEAT_J_M3K,
    COPPER_MELTS_C,
    HEAT_U95_REL,
    LOSS_LESS_REL,
    LOSS_MORE_REL,
    InsulationClass,
    Material,
    bundle_share,
)
from models.circuit.surface import shed_w_per_m
from models.circuit.wire_table import ALPHA_20_PER_K, RESISTIVITY_OHM_M, WireSize, resistance_at

_RINGS = 8
_STEP_GROWTH = 1.1  # each time step is so much longer than the one before
_FIRST_STEP = 1e-3  # of the time the limit would take if no heat escaped
_MOST_A = 100_000.0
_HORIZON_S = 1e5  # past this a wire counts as never reaching the temperature
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)  # two-stage Rosenbrock method of order 2 that damps fast modes
NO_LONGER_INSULATED_C = 400.0
"""Above this, plastics are gone and the calculation, which keeps them, is a rough estimate only."""


@dataclass(frozen=True)
class HeatedWire:
    """A wire and its surroundings. `loss_share` scales the heat shed: 1 is the best estimate."""

    copper_mm2: float
    conductor_mm: float
    od_mm: float
    ohm_per_m_20c: float
    material: Material
    ambient_c: float = 40.0
    bundle: int = 1
    loss_share: float = 1.0

    def __post_init__(self) -> None:
        positive("copper", self.copper_mm2, "mm²", 1000)
        positive("conductor", self.conductor_mm, "mm", 100)
        positive("resistance", self.ohm_per_m_20c, "Ω/m", 100)
        positive("loss_share", self.loss_share, "times the heat shed", 10)
        if not self.od_mm > self.conductor_mm:
            raise CircuitError(
                f"outside diameter: expected more than the conductor's {self.conductor_mm:.2f} mm, got {self.od_mm:g}"
            )
        if not -60 <= self.ambient_c <= 250:
            raise CircuitError(f"ambient: expected from -60 to 250 °C, got {self.ambient_c:g}")
        bundle_share(self.bundle)

    def shed(self, surface_c: float | np.ndarray) -> np.ndarray:
        """Heat in W per metre that leaves the surface; a bundle lets through the square of its current share."""
        share = self.loss_share * bundle_share(self.bundle) ** 2
        return np.asarray(share * shed_w_per_m(surface_c, self.ambient_c, self.od_mm))

    def bounds(self) -> tuple[HeatedWire, HeatedWire]:
        """The wire that heats fastest and the one that heats slowest.

        Uncertain are the heat shed, the insulation's heat capacity, and the resistance, from the most the standard
        allows (which this wire has) down to that of pure copper. The most may mean less copper than the size's name
        says, which then takes up less heat as well.
        """
        pure = RESISTIVITY_OHM_M / (self.copper_mm2 * 1e-6)
        least_mm2 = min(self.copper_mm2, RESISTIVITY_OHM_M / self.ohm_per_m_20c * 1e6)
        fast = replace(self._with(1 - LOSS_LESS_REL, 1 - HEAT_U95_REL), copper_mm2=least_mm2)
        slow = self._with(1 + LOSS_MORE_REL, 1 + HEAT_U95_REL)
        return fast, replace(slow, ohm_per_m_20c=min(pure, self.ohm_per_m_20c))

    def _with(self, loss: float, heat: float) -> HeatedWire:
        material = replace(self.material, heat_j_m3k=self.material.heat_j_m3k * heat)
        return replace(self, loss_share=self.loss_share * loss, material=material)


def heated_wire(
    size: WireSize,
    insulation: InsulationClass,
    wall: str = "thin",
    ambient_c: float = 40.0,
    bundle: int = 1,
    od_mm: float | None = None,
) -> HeatedWire:
    """A wire of the tables in its surroundings; `od_mm` where it was measured or the tables have none."""
    found = od_mm if od_mm is not None else size.od_mm(wall)
    if found is None:
        raise CircuitError(
            f"outside diameter: expected one for {size.says()}, the tables have none: measure and state it"
        )
    return HeatedWire(
        size.copper_mm2, size.conductor_mm, found, size.ohm_range_20c[1], insulation.material, ambient_c, bundle
    )


def steady_current_a(wire: HeatedWire, limit_c: float) -> float:
    """Current that holds the copper at `limit_c` in the long run; 0 where the ambient already reaches it."""
    if limit_c <= wire.ambient_c:
        return 0.0
    through = 2 * math.pi * wire.material.conductivity_w_mk / math.log(wire.od_mm / wire.conductor_mm)
    surface_c = brentq(lambda s: through * (limit_c - s) - float(wire.shed(s)), wire.ambient_c, limit_c)
    return math.sqrt(through * (limit_c - surface_c) / resistance_at(wire.ohm_per_m_20c, limit_c))


def steady_temperature_c(wire: HeatedWire, current_a: float) -> float | None:
    """Copper temperature in the long run; None where it runs away until something melts."""
    not_negative("current", current_a, "A", _MOST_A)
    top = COPPER_MELTS_C
    if current_a > steady_current_a(wire, top):
        return None
    if current_a == 0:
        return wire.ambient_c
    return float(brentq(lambda t: steady_current_a(wire, t) - current_a, wire.ambient_c, top, xtol=1e-6))


def times_to_reach_s(wire: HeatedWire, currents_a: np.ndarray, limits_c: np.ndarray) -> np.ndarray:
    """Times (N, M) in s in which N currents take the copper from ambient to M temperatures; inf: never."""
    currents, limits = np.atleast_1d(np.asarray(currents_a, float)), np.atleast_1d(np.asarray(limits_c, float))
    for current in currents:
        not_negative("current", float(current), "A", _MOST_A)
    if not np.all(limits <= COPPER_MELTS_C):  # False for NaN, too
        raise CircuitError(
            f"temperature: expected at most {COPPER_MELTS_C:g} °C, where copper melts, got {limits.max():g}"
        )
    times = np.full((len(currents), len(limits)), np.inf)
    times[:, limits <= wire.ambient_c] = 0.0
    bearable = np.array([steady_current_a(wire, limit) for limit in limits])
    open_ = (currents[:, None] > bearable) & (times > 0)
    runs = open_.any(axis=1)
    if runs.any():
        times[runs] = np.minimum(times[runs], _crossings(wire, currents[runs], limits, open_[runs]))
    return times


def time_to_reach_s(wire: HeatedWire, current_a: float, limit_c: float) -> float:
    """Time in s in which a current takes the copper from ambient to `limit_c`; inf: never."""
    return float(times_to_reach_s(wire, np.array([current_a]), np.array([limit_c]))[0, 0])


def copper_temperatures_c(wire: HeatedWire, current_a: float, times_s: np.ndarray) -> np.ndarray:
    """Copper temperature (N,) in °C at rising times (N,) after the current begins; held from melting on."""
    not_negative("current", current_a, "A", _MOST_A)
    wanted = np.asarray(times_s, dtype=float)
    march = _March(wire, np.array([current_a]), COPPER_MELTS_C)
    found_t, found_c = [0.0], [wire.ambient_c]
    while found_t[-1] < wanted[-1] and found_c[-1] <= COPPER_MELTS_C:
        found_c.append(float(march.step()[0]))
        found_t.append(float(march.time_s[0]))
    return np.interp(wanted, found_t, found_c)


def _crossings(wire: HeatedWire, currents: np.ndarray, limits: np.ndarray, open_: np.ndarray) -> np.ndarray:
    march = _March(wire, currents, float(limits[limits > wire.ambient_c].min()))
    times = np.full((len(currents), len(limits)), np.inf)
    waiting = open_.copy()
    before_t, before_c = march.time_s.copy(), march.temp_c[:, 0].copy()
    while waiting.any() and march.time_s[waiting.any(axis=1)].min() < _HORIZON_S:
        now_c = march.step()
        rise = np.maximum(now_c - before_c, 1e-12)
        part = (limits[None, :] - before_c[:, None]) / rise[:, None]
        crossed = waiting & (now_c[:, None] >= limits[None, :])
        at = before_t[:, None] + part * (march.time_s - before_t)[:, None]
        times[crossed] = at[crossed]
        waiting &= ~crossed
        before_t, before_c = march.time_s.copy(), now_c.copy()
        march.hold(np.logical_not(waiting.any(axis=1)))
    return times


class _March:
    """Steps in time through the temperatures of copper and insulation rings, for N currents at once.

    temp_c : (N, rings + 1), copper first, surface last. Linearly implicit, so the steps may grow with time.
    """

    def __init__(self, wire: HeatedWire, currents_a: np.ndarray, limit_c: float) -> None:
        self._wire = wire
        self._heat_w = currents_a**2 * wire.ohm_per_m_20c
        self._capacity, self._conductance = _rings(wire)
        copper = COPPER_HEAT_J_M3K * wire.copper_mm2 * 1e-6
        rise = np.log1p(ALPHA_20_PER_K * max(limit_c - wire.ambient_c, 1.0)) / ALPHA_20_PER_K
        self._step_s = _FIRST_STEP * copper * rise / np.maximum(self._heat_w, 1e-9)
        self._step_s = np.minimum(self._step_s, 1.0)
        self.time_s = np.zeros(len(currents_a))
        self.temp_c = np.full((len(currents_a), _RINGS + 1), float(wire.ambient_c))
        self._running = np.ones(len(currents_a), dtype=bool)

    def hold(self, finished: np.ndarray) -> None:
        """Stop the clock of currents that need no more steps: past melting the equations lead nowhere."""
        self._running = ~finished

    def step(self) -> np.ndarray:
        """One step further; the copper's temperatures (N,)."""
        run = self._running
        temp, step = self.temp_c[run], self._step_s[run][:, None]
        system = np.eye(_RINGS + 1) - _GAMMA * step[:, :, None] * self._slope_by_temp(temp, run)
        first = np.linalg.solve(system, self._slope(temp, run)[..., None])[..., 0]
        second = self._slope(temp + step * first, run) - 2 * first
        second = np.linalg.solve(system, second[..., None])[..., 0]
        self.temp_c[run] = temp + step * (1.5 * first + 0.5 * second)
        self.time_s[run] += step[:, 0]
        self._step_s[run] = np.maximum(step[:, 0], (_STEP_GROWTH - 1) * self.time_s[run])
        return self.temp_c[:, 0]

    def _slope(self, temp: np.ndarray, run: np.ndarray) -> np.ndarray:
        """Rise of every node in K/s."""
        between = self._conductance * (temp[:, :-1] - temp[:, 1:])
        net = np.zeros_like(temp)
        net[:, :-1] -= between
        net[:, 1:] += between
        net[:, 0] += self._heat_w[run] * (1 + ALPHA_20_PER_K * (temp[:, 0] - 20))
        net[:, -1] -= self._wire.shed(temp[:, -1])
        return net / self._capacity

    def _slope_by_temp(self, temp: np.ndarray, run: np.ndarray) -> np.ndarray:
        """Derivative of the rise by the temperatures, (N, nodes, nodes)."""
        nodes = np.arange(_RINGS)
        derivative = np.zeros((len(temp), _RINGS + 1, _RINGS + 1))
        derivative[:, nodes, nodes] -= self._conductance
        derivative[:, nodes, nodes + 1] += self._conductance
        derivative[:, nodes + 1, nodes] += self._conductance
        derivative[:, nodes + 1, nodes + 1] -= self._conductance
        derivative[:, 0, 0] += self._heat_w[run] * ALPHA_20_PER_K
        above, below = self._wire.shed(np.stack([temp[:, -1] + 0.5, temp[:, -1] - 0.5]))
        derivative[:, -1, -1] -= above - below
        return derivative / self._capacity[None, :, None]


def _rings(wire: HeatedWire) -> tuple[np.ndarray, np.ndarray]:
    """Heat capacity (rings + 1,) in J/(m K) and conductance (rings,) in W/(m K) of copper and insulation rings.

    Nodes lie on the borders of the rings; each takes half of the rings beside it, the first the copper as well.
    """
    part = np.linspace(0, 1, _RINGS + 1) ** 2  # thin beside the copper, where a short circuit's heat stays
    radii = (wire.conductor_mm + (wire.od_mm - wire.conductor_mm) * part) / 2000
    middles = np.concatenate([radii[:1], np.sqrt(radii[:-1] * radii[1:]), radii[-1:]])
    capacity = wire.material.heat_j_m3k * math.pi * (middles[1:] ** 2 - middles[:-1] ** 2)
    capacity[0] += COPPER_HEAT_J_M3K * wire.copper_mm2 * 1e-6
    conductance = 2 * math.pi * wire.material.conductivity_w_mk / np.log(radii[1:] / radii[:-1])
    return capacity, conductance
