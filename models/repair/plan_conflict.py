"""Says in words which limits leave no plan: a smallest set of them, found by leaving limits out one after another."""

from __future__ import annotations

from models.repair.branch import Branch, BranchWire, PlanLimits
from models.repair.plan_programme import Weights
from models.repair.plan_rows import FAMILIES, TYING, Group
from models.repair.plan_solve import PlanError, choose
from models.repair.words import several

_SECONDS = 3.0


def conflict(branch: Branch, limits: PlanLimits, weights: Weights) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The limits that exclude each other, in words, and the wires they concern. The branch must have no plan.

    Leaving out any one of them opens a way, and the others do not matter (as far as short time proves it).
    """
    narrow = _smallest(branch, limits, weights)
    groups = _smallest_groups(narrow, limits, weights)
    wires = tuple(wire.id for wire in narrow.wires if wire.damage)
    said: dict[str, list[str]] = {}
    for group in groups:
        said.setdefault(_said(group, narrow, limits), []).extend([group[1]] if group[1] else [])
    return tuple(f"{', '.join(names)}: {words}" if names else words for words, names in said.items()), wires


def _smallest(branch: Branch, limits: PlanLimits, weights: Weights) -> Branch:
    """The same branch with as few wires under repair as still have no plan; the others stay with their joints."""
    for wire in (w for w in branch.wires if w.damage):
        less = _without(branch, wire)
        if any(w.damage for w in less.wires) and _hopeless(less, limits, weights):
            branch = less
    return branch


def _hopeless(branch: Branch, limits: PlanLimits, weights: Weights, without: frozenset[Group] = frozenset()) -> bool:
    """Whether it is proved in short time that there is no plan; what was not proved stays in the answer."""
    try:
        return choose(branch, limits, weights, without, _SECONDS) is None
    except PlanError:
        return False


def _without(branch: Branch, wire: BranchWire) -> Branch:
    idle = wire.model_copy(update={"damage": ()})
    return branch.model_copy(update={"wires": tuple(idle if w.id == wire.id else w for w in branch.wires)})


def _smallest_groups(branch: Branch, limits: PlanLimits, weights: Weights) -> list[Group]:
    damaged = [wire.id for wire in branch.wires if wire.damage]
    groups: list[Group] = [(f, "") for f in FAMILIES if f in TYING]
    groups += [(f, name) for f in FAMILIES if f not in TYING for name in damaged]
    dropped: set[Group] = set()
    for group in groups:
        if _hopeless(branch, limits, weights, frozenset(dropped | {group})):
            dropped.add(group)
    return [group for group in groups if group not in dropped]


def _said(group: Group, branch: Branch, limits: PlanLimits) -> str:
    family, name = group
    wire = next((w for w in branch.wires if w.id == name), None)
    words = {
        "termination": f"joints at least {limits.termination_mm:g} mm from either end",
        "splices": f"joints at least {limits.spacing_mm:g} mm from the joints already there",
        "branch-points": f"joints at least {limits.spacing_mm:g} mm from a branch",
        "closed": f"joints {limits.working_mm:g} mm clear of the parts that stay closed or flex",
        "spacing": f"joints at least {limits.spacing_mm:g} mm from each other",
        "stagger": f"joints of neighbouring wires {limits.stagger_mm:g} mm apart along the branch",
        "section": f"a new piece of at least {limits.min_section_mm:g} mm between two joints",
        "count": f"at most {several(limits.max_splices, 'repair joint')} in one wire, "
        f"{len(wire.splices) if wire else 0} there already",
        "ends": f"no new lead or terminal {_fixed_ends(wire) if wire else ''}",
    }
    return words[family]


def _fixed_ends(wire: BranchWire) -> str:
    fixed = [end for end in (wire.start, wire.end) if not end.renewable]
    named = [end.name or ("an end" if end.seen else "an end that was not seen") for end in fixed]
    return "at " + " and ".join(dict.fromkeys(named))


def unseen_ends(branch: Branch, names: tuple[str, ...]) -> list[BranchWire]:
    """The named wires that run on unseen at an end: what is known of them cannot prove that there is no plan."""
    return [w for w in branch.wires if w.id in names and not (w.start.seen and w.end.seen)]
