"""Chooses the damages of a scenario, inflicts them, and remembers where they are."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.cloud import Part
from sample_images.damage_abrasion import abrade
from sample_images.damage_heat import heat
from sample_images.damage_overload import overload
from sample_images.damage_repair import Sleeve, factory_joint, joint_after, repair
from sample_images.damage_rodent import gnaw
from sample_images.damage_site import Site, choose_site, wanted_distance
from sample_images.hard_parts import HardPart
from sample_images.harness import Harness
from sample_images.layout_scene import Assembly
from sample_images.parts_housing import HousingDamage
from sample_images.record import Record
from sample_images.wires import Skin

Floats = NDArray[Any]
ON_WIRES = ("external_heat", "electrical_overload", "rodent", "abrasion", "earlier_repair")


@dataclass(frozen=True)
class Plan:
    """What shall be damaged: kinds on wires with their wanted distances, and a housing's damage."""

    kinds: tuple[str, ...]
    far: bool
    distances: tuple[float, ...]
    housing_damage: HousingDamage | None = None
    housing_code: int = 0
    severities: tuple[float, ...] = field(default=())
    wanted: int = 0  # how many of the kinds the scenario asks for; those after them come where there is room


def severity(rng: np.random.Generator) -> float:
    """0 slight .. 1 gross: one in five slight, the rest clear to gross."""
    return float(rng.uniform(0.1, 0.38) if rng.random() < 0.2 else rng.uniform(0.4, 1.0))


def housing_damage(rng: np.random.Generator, grade: float) -> HousingDamage:
    sets = [{"crack"}, {"corner"}, {"lock"}, {"displaced_terminal"}, {"crack", "corner"}, {"crack", "lock"}]
    chosen = sets[int(rng.choice(len(sets), p=[0.36, 0.2, 0.14, 0.12, 0.1, 0.08]))]
    return HousingDamage(frozenset(chosen), grade)


def plan(rng: np.random.Generator, scenario: str, extra: int = 0) -> Plan:
    """The damages of a scenario and ``extra`` more of any kind on the wires, before the assembly is laid."""
    if scenario == "sound":
        kinds: list[str] = []
    elif scenario == "mixed":
        kinds = [str(k) for k in rng.choice([*ON_WIRES, "connector"], 2, replace=False)]
    else:
        kinds = [scenario]
    where = str(rng.choice(["far", "edge", "near"]))
    on_wires = tuple(k for k in kinds if k in ON_WIRES)
    grades = tuple(severity(rng) for _ in on_wires)
    distances = tuple(wanted_distance(rng, where) for _ in on_wires)
    broken = housing_damage(rng, severity(rng)) if "connector" in kinds else None
    wanted = len(on_wires)
    for _ in range(extra):
        on_wires += (str(rng.choice(ON_WIRES)),)
        grades += (severity(rng),)
        distances += (wanted_distance(rng, str(rng.choice(["far", "edge", "near"]))),)
    if extra and broken is None and rng.random() < 0.7:
        broken = housing_damage(rng, severity(rng))
    far = (where != "near" or extra > 0) and bool(on_wires)
    return Plan(on_wires, far, distances, broken, len(on_wires) + 1 if broken else 0, grades, wanted)


def inflict(
    rng: np.random.Generator,
    chosen: Plan,
    assembly: Assembly,
    skins: list[Skin],
    more: np.random.Generator | None = None,
) -> tuple[list[Record], list[Sleeve], list[Part]]:
    """Damage the assembly; returns the records, all sleeves, and loose bits. `more` draws rarer repair sleeves."""
    h = assembly.harness
    records: list[Record] = []
    sleeves: list[Sleeve] = []
    crowded = len(chosen.kinds) > 2
    aside: list[Record] = []  # long burns run past other damages, as one wire of many
    for k, (kind, grade, distance) in enumerate(zip(chosen.kinds, chosen.severities, chosen.distances, strict=True)):
        code = k + 1
        busy = taken([r for r in records if r not in aside], h)
        burn_on = crowded and kind == "electrical_overload" and rng.random() < 0.6
        if crowded and k >= chosen.wanted and not burn_on and not _room(rng, h, distance, busy):
            continue
        if kind == "earlier_repair":
            made, new = repair(rng, h, skins, grade, code, distance, busy, more)
            sleeves += new
            records.append(made)
            continue
        length = _length_mm(rng, kind, grade, distance, crowded and not burn_on)
        site = choose_site(rng, h, length, distance, [] if burn_on else busy)
        records.append(_INFLICT[kind](rng, h, skins, site, grade, code))
        if burn_on:
            aside.append(records[-1])
        if kind == "electrical_overload" and rng.random() < 0.35:
            sleeves += joint_after(rng, h, records[-1])
    if chosen.housing_damage is not None and assembly.broken is not None:
        part = assembly.hard[assembly.broken]
        records.append(housing_record(chosen.housing_damage, chosen.housing_code, assembly.broken, part))
    if rng.random() < 0.2 and "earlier_repair" not in chosen.kinds:
        sleeves += factory_joint(rng, h, taken(records, h))
    return records, sleeves, []


def _length_mm(rng: np.random.Generator, kind: str, grade: float, distance: float, short: bool) -> float:
    """How far a damage shall reach; ``short`` leaves room for others. Overload takes most of its circuit."""
    low, high = {
        "external_heat": (20, 150),
        "rodent": (15, 60),
        "abrasion": (10, 60),
        "electrical_overload": (80, 320),
    }[kind]
    if distance > 140 and kind != "electrical_overload":  # a long damage cannot lie far from both ends
        high = min(high, 140)
    if short:
        high = min(high, max(low + 5, 80))
    return float(low + (high - low) * np.clip(0.55 * grade + 0.45 * rng.random(), 0, 1))


def _room(rng: np.random.Generator, h: Harness, distance: float, busy: list[tuple[float, float]]) -> bool:
    """Whether a damage of usual length finds a place that keeps off the others."""
    site = choose_site(rng, h, 50.0, distance, busy)
    return not any(site.u0 < b + 25 and site.u1 > a - 25 for a, b in busy)


_INFLICT = {"external_heat": heat, "rodent": gnaw, "abrasion": abrade, "electrical_overload": overload}


def housing_record(damage: HousingDamage, code: int, name: str, part: HardPart) -> Record:
    """What the damage of the housing with this name did."""
    sp = part.sprite
    size = max(sp.crack_length_mm, float(np.sqrt(sp.missing_area_mm2) * 1.414))
    if size == 0:
        rows, cols = np.nonzero(sp.damage > 0)
        size = float(np.hypot(np.ptp(rows) + 1, np.ptp(cols) + 1)) / sp.px_per_mm if len(rows) else 0.0
    return Record("connector", code, damage.severity, list(sp.signs), size, housing=name)


def taken(records: list[Record], h: Harness) -> list[tuple[float, float]]:
    """Trunk coordinates that damages occupy."""
    out = []
    for record in records:
        for index, spans in record.spans.items():
            wire = h.wires[index]
            for low, high in spans:
                on = np.isfinite(wire.u) & (wire.s >= low) & (wire.s <= high)
                if on.any():
                    out.append((float(wire.u[on].min()), float(wire.u[on].max())))
    return out


def focus(rng: np.random.Generator, records: list[Record], assembly: Assembly) -> tuple[float, float]:
    """A place to photograph from near: a damage, or some place of the trunk."""
    h = assembly.harness
    if records:
        record = records[int(rng.integers(len(records)))]
        if record.housing is not None:
            xy = assembly.hard[record.housing].xy_mm
            return float(xy[0]), float(xy[1])
        index = next(iter(record.spans))
        low, high = record.spans[index][0]
        wire = h.wires[index]
        at = (low + high) / 2
        return float(np.interp(at, wire.s, wire.xyz[:, 0])), float(np.interp(at, wire.s, wire.xyz[:, 1]))
    xy = h.trunk.at(np.array([rng.uniform(h.start_u, min(h.end_u, h.start_u + 300))]))[0][0]
    return float(xy[0]), float(xy[1])


__all__ = ["Plan", "Site", "focus", "inflict", "plan", "severity", "taken"]
