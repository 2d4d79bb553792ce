"""Chooses the joints of a branch: the cheapest lawful choice, or the proof that there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from models.repair.branch import Branch, PlanLimits
from models.repair.plan_programme import Programme, Weights
from models.repair.plan_rows import Group, Writer

_NO_PLAN, _TIME_UP = 2, 1


class PlanError(RuntimeError):
    """The solver gave up without an answer; the message says what to do."""


class BrokenPlanError(RuntimeError):
    """A chosen plan breaks a limit: a fault of the programme, not of the input; `broken` says what it breaks."""

    def __init__(self, broken: Sequence[str]) -> None:
        self.broken = tuple(broken)
        super().__init__(
            f"plan: expected joints that keep every limit, got {'; '.join(self.broken)}: this is a fault of the tool "
            "and no plan is handed out; place the joints with a ruler and report it with the files given"
        )


@dataclass(frozen=True)
class Choice:
    """For each wire with damage: places of its new joints (mm from its start), and the existing joints that stay.

    `spare` is what a cheaper choice could save at most, in the unit of the weights; 0 where none is cheaper.
    """

    joints: dict[str, tuple[int, ...]]
    stays: dict[str, tuple[str, ...]]
    spare: float = 0.0

    @property
    def proved_cheapest(self) -> bool:
        """Whether no choice is cheaper."""
        return self.spare == 0.0


def choose(
    branch: Branch,
    limits: PlanLimits,
    weights: Weights,
    without: frozenset[Group] = frozenset(),
    seconds: float = 20.0,
) -> Choice | None:
    """The cheapest choice by `weights` (at equal cost any), or None where none is lawful.

    `without` leaves limits out. Raises PlanError when `seconds` pass without a lawful choice or a proof.
    """
    programme = Writer(branch, limits, weights, without).out
    if not programme.cost:
        return Choice({}, {})
    found = _solved(programme, seconds)
    if found is None:
        return None
    x, spare = found
    joints: dict[str, tuple[int, ...]] = {}
    for wire in branch.wires:
        mine = [j for j in programme.joints if j.wire.id == wire.id]
        if mine:
            joints[wire.id] = tuple(round(float(x[j.x])) for j in mine if x[j.active] > 0.5)
    stays = {
        wire.id: tuple(o.mark.ref for o in programme.old if o.wire.id == wire.id and x[o.stays] > 0.5)
        for wire in branch.wires
    }
    return Choice(joints, stays, spare)


def _solved(programme: Programme, seconds: float) -> tuple[np.ndarray, float] | None:
    count = len(programme.cost)
    entries = [(r, c, v) for r, (terms, _, _) in enumerate(programme.rows) for c, v in terms.items()]
    rows, columns, values = (np.array(part) for part in zip(*entries, strict=True))
    matrix = coo_array((values.astype(float), (rows, columns)), shape=(len(programme.rows), count)).tocsc()
    low, high = ([row[i] for row in programme.rows] for i in (1, 2))
    answer = milp(
        np.array(programme.cost),
        constraints=LinearConstraint(matrix, low, high),
        bounds=Bounds(np.array(programme.low, float), np.array(programme.high, float)),
        integrality=np.ones(count),
        options={"time_limit": seconds, "mip_rel_gap": 0.0},
    )
    if answer.status == _NO_PLAN:
        return None
    if answer.x is None:
        raise PlanError(
            f"expected a plan within {seconds:g} s, got none ({answer.message}): plan fewer wires at a time"
        )
    return answer.x, max(0.0, float(answer.fun - answer.mip_dual_bound)) if answer.status == _TIME_UP else 0.0
