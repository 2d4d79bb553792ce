"""Voltage drop of a circuit made of wire, terminals and splices, with its uncertainty, and equal loads compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from models.circuit.errors import CircuitError, not_negative, positive
from models.circuit.wire_table import WireSize, resistance_at
from vision.findings import Measure

ContactKind = Literal["terminal", "splice"]


@dataclass(frozen=True)
class Segment:
    """A stretch of wire: resistance of a metre at 20 °C with its U95 as a share, and the copper's temperature."""

    length_mm: float
    ohm_per_m_20c: float
    u95_rel: float = 0.0
    temp_c: float = 20.0

    def __post_init__(self) -> None:
        not_negative("length", self.length_mm, "mm")
        positive("resistance", self.ohm_per_m_20c, "Ω/m", 1000)

    def ohm(self) -> Measure:
        """Resistance in ohm."""
        value = resistance_at(self.ohm_per_m_20c, self.temp_c) * self.length_mm / 1000
        return Measure(value=value, u95=value * self.u95_rel)


@dataclass(frozen=True)
class Contact:
    """Contacts of one kind in series: what one has as a rule, and its spread (U95), in milliohm."""

    kind: ContactKind
    count: int
    mohm: float
    u95_mohm: float

    def __post_init__(self) -> None:
        not_negative(f"number of {self.kind}s", self.count, "contacts", 1000)
        not_negative(f"{self.kind} resistance", self.mohm, "mΩ")
        not_negative(f"{self.kind} spread", self.u95_mohm, "mΩ")

    def ohm(self) -> Measure:
        """Resistance in ohm; contacts spread independently of each other."""
        return Measure(value=self.count * self.mohm / 1000, u95=math.sqrt(self.count) * self.u95_mohm / 1000)


@dataclass(frozen=True)
class EqualLoads:
    """Two like loads on two feeds: volts at the loads of each, their difference, seconds of charging slower."""

    one_v: float
    other_v: float
    difference_v: Measure
    slower_s: float | None


def segment_of(size: WireSize, length_mm: float, temp_c: float = 20.0) -> Segment:
    """A stretch of a size of the tables: between pure copper of its area and the most its family allows."""
    low, high = size.ohm_range_20c
    middle = (low + high) / 2
    return Segment(length_mm, middle, (high - middle) / middle, temp_c)


def resistance(parts: Sequence[Segment | Contact]) -> Measure:
    """Resistance in ohm of parts in series.

    Wires of one make stray together, so their U95 add up; contacts stray independently, so theirs add as squares.
    """
    wires = [part.ohm() for part in parts if isinstance(part, Segment)]
    contacts = [part.ohm() for part in parts if isinstance(part, Contact)]
    spread = math.hypot(sum(w.u95 for w in wires), *(c.u95 for c in contacts))
    return Measure(value=sum(m.value for m in wires + contacts), u95=spread)


def drop(parts: Sequence[Segment | Contact], current_a: float) -> Measure:
    """Voltage drop in V over parts in series at this current."""
    positive("current", current_a, "A", 10_000)
    ohm = resistance(parts)
    return Measure(value=ohm.value * current_a, u95=ohm.u95 * current_a)


def equal_loads(
    one: Sequence[Segment | Contact],
    other: Sequence[Segment | Contact],
    current_a: float,
    supply_v: float = 13.5,
    capacitance_f: float | None = None,
) -> EqualLoads:
    """Two like loads of `current_a` each on their own feeds: voltages, their difference, and charge-up times.

    A capacitive load charges to 90 % in R C ln 10, R being its feed and its own resistance, taken as supply ÷ current.
    The wire of both feeds is taken to be of one make, straying the same way. `slower_s` is how much longer the other
    takes than the one; a negative value: it is faster.
    """
    positive("current", current_a, "A", 10_000)
    positive("supply", supply_v, "V", 1000)
    first, second = resistance(one), resistance(other)
    load_ohm = supply_v / current_a
    volts = [supply_v - current_a * ohm.value for ohm in (first, second)]
    if min(volts) < 0:
        raise CircuitError(f"drop: expected less than the supply's {supply_v:g} V, got a feed that takes all of it")
    difference = (second.value - first.value) * current_a
    spread = _apart_u95(one, other) * current_a
    slower = None
    if capacitance_f is not None:
        positive("capacitance", capacitance_f, "F", 1000)
        slower = charge_time_s(load_ohm + second.value, capacitance_f) - charge_time_s(
            load_ohm + first.value, capacitance_f
        )
    return EqualLoads(volts[0], volts[1], Measure(value=difference, u95=spread), slower)


def _apart_u95(one: Sequence[Segment | Contact], other: Sequence[Segment | Contact]) -> float:
    """U95 in ohm of how far two feeds differ: their wire is of one assembly and strays together, contacts do not."""
    wires = [sum(p.ohm().u95 for p in parts if isinstance(p, Segment)) for parts in (one, other)]
    contacts = [p.ohm().u95 for p in (*one, *other) if isinstance(p, Contact)]
    return math.hypot(wires[0] - wires[1], *contacts)


def charge_time_s(ohm: float, capacitance_f: float, share: float = 0.9) -> float:
    """Time in which a capacitor behind a resistance is charged to `share` of the supply."""
    return -ohm * capacitance_f * math.log1p(-share)
