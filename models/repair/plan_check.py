"""Holds chosen joints against every limit, one by one: what a person with a ruler would check."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise

from models.repair.branch import Branch, BranchWire, Mark, PlanLimits

_TOLERANCE_MM = 1e-6


def broken_limits(
    branch: Branch,
    limits: PlanLimits,
    joints: Mapping[str, Sequence[float]],
    stays: Mapping[str, Sequence[str]],
) -> list[str]:
    """What the joints (mm from each wire's start) break, in words; empty when they are lawful.

    `stays` names the existing joints that are kept on wires with damage; those on other wires all stay.
    """
    found: list[str] = []
    for wire in branch.wires:
        if wire.damage:
            found += _on_its_own(wire, limits, sorted(joints.get(wire.id, ())), _kept(wire, stays))
            found += _near_points(branch, wire, limits, joints.get(wire.id, ()))
    return found + _near_each_other(branch, limits, joints, stays)


def _kept(wire: BranchWire, stays: Mapping[str, Sequence[str]]) -> list[Mark]:
    return [m for m in wire.splices if not wire.damage or m.ref in stays.get(wire.id, ())]


def _on_its_own(wire: BranchWire, limits: PlanLimits, places: Sequence[float], kept: Sequence[Mark]) -> list[str]:
    found = []
    for at in places:
        near = min(at, wire.length_mm - wire.length_u95_mm - at)
        if near < limits.termination_mm - _TOLERANCE_MM:
            found.append(f"{wire.id}: joint at {at:g} mm is {near:g} mm from an end")
        for part in wire.damage:
            reach = part.u95_mm + limits.margin_mm
            if part.from_mm - reach + _TOLERANCE_MM < at < part.to_mm + reach - _TOLERANCE_MM:
                found.append(f"{wire.id}: joint at {at:g} mm lies in the damage or its margin")
        for part in wire.keep_out:
            reach = part.u95_mm + limits.working_mm
            if part.from_mm - reach + _TOLERANCE_MM < at < part.to_mm + reach - _TOLERANCE_MM:
                found.append(f"{wire.id}: joint at {at:g} mm lies where no joint may")
    if len(places) + len(kept) > limits.max_splices:
        found.append(f"{wire.id}: {len(places) + len(kept)} joints, limit {limits.max_splices}")
    return found + _parts(wire, limits, places)


def _parts(wire: BranchWire, limits: PlanLimits, places: Sequence[float]) -> list[str]:
    """Every damage lies in a new part, new and old parts take turns at the joints, new ends are renewable."""
    edges = [-math.inf, *places, math.inf]  # damage that is a point at the wire's very end lies in its end part
    parts = list(pairwise(edges))
    new = [any(a < s.to_mm and s.from_mm < b for s in wire.damage) for a, b in parts]
    if len(parts) == 1:
        new = [True]
    found = [f"{wire.id}: nothing but a joint between two like parts" for x, y in pairwise(new) if x == y]
    for end, is_new in ((wire.start, new[0]), (wire.end, new[-1])):
        if is_new and not end.renewable:
            found.append(f"{wire.id}: a new lead to an end that takes none")
    inner = [b - a for (a, b), is_new in list(zip(parts, new, strict=True))[1:-1] if is_new]
    shortest = limits.min_section_mm
    return found + [f"{wire.id}: new piece of {x:g} mm" for x in inner if x < shortest - _TOLERANCE_MM]


def _near_points(branch: Branch, wire: BranchWire, limits: PlanLimits, places: Sequence[float]) -> list[str]:
    return [
        f"{wire.id}: joint at {at:g} mm is nearer than {limits.spacing_mm:g} mm to a branch"
        for at in places
        for mark in branch.branch_points or ()
        if abs(at + wire.offset_mm - mark.at_mm) < limits.spacing_mm + mark.u95_mm - _TOLERANCE_MM
    ]


def _near_each_other(
    branch: Branch, limits: PlanLimits, joints: Mapping[str, Sequence[float]], stays: Mapping[str, Sequence[str]]
) -> list[str]:
    placed = [(w.id, at + w.offset_mm) for w in branch.wires for at in joints.get(w.id, ())]
    found = []
    for (one, a), (other, b) in combinations(placed, 2):
        apart = limits.spacing_mm
        if one != other and branch.side_by_side(one, other):
            apart = max(apart, limits.stagger_mm)
        if abs(a - b) < apart - _TOLERANCE_MM:
            found.append(f"joints of {one} and {other} are {abs(a - b):g} mm apart, limit {apart:g} mm")
    for wire in branch.wires:
        for mark in _kept(wire, stays):
            near = limits.spacing_mm + mark.u95_mm - _TOLERANCE_MM
            found += [
                f"joint of {name} is {abs(at - mark.at_mm - wire.offset_mm):g} mm from the old joint {mark.ref}"
                for name, at in placed
                if abs(at - mark.at_mm - wire.offset_mm) < near
            ]
    return found
