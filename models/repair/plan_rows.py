"""Writes the choice of joints on a branch as a mixed-integer linear programme, each limit under a name of its own.

Every wire is parted by its lost stretches into gaps. A gap is either given up (the new piece runs through it, or a new
lead or wire runs to the terminal) or kept; a kept gap is bounded by new joints: one in the first and last gap, two in
an inner one. Positions are whole millimetres, limits are rounded to the safe side.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from models.repair.branch import Branch, BranchWire, Mark, PlanLimits, down, lost_stretches, up
from models.repair.plan_programme import JointVar, OldVar, Programme, Weights

Group = tuple[str, str]
"""A limit that can be named in an answer: its family and the wire (empty: all of the branch)."""

FAMILIES = ("termination", "splices", "branch-points", "closed", "spacing", "stagger", "count", "section", "ends")
TYING = ("spacing", "stagger")
"""Families that tie wires together; named once for the branch."""


class Writer:
    """Writes the programme of one branch, leaving out the limits in `without`."""

    def __init__(self, branch: Branch, limits: PlanLimits, weights: Weights, without: frozenset[Group]) -> None:
        self.branch, self.limits, self.weights, self.without = branch, limits, weights, without
        self.out = Programme()
        self.damaged = [wire for wire in branch.wires if wire.damage]
        for wire in self.damaged:
            self._wire(wire)
        self._between_wires()

    def _asked(self, family: str, wire: BranchWire | None = None) -> bool:
        name = wire.id if wire is not None and family not in TYING else ""
        return (family, name) not in self.without

    def _wire(self, wire: BranchWire) -> None:
        lost = lost_stretches(wire, self.limits)
        total = up(wire.length_mm + wire.length_u95_mm)
        edges = [0, *[edge for pair in lost for edge in pair], total]
        bounds = [(edges[2 * i], edges[2 * i + 1]) for i in range(len(lost) + 1)]
        mine = [self._gap(wire, gap, span, len(lost)) for gap, span in enumerate(bounds)]
        self._pieces(mine)
        self._old_joints(wire, bounds, mine)
        self._count(wire, mine)

    def _gap(self, wire: BranchWire, gap: int, span: tuple[int, int], last: int) -> list[JointVar]:
        out, windows = self.out, self.windows(wire, span)
        kept = out.column(0, 1 if windows else 0)
        for end, at in ((wire.start, 0), (wire.end, last)):
            if gap == at:
                out.cost[kept] -= self.weights.terminal
                if not end.renewable and self._asked("ends", wire):
                    out.exactly({kept: 1.0}, 1.0)
        # where a joint rests that is not made: at the wire's end, or both of an inner gap at one place
        rest = span[1] if gap == last else span[0]
        signs = [-1.0] if gap == 0 else [1.0] if gap == last else [1.0, -1.0]
        per_mm = self.weights.wire_per_m / 1000
        found = []
        for sign in signs:
            x = out.column(span[0], span[1], sign * per_mm)
            out.cost[kept] += self.weights.joint + per_mm * self.limits.joint_allowance_mm
            found.append(JointVar(wire, x, kept, windows, rest))
            self._choose_window(found[-1])
        if len(found) == 2:
            wanted = up(self.limits.spacing_mm) if self._asked("spacing") else 0
            out.at_least({found[1].x: 1.0, found[0].x: -1.0}, wanted, when=[(kept, 1)])
        out.joints += found
        return found

    def _choose_window(self, joint: JointVar) -> None:
        """The joint lies in one of its windows when it is made, else at rest."""
        out = self.out
        chosen = [(out.column(0, 1), low - joint.rest, high - joint.rest) for low, high in joint.windows]
        out.exactly({**{z: 1.0 for z, _, _ in chosen}, joint.active: -1.0}, 0.0)
        out.at_least({joint.x: 1.0, **{z: -float(low) for z, low, _ in chosen}}, joint.rest)
        out.at_most({joint.x: 1.0, **{z: -float(high) for z, _, high in chosen}}, joint.rest)

    def windows(
        self, wire: BranchWire, span: tuple[int, int], also_out: Sequence[tuple[float, float]] = ()
    ) -> tuple[tuple[int, int], ...]:
        """Whole-mm intervals of a gap in which a joint keeps every fixed limit."""
        near = self.limits.termination_mm if self._asked("termination", wire) else 0.0
        low = max(span[0], up(near))
        high = min(span[1], down(wire.length_mm - wire.length_u95_mm - near))
        windows = [(low, high)]
        for first, last in [*self._kept_out(wire), *also_out]:
            cut = [part for a, b in windows for part in ((a, min(b, down(first))), (max(a, up(last)), b))]
            windows = sorted(set(cut))
            windows = [(a, b) for a, b in windows if a <= b]
        return tuple((a, b) for a, b in windows if a <= b)

    def _kept_out(self, wire: BranchWire) -> list[tuple[float, float]]:
        """Open intervals, mm from the wire's start, where no joint lies whatever else is chosen."""
        limits = self.limits
        found: list[tuple[float, float]] = []
        if self._asked("branch-points", wire):
            points = self.branch.branch_points or ()
            found += [_around(m.at_mm - wire.offset_mm, limits.spacing_mm + m.u95_mm) for m in points]
        if self._asked("closed", wire):
            reaches = [(part, part.u95_mm + limits.working_mm) for part in wire.keep_out]
            found += [(part.from_mm - reach, part.to_mm + reach) for part, reach in reaches]
        if self._asked("splices", wire):
            shift = -wire.offset_mm
            others = [(o, m) for o in self.branch.wires if not o.damage and o.id != wire.id for m in o.splices]
            found += [_around(m.at_mm + o.offset_mm + shift, limits.spacing_mm + m.u95_mm) for o, m in others]
        return [pair for pair in found if pair[0] < pair[1]]

    def _pieces(self, mine: list[list[JointVar]]) -> None:
        """A new piece between two joints of one wire is long enough to handle and keeps the spacing."""
        wire = mine[0][0].wire
        shortest = up(self.limits.min_section_mm) if self._asked("section", wire) else 0
        if self._asked("spacing"):
            shortest = max(shortest, up(self.limits.spacing_mm))
        for i, left in enumerate(mine):
            for right in mine[i + 1 :]:
                a, b = left[-1], right[0]
                self.out.at_least({b.x: 1.0, a.x: -1.0}, shortest, when=[(a.active, 1), (b.active, 1)])

    def _old_joints(self, wire: BranchWire, bounds: list[tuple[int, int]], mine: list[list[JointVar]]) -> None:
        """An existing joint stays clear of new ones, or goes with the old piece."""
        for mark in wire.splices:
            gap = next((i for i, (a, b) in enumerate(bounds) if a < mark.at_mm < b), None)
            if gap is None:
                continue  # it lies in a lost stretch and goes
            before = mine[gap][0] if gap > 0 else None
            after = mine[gap][-1] if gap < len(mine) - 1 else None
            self._old_joint(wire, mark, mine[gap][0].active, before, after)

    def _old_joint(
        self, wire: BranchWire, mark: Mark, active: int, before: JointVar | None, after: JointVar | None
    ) -> None:
        """`before` and `after` bound the kept part of the joint's gap."""
        out = self.out
        stays = out.column(0, 1)
        out.at_most({stays: 1.0, active: -1.0}, 0.0)
        out.old.append(OldVar(wire, mark, stays))
        apart = self.limits.spacing_mm + mark.u95_mm if self._asked("splices", wire) else 0.0
        past = mark.u95_mm + self.limits.margin_mm
        goes = [(stays, 0), (active, 1)]
        left = right = goes
        if before is not None and after is not None:
            side = out.column(0, 1)
            left, right = [*goes, (side, 1)], [*goes, (side, 0)]
        if before is not None:
            out.at_least({before.x: -1.0}, -down(mark.at_mm - apart), when=[(stays, 1)])
            out.at_least({before.x: 1.0}, up(mark.at_mm + past), when=left)
        if after is not None:
            out.at_least({after.x: 1.0}, up(mark.at_mm + apart), when=[(stays, 1)])
            out.at_least({after.x: -1.0}, -down(mark.at_mm - past), when=right)

    def _count(self, wire: BranchWire, mine: list[list[JointVar]]) -> None:
        if not self._asked("count", wire):
            return
        terms = {joints[0].active: float(len(joints)) for joints in mine}
        terms |= {old.stays: 1.0 for old in self.out.old if old.wire.id == wire.id}
        self.out.at_most(terms, float(self.limits.max_splices))

    def _between_wires(self) -> None:
        """Joints of different wires keep spacing and stagger along the branch; old joints keep the spacing."""
        joints = self.out.joints
        for i, a in enumerate(joints):
            for b in joints[i + 1 :]:
                if a.wire.id != b.wire.id:
                    self._apart(a, b)
                    self._in_order(a, b)
            for old in self.out.old:
                if old.wire.id != a.wire.id and self._asked("splices", a.wire):
                    self._clear_of(a, old)
        first = [joint for joint in joints if joint.rest == 0 and joint.windows]
        last = [joint for joint in joints if joint.windows and joint.rest == self.out.high[joint.x] and joint.rest > 0]
        self._queues(first, -1)
        self._queues(last, 1)

    def _queues(self, joints: list[JointVar], sign: int) -> None:
        """Joints that all press against the damage stand in a queue: bounds on their sum, true of every lawful plan.

        They only help the solver: k joints at least d apart and none beyond H sum up to at most
        k H - d k (k - 1) / 2 (first joints of their wires, sign -1), and the mirror image for last joints.
        """
        order = sorted(
            joints, key=lambda j: -sign * ((j.windows[-1] if sign < 0 else j.windows[0])[sign < 0] + j.wire.offset_mm)
        )
        for size in range(2, len(order) + 1):
            self._queue(order[:size], sign)

    def _queue(self, some: Sequence[JointVar], sign: int) -> None:
        d = min(self._distance(a.wire, b.wire) for a, b in combinations(some, 2))
        k = len(some)
        if sign < 0:
            edge = -max(j.windows[-1][1] + j.wire.offset_mm for j in some)
            idle = -max(j.rest + j.wire.offset_mm for j in some)
        else:
            edge = min(j.windows[0][0] + j.wire.offset_mm for j in some)
            idle = min(j.rest + j.wire.offset_mm for j in some)
        if d <= 0 or idle < edge + d * (k - 1):  # a joint that is not made would stand in the queue
            return
        offsets = sum(j.wire.offset_mm for j in some)
        self.out.at_least({j.x: float(sign) for j in some}, k * edge + d * k * (k - 1) / 2 - sign * offsets)

    def _alike(self, a: BranchWire, b: BranchWire) -> bool:
        """Whether two wires may change places in any plan: then an order between them costs nothing.

        With one lost stretch and no old joints only the pairing of left with right joints is free; giving the wire
        whose left joint is nearest to the damage the farthest right joint keeps every new piece as long as can be, and
        pairs as few joints as can be on one wire.
        """
        if self.branch.neighbours is not None or a.splices or b.splices:
            return False
        return _shape(a) == _shape(b) and len(lost_stretches(a, self.limits)) == 1

    def _distance(self, a: BranchWire, b: BranchWire) -> float:
        """Least distance along the branch between new joints of two wires."""
        distance = self.limits.spacing_mm if self._asked("spacing") else 0.0
        if self._asked("stagger") and self.branch.side_by_side(a.id, b.id):
            distance = max(distance, self.limits.stagger_mm)
        return distance

    def _apart(self, a: JointVar, b: JointVar) -> None:
        distance = self._distance(a.wire, b.wire)
        if not a.windows or not b.windows or distance <= 0:
            return
        shift = a.wire.offset_mm - b.wire.offset_mm  # station of a less station of b, positions left out
        made = [(a.active, 1), (b.active, 1)]
        if a.windows[0][0] - b.windows[-1][1] + shift >= distance:
            return
        if b.windows[0][0] - a.windows[-1][1] - shift >= distance:
            return
        if self._alike(a.wire, b.wire) and (a.rest == 0) == (b.rest == 0):
            self.out.at_least({a.x: 1.0, b.x: -1.0}, up(distance), when=made)
            return
        first = self.out.column(0, 1)
        self.out.at_least({a.x: 1.0, b.x: -1.0}, up(distance - shift), when=[*made, (first, 0)])
        self.out.at_least({b.x: 1.0, a.x: -1.0}, up(distance + shift), when=[*made, (first, 1)])

    def _in_order(self, a: JointVar, b: JointVar) -> None:
        """Of two wires alike, the first has the left joint nearer to the damage and the right joint farther from it."""
        if self._alike(a.wire, b.wire) and (a.rest == 0) == (b.rest == 0):
            self.out.at_least({a.x: 1.0, b.x: -1.0}, 0.0)

    def _clear_of(self, a: JointVar, old: OldVar) -> None:
        if not a.windows:
            return
        at = old.mark.at_mm + old.wire.offset_mm - a.wire.offset_mm
        reach = self.limits.spacing_mm + old.mark.u95_mm
        if a.windows[0][0] >= at + reach or a.windows[-1][1] <= at - reach:
            return
        after = self.out.column(0, 1)
        both = [(a.active, 1), (old.stays, 1)]
        self.out.at_least({a.x: 1.0}, up(at + reach), when=[*both, (after, 1)])
        self.out.at_least({a.x: -1.0}, -down(at - reach), when=[*both, (after, 0)])


def lawful_stretches(branch: Branch, wire: BranchWire, limits: PlanLimits) -> list[tuple[int, int]]:
    """Whole-mm stretches of one wire, from its start, in which a joint keeps every limit that stands by itself.

    Old joints of the same wire are kept clear of as if all stayed.
    """
    writer = Writer(branch.model_copy(update={"wires": ()}), limits, Weights(), frozenset())
    old = [_around(m.at_mm, limits.spacing_mm + m.u95_mm) for m in wire.splices]
    lost = lost_stretches(wire, limits)
    edges = [0, *[edge for pair in lost for edge in pair], up(wire.length_mm + wire.length_u95_mm)]
    found: list[tuple[int, int]] = []
    for i in range(0, len(edges), 2):
        found += writer.windows(wire, (edges[i], edges[i + 1]), old)
    return found


def _around(at: float, reach: float) -> tuple[float, float]:
    return at - reach, at + reach


def _shape(wire: BranchWire) -> tuple[object, ...]:
    return (
        wire.length_mm,
        wire.length_u95_mm,
        wire.offset_mm,
        wire.damage,
        wire.keep_out,
        wire.start.renewable,
        wire.end.renewable,
    )
