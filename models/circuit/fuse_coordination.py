"""A fuse laid over its wire's damage curve: whether the fuse opens first, and from which current on it does not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from models.circuit.fuse_table import GATES, fuse, opening_band_s
from models.circuit.heat import HeatedWire, steady_current_a, times_to_reach_s
from models.circuit.insulation_table import OVERLOAD_LASTS_S, InsulationClass

Opens = Literal["yes", "no", "cannot_tell"]
_POINTS = 60


@dataclass(frozen=True)
class DamageTime:
    """Time in s after which a current has damaged the insulation: earliest and latest; inf: never."""

    earliest_s: float
    latest_s: float


@dataclass(frozen=True)
class Zone:
    """Load currents from `from_a` to `to_a` for which the fuse opens first: yes, no, or cannot tell."""

    from_a: float
    to_a: float
    opens_first: Opens


@dataclass(frozen=True)
class Coordination:
    """One fuse over one wire.

    currents_a, wire_earliest_s, wire_latest_s, fuse_least_s : (N,) curves, s; inf: never. fuse_most_s : (N,), inf
    where the fuse need never open. zones : without gaps, by rising current, from 0 to the last of `currents_a`: six
    times the rating, where the standard's limits end, or the wire's own steady current where that is more.
    """

    rating_a: float
    steady_earliest_a: float
    steady_latest_a: float
    zones: tuple[Zone, ...]
    currents_a: tuple[float, ...]
    wire_earliest_s: tuple[float, ...]
    wire_latest_s: tuple[float, ...]
    fuse_least_s: tuple[float, ...]
    fuse_most_s: tuple[float, ...]

    @property
    def protects(self) -> Opens:
        """Whether the fuse opens before the insulation is damaged, at every load current."""
        found = {zone.opens_first for zone in self.zones}
        return "no" if "no" in found else "cannot_tell" if "cannot_tell" in found else "yes"

    @property
    def unprotected(self) -> tuple[Zone, ...]:
        """Currents at which the wire is damaged first for certain."""
        return tuple(zone for zone in self.zones if zone.opens_first == "no")

    @property
    def doubtful(self) -> tuple[Zone, ...]:
        """Currents at which either may come first."""
        return tuple(zone for zone in self.zones if zone.opens_first == "cannot_tell")


def damage_times(wire: HeatedWire, insulation: InsulationClass, currents_a: np.ndarray) -> list[DamageTime]:
    """When each current has damaged the insulation, within the uncertainty of `HeatedWire.bounds`.

    Both wire and fuse begin cold, without a load before. Damaged: past the overload limit for however short a time,
    or past the class limit for six hours.
    """
    fast, slow = wire.bounds()
    earliest, latest = (_damage(bound, insulation, currents_a) for bound in (fast, slow))
    return [DamageTime(float(a), float(b)) for a, b in zip(earliest, latest, strict=True)]


def _damage(wire: HeatedWire, insulation: InsulationClass, currents_a: np.ndarray) -> np.ndarray:
    limits = np.array([insulation.limit_c, insulation.overload_c])
    times = times_to_reach_s(wire, currents_a, limits)
    return np.minimum(times[:, 1], times[:, 0] + OVERLOAD_LASTS_S)


def opens_first(rating_a: float, current_a: float, damage: DamageTime) -> Opens:
    """Whether the fuse opens before the wire is damaged at this current; both are bands, so it may not be told."""
    least, most = opening_band_s(rating_a, current_a)
    if math.isinf(damage.earliest_s) or (most is not None and most <= damage.earliest_s):
        return "yes"
    return "no" if least > damage.latest_s else "cannot_tell"


@lru_cache(maxsize=256)
def coordinate(rating_a: float, wire: HeatedWire, insulation: InsulationClass) -> Coordination:
    """Lay the fuse's time limits over the wire's damage curve."""
    fuse(rating_a)
    fast, slow = wire.bounds()
    steady = steady_current_a(fast, insulation.limit_c), steady_current_a(slow, insulation.limit_c)
    jumps = steady_current_a(fast, insulation.overload_c), steady_current_a(slow, insulation.overload_c)
    currents = _currents(rating_a, *steady, *jumps)
    damage = damage_times(wire, insulation, currents)
    bands = [opening_band_s(rating_a, current) for current in currents]
    verdicts = [opens_first(rating_a, float(i), d) for i, d in zip(currents, damage, strict=True)]
    return Coordination(
        rating_a=rating_a,
        steady_earliest_a=steady[0],
        steady_latest_a=steady[1],
        zones=_zones(currents, verdicts),
        currents_a=tuple(map(float, currents)),
        wire_earliest_s=tuple(d.earliest_s for d in damage),
        wire_latest_s=tuple(d.latest_s for d in damage),
        fuse_least_s=tuple(least for least, _ in bands),
        fuse_most_s=tuple(math.inf if most is None else most for _, most in bands),
    )


def _currents(rating_a: float, *steady_a: float) -> np.ndarray:
    """Currents to compare at, each limit with a neighbour on either side, so that zones end where the limits lie."""
    ends = [rating_a, *(rating_a * gate.share for gate in GATES), *steady_a]
    corners = [end * side for end in ends for side in (1 - 1e-6, 1, 1 + 1e-6) if end > 0]
    low = 0.5 * min(corners)
    whole = np.concatenate([np.geomspace(low, max(ends), _POINTS), corners])
    return np.unique(whole[whole <= max(ends)])


def _zones(currents: np.ndarray, verdicts: list[Opens]) -> tuple[Zone, ...]:
    starts = [0, *(i for i in range(1, len(verdicts)) if verdicts[i] != verdicts[i - 1])]
    borders = [0.0, *(float(currents[i]) for i in starts[1:]), float(currents[-1])]
    return tuple(Zone(borders[n], borders[n + 1], verdicts[i]) for n, i in enumerate(starts))
