"""Old joints noted at the bench that the plan keeps: what is asked where they lie too near an end or each other."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from models.repair.branch import Branch, BranchWire
from models.repair.limits import Rules
from models.repair.plan import Plan
from vision.findings import Question

_SETTLE = "Then note the damage up to it, and it goes out. A factory joint is noted under keep_out_mm."
_CHANGES = "earlier-repair: whether the old joint stays"


def old_joints_asked(plan: Plan, branches: Sequence[Branch], rules: Rules) -> list[Question]:
    """Questions about kept old joints that break a limit; those of the photographs were judged with the decision."""
    kept = {(wire.wire, ref) for wire in plan.wires for ref in wire.old_joints_kept}
    found: list[Question] = []
    for wire in (wire for branch in branches for wire in branch.wires):
        places = sorted(mark.at_mm for mark in wire.splices if (wire.id, mark.ref) in kept)
        found += _near_an_end(wire, places, rules) + _near_each_other(wire, places, rules)
    return found


def _near_an_end(wire: BranchWire, places: Sequence[float], rules: Rules) -> list[Question]:
    limit = rules.termination_distance
    far = [(at, min(at, wire.length_mm - at)) for at in places if limit.applies]
    return [
        Question(
            ask=f"Wire {wire.id}: the old joint at {at:g} mm is {distance:g} mm from a terminal, limit "
            f"{limit.min_mm:g} mm. Is it a repair? {_SETTLE}",
            why="A repair joint too near a terminal is done again; a factory joint belongs to the design.",
            changes=_CHANGES,
        )
        for at, distance in far
        if distance < limit.min_mm
    ]


def _near_each_other(wire: BranchWire, places: Sequence[float], rules: Rules) -> list[Question]:
    """places: mm from the wire's start, rising, so that neighbours are the nearest to each other."""
    limit = rules.splice_spacing
    close = [(a, b) for a, b in pairwise(places) if limit.applies and b - a < limit.min_mm]
    return [
        Question(
            ask=f"Wire {wire.id}: the old joints at {a:g} and {b:g} mm are {b - a:g} mm apart, limit "
            f"{limit.min_mm:g} mm. Is either a repair? {_SETTLE}",
            why="A repair joint too near another joint is done again; factory joints belong to the design.",
            changes=_CHANGES,
        )
        for a, b in close
    ]
