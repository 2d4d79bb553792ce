"""The branch as the plan sees it: wires measured from one side, with damage, joints, branch points and closed parts."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field, model_validator

from models.repair.limits import Rules
from vision.findings import Finding

Mm = Annotated[float, Field(ge=0.0, le=100_000.0, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1)]


class Stretch(Finding):
    """A part of a wire, mm along it from its start; `u95_mm` holds for either edge."""

    from_mm: Mm
    to_mm: Mm
    u95_mm: Mm = 0.0

    @model_validator(mode="after")
    def _forward(self) -> Stretch:
        if self.to_mm < self.from_mm:
            raise ValueError(
                f"expected a stretch whose end lies after its beginning, got {self.from_mm:g} to {self.to_mm:g} mm"
            )
        return self


class Mark(Finding):
    """A point on a wire, mm along it from its start."""

    at_mm: Mm
    u95_mm: Mm = 0.0
    ref: str = ""


class WireEnd(Finding):
    """One end of a wire: what it ends in, and whether a new lead can be made there.

    `seen` is False where the wire runs on unseen: its termination then lies at this end or beyond it.
    """

    name: str | None = None
    cavity: str | None = None
    seen: bool = True
    renewable: bool = True

    @model_validator(mode="after")
    def _unseen_is_not_renewed(self) -> WireEnd:
        if self.renewable and not self.seen:
            raise ValueError("expected an end that is not renewable where it was not seen")
        return self


class BranchWire(Finding):
    """One wire of the branch, mm from its start. `offset_mm` is the station of its start along the branch.

    `keep_out` are parts where no joint may lie: coverings that stay closed, grommets, parts that flex.
    """

    id: Name
    colour: str | None = None
    size_mm2: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None
    length_mm: Annotated[float, Field(gt=0.0, le=100_000.0, allow_inf_nan=False)]
    length_u95_mm: Mm = 0.0
    start: WireEnd = WireEnd()
    end: WireEnd = WireEnd()
    offset_mm: Annotated[float, Field(ge=-100_000.0, le=100_000.0, allow_inf_nan=False)] = 0.0
    damage: tuple[Stretch, ...] = ()
    splices: tuple[Mark, ...] = ()
    keep_out: tuple[Stretch, ...] = ()

    @model_validator(mode="after")
    def _within(self) -> BranchWire:
        ends = [s.to_mm for s in (*self.damage, *self.keep_out)] + [m.at_mm for m in self.splices]
        if max(ends, default=0.0) > self.length_mm + 1e-6:
            raise ValueError(
                f"wire {self.id}: expected everything within its length of {self.length_mm:g} mm, got {max(ends):g} mm"
            )
        return self


class Branch(Finding):
    """Wires that run together. `branch_points` are stations along the branch; None: nobody looked for them.

    `neighbours`: pairs of wires that lie side by side; None: any two may.
    """

    wires: tuple[BranchWire, ...]
    branch_points: tuple[Mark, ...] | None = None
    neighbours: tuple[tuple[str, str], ...] | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Branch:
        ids = [wire.id for wire in self.wires]
        if not ids or len(ids) != len(set(ids)):
            raise ValueError(f"expected at least one wire, each id once, got {', '.join(ids) or 'none'}")
        return self

    def side_by_side(self, one: str, other: str) -> bool:
        """Whether two wires are neighbours."""
        return self.neighbours is None or (one, other) in self.neighbours or (other, one) in self.neighbours


class PlanLimits(Finding):
    """Limits that planned joints keep, mm; a rule that is switched off asks nothing."""

    termination_mm: Mm
    spacing_mm: Mm
    stagger_mm: Mm
    margin_mm: Mm
    working_mm: Mm
    min_section_mm: Mm
    joint_allowance_mm: Mm
    max_splices: Annotated[int, Field(ge=0)]


def plan_limits(rules: Rules) -> PlanLimits:
    """The plan's limits out of the rules file."""
    distance, spacing, count = rules.termination_distance, rules.splice_spacing, rules.splices_per_wire
    return PlanLimits(
        termination_mm=distance.min_mm if distance.applies else 0.0,
        spacing_mm=spacing.min_mm if spacing.applies else 0.0,
        stagger_mm=spacing.stagger_mm if spacing.applies else 0.0,
        margin_mm=spacing.margin_mm,
        working_mm=spacing.working_mm,
        min_section_mm=spacing.min_section_mm,
        joint_allowance_mm=distance.joint_allowance_mm,
        max_splices=count.max_splices if count.applies else 1000,
    )


def up(value: float) -> int:
    """The next whole millimetre upwards; a hair above a whole number counts as that number."""
    return math.ceil(round(value, 6))


def down(value: float) -> int:
    """The next whole millimetre downwards."""
    return math.floor(round(value, 6))


def lost_stretches(wire: BranchWire, limits: PlanLimits) -> list[tuple[int, int]]:
    """What must go, whole mm: damage with uncertainty and margin, merged where it meets; sorted."""
    reaches = [(s, s.u95_mm + limits.margin_mm) for s in wire.damage]
    total = up(wire.length_mm + wire.length_u95_mm)
    wide = sorted((max(0, down(s.from_mm - r)), min(total, up(s.to_mm + r))) for s, r in reaches)
    merged: list[tuple[int, int]] = []
    for low, high in wide:
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged
