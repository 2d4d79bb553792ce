"""What the calculators answer, as plain values ready for JSON: one function for each question a person asks."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from models.circuit.circuit_list import Circuit
from models.circuit.drop import Segment, drop, equal_loads, segment_of
from models.circuit.errors import CircuitError, positive
from models.circuit.fuse_coordination import Coordination, coordinate, damage_times, opens_first
from models.circuit.fuse_table import (
    GATES,
    GATES_SOURCE,
    TRACING_LEAD_SHARE,
    TRACING_LEAD_SOURCE,
    fuse,
    opening_band_s,
    tracing_lead_rating,
)
from models.circuit.heat import (
    NO_LONGER_INSULATED_C,
    HeatedWire,
    heated_wire,
    steady_current_a,
    steady_temperature_c,
    times_to_reach_s,
)
from models.circuit.insulation_table import (
    BUNDLE_SOURCE,
    CLASSES,
    CLASSES_SOURCE,
    COPPER_MELTS_C,
    LOSS_SAYS,
    OVERLOAD_K,
    OVERLOAD_LASTS_S,
    OVERLOAD_SOURCE,
    InsulationClass,
    insulation_class,
)
from models.circuit.overload import load_that_explains
from models.circuit.short_time import (
    ADIABATIC_MOST_S,
    adiabatic_k,
    adiabatic_time_s,
    onderdonk_time_s,
    preece_current_a,
)
from models.circuit.wire_table import WALLS, WireSize, nearest_awg, parse_size
from models.repair.electrics import feed, in_words
from models.repair.limits import DropBudget, FuseCoordination
from models.repair.texts import cautions_for
from models.repair.verdicts import at_most

_CALCULATED = (
    "Calculated from tables and assumptions, not measured: it does not stand in for a look, a meter and a load test."
)
CAUTIONS: tuple[str, ...] = (_CALCULATED, *cautions_for({"electrical_overload"}, None, True))
"""Printed with every answer that concerns work on a vehicle."""

ASSUMPTIONS: tuple[str, ...] = (
    "Wire straight and level in still air, wire and fuse cold at the start, no heat taken up by terminals.",
    f"Natural convection by Churchill and Chu (1975), and radiation; {LOSS_SAYS}, hence from and to.",
    f"Above {NO_LONGER_INSULATED_C:g} °C insulation is gone: what is said of hotter copper is a rough estimate.",
    f"Damaged: past the class limit for {OVERLOAD_LASTS_S / 3600:g} hours, or past {OVERLOAD_K:g} K above it at all.",
    "Fuse of the standard body where its rating is made in both; a large-body one is slower, how much is not known.",
)


@dataclass(frozen=True)
class Place:
    """Where the wire lies and what it is clad in; `wall` and `od_mm` None: as the tables have it."""

    insulation: str = "B"
    ambient_c: float = 40.0
    bundle: int = 1
    wall: str | None = None
    od_mm: float | None = None

    def wire(self, size: WireSize) -> HeatedWire:
        """The wire of this size in this place."""
        wall = self.wall or next((wall for wall in WALLS if size.od_mm(wall) is not None), WALLS[0])
        return heated_wire(size, insulation_class(self.insulation), wall, self.ambient_c, self.bundle, self.od_mm)


def wire_answer(
    size_text: str,
    place: Place,
    fuse_a: float | None = None,
    belongs_a: float | None = None,
    load_a: float | None = None,
    damaged_mm: float | None = None,
    to_terminal_mm: float | None = None,
    limits: FuseCoordination | None = None,
) -> dict[str, Any]:
    """What a wire bears, what a load does to it, whether its fuse opens first, and which load explains damage."""
    if (damaged_mm is None) != (to_terminal_mm is None):
        raise CircuitError("damage: expected its length and its distance to the terminal together, got one of the two")
    if belongs_a is not None and fuse_a is None:
        raise CircuitError("fuse: expected the fuse that was found beside the one that belongs, got none")
    if load_a is not None:
        positive("load", load_a, "A", 100_000)
    size = parse_size(size_text)
    insulation, wire = insulation_class(place.insulation), place.wire(size)
    found = coordinate(fuse_a, wire, insulation) if fuse_a is not None else None
    belongs = coordinate(belongs_a, wire, insulation) if belongs_a is not None else None
    explained = (
        asdict(load_that_explains(wire, insulation, damaged_mm, to_terminal_mm))
        if damaged_mm is not None and to_terminal_mm is not None
        else None
    )
    return {
        "kind": "wire",
        "size": _size(size, wire),
        "place": {"insulation": insulation.name, "ambient_c": wire.ambient_c, "bundle": wire.bundle},
        "steady": [_steady(wire, one) for one in CLASSES.values()],
        "load": _load(wire, insulation, load_a) if load_a is not None else None,
        "fuse": _fuse_over(found, wire, insulation) if found is not None else None,
        "belongs": _fuse_over(belongs, wire, insulation) if belongs is not None else None,
        "shop_table": above_table(size, belongs_a if belongs_a is not None else fuse_a, limits),
        "explains": explained,
        "assumptions": list(ASSUMPTIONS),
        "sources": [_source(size), CLASSES_SOURCE, OVERLOAD_SOURCE, BUNDLE_SOURCE, GATES_SOURCE],
        "cautions": list(CAUTIONS),
    }


def above_table(size: WireSize, fuse_a: float | None, limits: FuseCoordination | None) -> str | None:
    """What the shop's table says of a fuse that is above it for this wire; None where it is not."""
    allowed = limits.largest_for(size.mm2) if limits is not None and limits.applies else None
    if fuse_a is None or allowed is None or fuse_a <= allowed:
        return None
    return f"the shop's table allows at most {allowed:g} A for {size.says()}"


def coordinations(
    size_text: str, place: Place, fuse_a: float, belongs_a: float | None
) -> tuple[Coordination, Coordination | None]:
    """The curves to plot: the fuse found, and the one that belongs there."""
    insulation, wire = insulation_class(place.insulation), place.wire(parse_size(size_text))
    return coordinate(fuse_a, wire, insulation), coordinate(belongs_a, wire, insulation) if belongs_a else None


def _source(size: WireSize) -> str:
    return size.source + (" (from memory)" if size.from_memory else "")


def _size(size: WireSize, wire: HeatedWire) -> dict[str, Any]:
    low, high = size.ohm_range_20c
    return {
        "says": size.says(),
        "mm2": size.mm2,
        "nearest_awg": size.awg if size.awg is not None else nearest_awg(size.mm2),
        "family": size.family,
        "mohm_per_m_20c": {"low": 1000 * low, "high": 1000 * high},
        "conductor_mm": size.conductor_mm,
        "bare_copper_melts_at_a": preece_current_a(math.sqrt(4 * size.copper_mm2 / math.pi)),
        "od_mm": wire.od_mm,
        "od_by_wall_mm": dict(size.od_by_wall),
        "od_interpolated": size.od_interpolated,
    }


def _steady(wire: HeatedWire, one: InsulationClass) -> dict[str, Any]:
    fast, slow = wire.bounds()
    best, low, high = (steady_current_a(w, one.limit_c) for w in (wire, fast, slow))
    return {"class": one.name, "limit_c": one.limit_c, "current_a": best, "low_a": low, "high_a": high}


def _load(wire: HeatedWire, insulation: InsulationClass, load_a: float) -> dict[str, Any]:
    """What a load current does to the wire; times None: never."""
    limits = np.array([insulation.limit_c, insulation.overload_c, COPPER_MELTS_C])
    best = times_to_reach_s(wire, np.array([load_a]), limits)[0]
    damage = damage_times(wire, insulation, np.array([load_a]))[0]
    return {
        "current_a": load_a,
        "settles_at_c": steady_temperature_c(wire, load_a),
        "class_limit_after_s": _finite(best[0]),
        "overload_limit_after_s": _finite(best[1]),
        "copper_melts_after_s": _finite(best[2]),
        "without_losses": _without_losses(wire, insulation, load_a),
        "damaged_after_s": {"earliest": _finite(damage.earliest_s), "latest": _finite(damage.latest_s)},
    }


def _without_losses(wire: HeatedWire, insulation: InsulationClass, load_a: float) -> dict[str, float | None]:
    """Closed forms that let no heat escape: the adiabatic equation where it holds (up to 5 s), and Onderdonk's."""
    adiabatic = None
    if insulation.overload_c > wire.ambient_c:
        adiabatic = adiabatic_time_s(wire.copper_mm2, load_a, adiabatic_k(wire.ambient_c, insulation.overload_c))
    return {
        "overload_limit_after_s": adiabatic if adiabatic is not None and adiabatic <= ADIABATIC_MOST_S else None,
        "copper_melts_after_s": onderdonk_time_s(wire.copper_mm2, load_a, wire.ambient_c),
    }


def _fuse_over(found: Coordination, wire: HeatedWire, insulation: InsulationClass) -> dict[str, Any]:
    currents = np.array([gate.share * found.rating_a for gate in GATES])
    damage = damage_times(wire, insulation, currents)
    rows = []
    for gate, current, times in zip(GATES, currents, damage, strict=True):
        least, most = opening_band_s(found.rating_a, float(current))
        rows.append(
            {
                "share": gate.share,
                "current_a": float(current),
                "fuse_opens_s": {"earliest": least, "latest": most},
                "damaged_s": {"earliest": _finite(times.earliest_s), "latest": _finite(times.latest_s)},
                "opens_first": opens_first(found.rating_a, float(current), times),
            }
        )
    return {
        "rating_a": found.rating_a,
        "fuse": fuse(found.rating_a).says(),
        "protects": found.protects,
        "says": in_words(found),
        "held": _load(wire, insulation, GATES[0].share * found.rating_a),
        "zones": [asdict(zone) for zone in found.zones],
        "gates": rows,
    }


def _finite(seconds: float) -> float | None:
    return float(seconds) if math.isfinite(seconds) else None


def fuse_answer(rating_a: float, load_a: float | None = None) -> dict[str, Any]:
    """A fuse's colours and times, and the fuse of a test lead for tracing a fault in its circuit."""
    found = fuse(rating_a)
    try:
        lead: float | None = tracing_lead_rating(rating_a)
    except CircuitError:  # the smallest fuse has none below it
        lead = None
    band = _times(rating_a, positive("load", load_a, "A")) if load_a is not None else None
    return {
        "kind": "fuse",
        "rating_a": found.rating_a,
        "colours": dict(found.colours),
        "test_lead": {
            "rating_a": lead,
            "fuse": fuse(lead).says() if lead is not None else None,
            "rule": f"{TRACING_LEAD_SHARE:.0%} of the circuit's fuse, then the next standard rating at or below",
            "source": TRACING_LEAD_SOURCE,
        },
        "gates": [_times(rating_a, g.share * rating_a) for g in GATES],
        "at_load": band,
        "sources": [GATES_SOURCE, f"{found.source}: colours go by body; red is 10 A or 50 A"],
        "cautions": list(CAUTIONS),
    }


def _times(rating_a: float, current_a: float) -> dict[str, float | None]:
    least, most = opening_band_s(rating_a, current_a)
    return {"current_a": current_a, "earliest_s": least, "latest_s": most}


@dataclass(frozen=True)
class DropQuestion:
    """A circuit: one wire, its terminals, and the splices and new piece a repair puts in."""

    size: str
    length_mm: float
    current_a: float
    splices: int = 2
    terminals: int = 2
    new_size: str | None = None
    new_length_mm: float | None = None
    budget_v: float | None = None
    other_length_mm: float | None = None
    other_splices: int = 0
    supply_v: float = 13.5
    capacitance_f: float | None = None


def drop_answer(asked: DropQuestion, limits: DropBudget) -> dict[str, Any]:
    """The drop before and after a repair against its budget, and the same load on another feed beside it."""
    size = parse_size(asked.size)
    budget = asked.budget_v if asked.budget_v is not None else limits.max_v
    if not 0 < budget <= 1000:
        raise CircuitError(f"budget: expected above 0 and at most 1000 V, got {budget:g}")
    before = feed(size, asked.length_mm, 0, limits, asked.terminals)
    after = [*feed(size, asked.length_mm, asked.splices, limits, asked.terminals)]
    after[:1] = _pieces(asked, size, limits.conductor_c)
    volts = [drop(parts, asked.current_a) for parts in (before, after)]
    equal = None
    if asked.other_length_mm is not None:
        other = feed(size, asked.other_length_mm, asked.other_splices, limits, asked.terminals)
        both = equal_loads(other, after, asked.current_a, asked.supply_v, asked.capacitance_f)
        equal = {
            "other_v": both.one_v, "this_v": both.other_v, "this_has_less_by_v": both.difference_v.model_dump(),
            "this_charges_slower_by_s": both.slower_s,
        }  # fmt: skip
    elif asked.capacitance_f is not None:
        raise CircuitError("capacitance: expected another feed to compare with, got none: state its length too")
    return {
        "kind": "drop",
        "size": size.says(),
        "current_a": asked.current_a,
        "conductor_c": limits.conductor_c,
        "before_v": volts[0].model_dump(),
        "after_v": volts[1].model_dump(),
        "budget_v": budget,
        "before": at_most(volts[0], budget),
        "after": at_most(volts[1], budget),
        "equal_loads": equal,
        "contacts": limits.model_dump(include=set(_CONTACTS)),
        "sources": [_source(size), limits.source],
        "cautions": list(CAUTIONS),
    }


_CONTACTS = ("terminal_mohm", "terminal_u95_mohm", "splice_mohm", "splice_u95_mohm")


def _pieces(asked: DropQuestion, size: WireSize, conductor_c: float) -> list[Segment]:
    """The wire as it is after the repair: what stays of it, and the new piece if there is one."""
    if asked.new_size is not None and asked.new_length_mm is None:
        raise CircuitError("new piece: expected its length beside its size, got none")
    new_mm = asked.new_length_mm or 0.0
    if not 0 <= new_mm <= asked.length_mm:
        raise CircuitError(f"new piece: expected from 0 to the circuit's {asked.length_mm:g} mm, got {new_mm:g}")
    new = parse_size(asked.new_size) if asked.new_size is not None else size
    if new.mm2 < size.mm2 * 0.999:
        raise CircuitError(f"new piece: expected {size.says()} or larger, got {new.says()}: a repair is never thinner")
    return [segment_of(size, asked.length_mm - new_mm, conductor_c), segment_of(new, new_mm, conductor_c)]


def circuits_answer(name: str, circuits: Sequence[Circuit], limits: FuseCoordination) -> dict[str, Any]:
    """The circuits of a list that was read without mistakes, each with its fuse held against its wire."""
    place = f"class {limits.insulation_class} in {limits.ambient_c:g} °C still air"
    return {
        "kind": "circuits",
        "name": name,
        "circuits": [_circuit(circuit, limits) for circuit in circuits],
        "assumptions": [f"Fuses are held against a single wire of {place}.", *ASSUMPTIONS],
        "sources": [*sorted({_source(c.size) for c in circuits}), CLASSES_SOURCE, OVERLOAD_SOURCE, GATES_SOURCE],
        "cautions": [_CALCULATED, *_cautions_of({circuit.circuit_class for circuit in circuits})],
    }


def _cautions_of(classes: Collection[str | None]) -> list[str]:
    """The cautions of every class that a list's circuits have; None, of which the list says nothing, is one."""
    each = [cautions_for({"electrical_overload"}, name, True) for name in sorted(classes, key=str)]
    return list(dict.fromkeys(text for found in each for text in found))


def _circuit(circuit: Circuit, limits: FuseCoordination) -> dict[str, Any]:
    protects, says = None, "no fuse stated"
    if circuit.fuse_a is not None:
        place = Place(limits.insulation_class, limits.ambient_c)
        try:
            found = coordinate(circuit.fuse_a, place.wire(circuit.size), insulation_class(place.insulation))
            protects, says = found.protects, in_words(found)
        except CircuitError as error:  # a size whose outside diameter is in no table
            says = f"not calculated: {error}"
    above = above_table(circuit.size, circuit.fuse_a, limits)
    if above is not None:  # the work order asks about it, and no fuse goes in before
        says = f"{above}; {says}"
    return {
        "circuit": circuit.circuit, "colour": circuit.colour, "size": circuit.size.says(), "mm2": circuit.size.mm2,
        "from": list(circuit.ends()[0]), "to": list(circuit.ends()[1]), "length_mm": circuit.length_mm,
        "fuse_a": circuit.fuse_a, "duty": circuit.duty, "class": circuit.circuit_class, "line": circuit.line,
        "fuse_protects": protects, "above_shop_table": above is not None, "says": says,
    }  # fmt: skip
