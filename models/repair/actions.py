"""The steps of the repair in working order, and the questions cheapest first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from models.repair.verdicts import REFER, REMANUFACTURE
from vision.findings import Action, Question

WORKING_ORDER: tuple[str, ...] = (
    "retake",
    "refer",
    "check_fuse",
    "correct_fuse",
    "open_covering",
    "remanufacture",
    "inspect_conductor",
    "part_neighbours",
    "inspect_ends",
    "replace_circuit",
    "replace_terminal_lead",
    "splice_in_section",
    "redo_earlier_repair",
    "move_splice",
    "change_plan",
    "replace_housing",
    "inspect_terminals",
    "sleeve",
    "find_cause",
)
"""Every action code, in the order the work is done."""

_IN_VEHICLE = {
    "inspect_conductor",
    "part_neighbours",
    "inspect_ends",
    "replace_circuit",
    "replace_terminal_lead",
    "splice_in_section",
    "redo_earlier_repair",
    "move_splice",
    "change_plan",
    "sleeve",
}
_CUT_OUT = {"replace_circuit", "replace_terminal_lead", "splice_in_section", "redo_earlier_repair"}
_UNREFERRED = {"retake", "refer", "find_cause"}

QUESTION_COST: dict[str, int] = {
    "circuit-class": 0,  # read off the order or the diagram
    "recurrence": 0,
    "label": 1,  # look at the picture again
    "earlier-repair": 2,  # look at the joint
    "housing": 3,  # handle the part
    "fused-insulation": 3,
    "heat-aged": 3,
    "conductor-damage": 4,  # magnifier, tracing
    "fuse-coordination": 4,  # which circuit's fuse is known once the damaged wire is traced; its size is measured
    "overload-extent": 5,  # tracing
    "termination-distance": 5,  # ruler
    "splice-spacing": 5,
    "splices-per-wire": 6,
    "wire-count": 6,
    "inspection": 7,  # the whole assembly, or a new photograph
    "hidden-damage": 8,  # taking it apart
}
"""Cost of a question at the bench: 0 read from papers .. 8 opening a covering. Keys: what `changes` begins with."""


def in_working_order(actions: Iterable[Action], floor: int) -> list[Action]:
    """Each step once. Work in the vehicle is dropped where the assembly is rebuilt, all work where it is referred.

    What is cut out gets no sleeve: of one place seen twice, one view may show worn insulation and the other copper.
    """
    kept: dict[tuple[str, str], Action] = {}
    steps = list(actions)
    cut = {action.on for action in steps if action.action in _CUT_OUT}
    for action in steps:
        if action.action == "sleeve" and action.on in cut:
            continue
        if floor >= REFER and action.action not in _UNREFERRED:
            continue
        if floor >= REMANUFACTURE and action.action in _IN_VEHICLE:
            continue
        kept.setdefault((action.action, action.on), action)
    return sorted(kept.values(), key=lambda a: (WORKING_ORDER.index(a.action), a.on))


def cheapest_first(asked: Sequence[tuple[Question, int]], floor: int) -> list[Question]:
    """Each question once, by `QUESTION_COST`; at equal cost those first whose answer may change the route.

    For an assembly to be rebuilt or referred, only what can worsen that. asked : each with the worst rank it may bring;
    floor : the certain rank.
    """
    useful = [(question, worst) for question, worst in asked if floor < REMANUFACTURE or worst > floor]
    once = {(question.ask, question.changes): question for question, _ in useful}
    closing = {(question.ask, question.changes) for question, worst in useful if worst > floor}
    return [once[key] for key in sorted(once, key=lambda key: (_cost(once[key]), key not in closing, key))]


def _cost(question: Question) -> int:
    return QUESTION_COST[question.changes.split(":")[0]]
