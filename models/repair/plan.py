"""The repair plan of a branch: which wires get a new piece, a new lead or are replaced, and where their joints lie."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Literal

from models.repair.branch import Branch, BranchWire, PlanLimits, lost_stretches, up
from models.repair.plan_check import broken_limits
from models.repair.plan_conflict import conflict, unseen_ends
from models.repair.plan_programme import Weights
from models.repair.plan_solve import BrokenPlanError, Choice, PlanError, choose
from models.repair.words import several
from vision.findings import Finding, Question, Route

Method = Literal["splice_in_section", "replace_terminal_lead", "replace_circuit", "several_pieces"]


class NewJoint(Finding):
    """A joint to be made: mm from the wire's start and its end, and its station along the branch."""

    at_mm: float
    to_end_mm: float
    station_mm: float


UNSEEN_END = "end not seen"
NAMELESS_ENDS = ("one end", "other end")


class NewPiece(Finding):
    """A piece of new wire, its place on the old wire, and the length to cut, allowances included."""

    kind: Literal["section", "lead", "whole"]
    from_mm: float
    to_mm: float
    cut_mm: float
    terminals: tuple[str, ...] = ()


class WirePlan(Finding):
    """What is done on one wire, and why so. `lost`: damage with its uncertainty and margin, `closed`: closed or
    flexing parts, both mm from the start."""

    wire: str
    colour: str | None
    size_mm2: float | None
    start: str
    end: str
    method: Method
    length_mm: float
    offset_mm: float
    lost: tuple[tuple[int, int], ...]
    joints: tuple[NewJoint, ...]
    pieces: tuple[NewPiece, ...]
    old_joints_kept: tuple[str, ...]
    old_joints_removed: tuple[str, ...]
    why: str
    closed: tuple[tuple[float, float], ...] = ()


class Plan(Finding):
    """The plan of one branch.

    `open`: something must be measured first (`questions`). `impossible`: no lawful choice exists; `conflicts` says
    which limits exclude each other (without any one of them there is a way), and the route becomes `remanufacture`.
    `left_alone` says of the other wires why they get no piece and no lead.
    `branch_points_mm` are stations along the branch, None where nobody looked for any.
    """

    status: Literal["planned", "open", "impossible"]
    says: str
    wires: tuple[WirePlan, ...] = ()
    questions: tuple[Question, ...] = ()
    conflicts: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    left_alone: tuple[str, ...] = ()
    route: Route | None = None
    proved_cheapest: bool = True
    branch_points_mm: tuple[float, ...] | None = None

    @property
    def joints(self) -> int:
        """New joints in all."""
        return sum(len(wire.joints) for wire in self.wires)

    @property
    def terminals(self) -> int:
        """New terminals in all."""
        return sum(len(piece.terminals) for wire in self.wires for piece in wire.pieces)

    @property
    def new_wire_mm(self) -> float:
        """New wire to cut, in all."""
        return sum(piece.cut_mm for wire in self.wires for piece in wire.pieces)


def plan_branch(branch: Branch, limits: PlanLimits, weights: Weights | None = None, seconds: float = 10.0) -> Plan:
    """The cheapest lawful plan by `weights`, an open one with its questions, or the reasons why there is none.

    Cost of a plan: new joints, new terminals and new wire, each at its weight. The weights stand for the shop's work
    and material, so fewest joints and least wire are traded as the shop's own prices trade them. BrokenPlanError when
    the plan fails the ruler's check: it is never handed out.
    """
    weights = weights or Weights()
    if not any(wire.damage for wire in branch.wires):
        return Plan(status="planned", says="no wire needs a new piece")
    try:
        found = choose(branch, limits, weights, seconds=seconds)
    except PlanError as error:
        return Plan(status="open", says=str(error), questions=(_too_hard(),))
    if found is None:
        return _no_plan(branch, limits, weights)
    broken = broken_limits(branch, limits, found.joints, found.stays)
    if broken:
        raise BrokenPlanError(broken)
    return _worded(branch, limits, weights, found)


def merged(plans: Sequence[Plan], checks: Sequence[str] = ()) -> Plan:
    """Plans of several branches as one: impossible if one is, open if one is."""
    order = ("planned", "open", "impossible")
    status = max((plan.status for plan in plans), key=order.index)
    told = [plan for plan in plans if plan.status == status]
    wires = () if status == "impossible" else tuple(wire for plan in plans for wire in plan.wires)
    says = _total(wires) if status == "planned" else "; ".join(plan.says for plan in told)
    return Plan(
        status=status,
        says=says,
        wires=wires,
        questions=tuple(q for plan in plans for q in plan.questions),
        conflicts=tuple(text for plan in plans for text in plan.conflicts),
        checks=tuple(dict.fromkeys([*(text for plan in plans for text in plan.checks), *checks])),
        route=next((plan.route for plan in plans if plan.route is not None), None),
        proved_cheapest=all(plan.proved_cheapest for plan in plans),
        branch_points_mm=_stations([plan.branch_points_mm for plan in plans]),
    )


def _stations(told: Sequence[tuple[float, ...] | None]) -> tuple[float, ...] | None:
    """All stations named, each once, rising; None where nobody looked on any branch."""
    looked = [points for points in told if points is not None]
    return tuple(sorted({at for points in looked for at in points})) if looked else None


def _total(wires: Sequence[WirePlan]) -> str:
    joints = sum(len(wire.joints) for wire in wires)
    metres = sum(piece.cut_mm for wire in wires for piece in wire.pieces) / 1000
    return f"{several(len(wires), 'wire')}, {several(joints, 'new joint')}, {metres:.2f} m of new wire"


def _too_hard() -> Question:
    return Question(
        ask="Which wires can be repaired on their own, apart from the others?",
        why="The joints of so many different wires could not be placed at once in reasonable time.",
        changes="splice-spacing: where the joints lie",
    )


def _no_plan(branch: Branch, limits: PlanLimits, weights: Weights) -> Plan:
    reasons, wires = conflict(branch, limits, weights)
    unseen = unseen_ends(branch, wires)
    if unseen:
        questions = tuple(
            Question(
                ask=f"Wire {wire.id}: follow it to its end. How far is that from the damage, and can its terminal be "
                "renewed?",
                why="As far as the wire was seen there is no lawful place for a joint; a longer wire may have one.",
                changes="termination-distance: a joint, a new lead, or remanufacture",
            )
            for wire in unseen
        )
        return Plan(status="open", says="no lawful plan within what was seen", questions=questions, conflicts=reasons)
    says = f"no lawful plan for {', '.join(wires)}: " + "; ".join(reasons)
    return Plan(status="impossible", says=says, conflicts=reasons, route="remanufacture")


def _worded(branch: Branch, limits: PlanLimits, weights: Weights, found: Choice) -> Plan:
    damaged = [wire for wire in branch.wires if wire.damage]
    wires = tuple(_wire_plan(branch, wire, limits, weights, found) for wire in damaged)
    checks = []
    if branch.branch_points is None:
        checks.append(f"Branch points were not marked: keep every joint {limits.spacing_mm:g} mm from each.")
    if not found.proved_cheapest:
        checks.append(f"The plan keeps every limit; a cheaper one, if there is any, saves {found.spare:.2f} at most.")
    checks += [
        _drawn_through(wire, low, high) for wire in wires for low, high in wire.closed if _renewed(wire, low, high)
    ]
    points = branch.branch_points
    return Plan(
        status="planned",
        says=_total(wires),
        wires=wires,
        checks=tuple(checks),
        proved_cheapest=found.proved_cheapest,
        branch_points_mm=_stations([None if points is None else tuple(mark.at_mm for mark in points)]),
    )


def _renewed(wire: WirePlan, low: float, high: float) -> bool:
    """Whether new wire takes the place of the old one within a stretch."""
    return any(piece.from_mm < high and low < piece.to_mm for piece in wire.pieces)


def _drawn_through(wire: WirePlan, low: float, high: float) -> str:
    return (
        f"{wire.wire}: its new wire passes the closed or flexing part from {low:g} to {high:g} mm. Make sure that one "
        "can be drawn through before anything is cut; through a moulded or potted part none can: stop and ask."
    )


def _wire_plan(branch: Branch, wire: BranchWire, limits: PlanLimits, weights: Weights, found: Choice) -> WirePlan:
    places = found.joints[wire.id]
    pieces = _pieces(wire, places, limits)
    method = _method(pieces)
    kept = found.stays.get(wire.id, ())
    return WirePlan(
        wire=wire.id,
        colour=wire.colour,
        size_mm2=wire.size_mm2,
        start=end_name(wire, 0),
        end=end_name(wire, 1),
        method=method,
        length_mm=wire.length_mm,
        offset_mm=wire.offset_mm,
        lost=tuple(lost_stretches(wire, limits)),
        joints=tuple(
            NewJoint(at_mm=at, to_end_mm=round(wire.length_mm - at, 1), station_mm=round(at + wire.offset_mm, 1))
            for at in places
        ),
        pieces=pieces,
        old_joints_kept=kept,
        old_joints_removed=tuple(m.ref for m in wire.splices if m.ref not in kept),
        why=_why(branch, wire, limits, weights, pieces, places),
        closed=tuple((part.from_mm, part.to_mm) for part in wire.keep_out),
    )


def end_name(wire: BranchWire, side: int) -> str:
    """An end in words: its housing and cavity, or that the wire runs on unseen."""
    end = (wire.start, wire.end)[side]
    if end.name is None:
        return NAMELESS_ENDS[side] if end.seen else UNSEEN_END
    return f"{end.name}, cavity {end.cavity}" if end.cavity else end.name


def _pieces(wire: BranchWire, places: tuple[int, ...], limits: PlanLimits) -> tuple[NewPiece, ...]:
    """New pieces: between the wire's ends and its joints, those parts that hold a lost stretch."""
    total = up(wire.length_mm + wire.length_u95_mm)
    edges = [0, *places, total]
    lost = lost_stretches(wire, limits)
    found = []
    for i, (a, b) in enumerate(itertools.pairwise(edges)):
        if not any(a <= low and high <= b for low, high in lost) and places:
            continue
        ends = tuple(end_name(wire, side) for side, at in ((0, i == 0), (1, i == len(edges) - 2)) if at)
        joined = 2 - len(ends)
        allowance = max(joined, 1) * limits.joint_allowance_mm  # a whole wire is cut one allowance long and trimmed
        kind: Literal["section", "lead", "whole"] = ("section", "lead", "whole")[len(ends)]  # type: ignore[assignment]
        found.append(NewPiece(kind=kind, from_mm=a, to_mm=b, cut_mm=float(up(b - a + allowance)), terminals=ends))
    return tuple(found)


def _method(pieces: tuple[NewPiece, ...]) -> Method:
    if len(pieces) > 1:
        return "several_pieces"
    kinds: dict[str, Method] = {
        "section": "splice_in_section",
        "lead": "replace_terminal_lead",
        "whole": "replace_circuit",
    }
    return kinds[pieces[0].kind]


def _why(
    branch: Branch, wire: BranchWire, limits: PlanLimits, weights: Weights, pieces: Sequence[NewPiece],
    places: Sequence[int],
) -> str:  # fmt: skip
    """Why not the next simpler repair: the limits that exclude it, or that it is more work; why no new lead."""
    if not any(piece.terminals for piece in pieces):
        return _no_lead(wire, limits, places)
    if len(pieces) > 1:
        return "damage in several places; the joints keep every limit"
    total = up(wire.length_mm + wire.length_u95_mm)
    if (0, total) in lost_stretches(wire, limits):
        return "the damage takes the whole wire"
    fixed = {"renewable": False}
    bound = wire.model_copy(
        update={"start": wire.start.model_copy(update=fixed), "end": wire.end.model_copy(update=fixed)}
    )
    alone = branch.model_copy(update={"wires": tuple(bound if w.id == wire.id else _idle(w) for w in branch.wires)})
    instead = "a new piece between two joints"
    if choose(alone, limits, weights) is not None:
        beside = "" if branch_of_one(branch) else ", beside the other wires"
        return f"less work than {instead} that keeps every limit{beside}"
    reasons, _ = conflict(alone, limits, weights)
    named = [r.removeprefix(f"{wire.id}: ") for r in reasons if "new lead" not in r]
    return f"{instead} finds no lawful place: " + "; ".join(named)


def _no_lead(wire: BranchWire, limits: PlanLimits, places: Sequence[int]) -> str:
    """Why both ends of a wire stay: how far from them the joints find room."""
    to_end = f"{'' if wire.end.seen else 'at least '}{wire.length_mm - max(places):g}"
    return (
        f"no new lead, both ends stay: the joints lie {min(places):g} and {to_end} mm from them, "
        f"{limits.termination_mm:g} mm is the least, and keep every other limit"
    )


def branch_of_one(branch: Branch) -> bool:
    """Whether one wire only needs repair."""
    return sum(1 for wire in branch.wires if wire.damage) == 1


def _idle(wire: BranchWire) -> BranchWire:
    """The wire as if it needed no repair."""
    return wire.model_copy(update={"damage": ()})
