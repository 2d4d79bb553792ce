"""The printed work order: what is on which sheet, in the order the bench needs it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from types import MappingProxyType

from desk.bench_file import wants_bench, wires_to_note
from desk.by_hand import by_hand
from desk.handover import DAMAGE_HEADS, handover
from desk.order_drawing import draw_plan
from desk.order_model import Order
from desk.order_text import all_changes, whole_longer
from desk.photo_section import photo_section
from desk.sheet import TICK, Sheet
from desk.signed_sheet import Part, signed
from desk.wording import (
    VERDICT_WORDS,
    say_by,
    say_limit,
    say_measure,
    say_plan,
    say_rule,
    say_to_repair,
)
from models.repair.bench import BenchWire
from models.repair.pins import TICKS, PinMap
from models.repair.plan import NAMELESS_ENDS, UNSEEN_END, WirePlan
from models.repair.steps import sentence
from models.repair.words import several
from vision.findings import Decision, PhotoFindings

FOOT = (
    "This sheet helps a competent person. The vehicle maker's procedure, local codes and licensed practice stand "
    "above it."
)
_DONE_WORDS = {
    "splice_in_section": "new piece between two joints",
    "replace_terminal_lead": "new lead to the terminal",
    "replace_circuit": "replaced end to end",
    "several_pieces": "several new pieces",
}
_SIGNED = (
    ("decided by, date", "repaired by, date"),
    ("tested by, date", "customer agrees to the way ticked above, date"),
)
_HANDED_ON = (
    ("decided by, date", "customer agrees to the way ticked above, date"),
    ("handed on by, date", "taken over by, firm, date"),
)
"""Who rebuilds, or follows the maker's procedure, signs for having it; nobody here repairs or tests."""
_ASKED = "asked"
_NOTHING: Mapping[str, str] = MappingProxyType({})


def order_pdf(
    order: Order,
    photos: list[PhotoFindings],
    files: Mapping[str, Path],
    paper: str,
    known: Mapping[str, str] = _NOTHING,
    unseen: Sequence[str] = (),
) -> bytes:
    """The order as PDF. files: the photographs found, by hash; known: what stands in its boxes, by name;
    unseen: sides of the assembly that no photograph shows, in words."""
    boxes = _HANDED_ON if order.work.route in ("remanufacture", "refer") else _SIGNED
    parts: list[Part] = [
        lambda sheet: _head(sheet, order, known, unseen),
        lambda sheet: sheet.framed("Before anything is touched", order.work.cautions),
        photo_section(photos, files, order.asked(), order.decided(), order.answers),
        lambda sheet: _reasons(sheet, order),
        lambda sheet: _answers(sheet, order),
        lambda sheet: _questions(sheet, order),
        lambda sheet: _by_hand(sheet, photos, order),
        lambda sheet: _plan(sheet, order),
        lambda sheet: _cutting(sheet, order),
        lambda sheet: _steps(sheet, order),
        *(partial(_pins, pins=pins) for pins in order.work.pins),
        lambda sheet: _tests(sheet, order),
        lambda sheet: _offers(sheet, order),
        lambda sheet: _causes(sheet, order),
        lambda sheet: _handover(sheet, photos, order),
    ]
    begin = partial(Sheet, paper, f"Work order - assembly {order.assembly}", FOOT)
    return bytes(signed(begin, parts, boxes, known).output())


def _head(sheet: Sheet, order: Order, known: Mapping[str, str], unseen: Sequence[str]) -> None:
    sheet.blanks(["order number", "vehicle", "customer", "received, date"], filled=known)
    sheet.banner(order.says_state(), settled=not order.provisional)
    decision = order.decision
    for side in unseen:
        sheet.para(f"NOT SEEN: no usable photograph of the {side}. Look it over before the work begins.", bold=True)
    if decision.contradicted:
        sheet.para(
            f"PHOTOGRAPHS CONTRADICT {several(len(decision.contradicted), 'ANSWER', 'ANSWERS')}, see below.", bold=True
        )
    if order.work.route_why is not None:
        sheet.para(f"Route changed by the plan: {order.work.route_why}.", bold=True)
    elif decision.route_by:
        sheet.para(_from_rules(decision))
    if order.says_open(""):
        sheet.para(order.says_open(f"see page {sheet.page_of(_ASKED)}"), bold=True)
    if order.says_worst():
        sheet.para(f"If every open question goes the wrong way: {order.says_worst()}.")
    count = say_to_repair(decision.wires_to_repair, order.decided())
    if decision.wires_to_repair is not None:
        sheet.para(f"Wires to repair, earlier repairs counted: {count}.")
    if decision.actions and order.work.route_why is None:  # else the plan's route has steps of its own
        here = [a for a in decision.actions if (a.action, order.work.route) != ("open_covering", "remanufacture")]
        named = dict.fromkeys(f"{a.action.replace('_', ' ')} ({a.on})" for a in here)
        sheet.para("The decision asks for: " + "; ".join(named) + ".")
    sheet.para(say_plan(order.work.says))
    sheet.para(f"Written {order.made_at} from {several(len(order.photos), 'photograph')}.", size=8)


def _from_rules(decision: Decision) -> str:
    if decision.route == "undecided":
        return f"The decision {say_by(decision.route_by, decision.rules, undecided=True)}."
    return f"The route is set {say_by(decision.route_by, decision.rules)}."


def _reasons(sheet: Sheet, order: Order) -> None:
    sheet.section("Decision and reasons", needs_mm=55)
    told = [rule for rule in order.decision.rules if rule.verdict != "not_applicable"]
    told.sort(key=lambda rule: ("violated", "cannot_tell", "met").index(rule.verdict))
    rows = [
        [
            say_rule(rule),
            VERDICT_WORDS[rule.verdict].upper() if rule.verdict == "violated" else VERDICT_WORDS[rule.verdict],
            say_measure(rule.measured, rule.unit or ""),
            say_limit(rule.limit, rule.unit),
            rule.says,
        ]
        for rule in told
    ]
    sheet.grid(["rule", "verdict", "measured", "limit", "in words"], rows, [21, 13, 15, 12, 60], size=8)
    silent = [say_rule(rule) for rule in order.decision.rules if rule.verdict == "not_applicable"]
    if silent:
        sheet.para("Nothing here to judge: " + "; ".join(silent) + ".", size=8)


def _answers(sheet: Sheet, order: Order) -> None:
    """The answers that decided, so that the decision can be followed later."""
    if order.answers:
        sheet.section("Answers given at the bench, part of the decision", needs_mm=35)
        sheet.grid(["question", "answer"], [[one.asked(), one.answer] for one in order.answers], [90, 38])
    for line in order.decision.contradicted:
        sheet.para(f"CONTRADICTED: {line}.", bold=True)


def _questions(sheet: Sheet, order: Order) -> None:
    if not order.asks():
        return
    sheet.section("Open questions, answer first", needs_mm=45)
    sheet.stands_here(_ASKED)
    sheet.grid(
        ["question", "why it is asked", "answer, initials"],
        [[one.ask, f"{one.why} Changes {all_changes(one, order)}.", ""] for one in order.asks()],
        [42, 55, 31],
        size=8,
        row_mm=11,
    )


def _by_hand(sheet: Sheet, photos: list[PhotoFindings], order: Order) -> None:
    """What the photographs leave too open to use, with room to write down what is counted and measured."""
    rows = [[one.what, one.seen, ""] for one in by_hand(photos, order.decided(), order.answers)]
    if rows:
        sheet.section("To be counted and measured by hand", needs_mm=35)
        sheet.para("The photographs do not show these well enough to decide anything by them.", size=8.5)
        sheet.grid(["what", "in the photographs", "by hand"], rows, [58, 42, 28], row_mm=8.5)


def _handover(sheet: Sheet, photos: list[PhotoFindings], order: Order) -> None:
    """The ending of an order whose assembly is rebuilt elsewhere: what goes with it, and what the next bench must know.

    Its measures are a record: whatever they are, the route stays.
    """
    told = handover(order, photos)
    if told is None:
        return
    sheet.section("Handing the assembly on to be rebuilt", needs_mm=60)
    sheet.blanks(["handed on to, firm", "carrier, or fetched by", "part number of the assembly", "wanted back, date"])
    sheet.para("What goes with it:", bold=True)
    sheet.items(told.with_it, ticks=True)
    if told.damages:
        sheet.room(30)
        sheet.para("Damage found, and what was measured. For the record: the route does not change by it.", bold=True)
        sheet.grid(DAMAGE_HEADS, told.damages, [18, 24, 27, 18, 23, 27], size=8)
    sheet.room(20)
    sheet.para("To be looked at when it is taken apart:", bold=True)
    sheet.items(told.look, ticks=True)


def _plan(sheet: Sheet, order: Order) -> None:
    plan = order.work.plan
    sheet.section("Repair plan")
    status = {"planned": "", "open": "PROVISIONAL, answer the questions first. ", "impossible": "NO LAWFUL PLAN. "}
    says = say_plan(order.work.says) if order.work.says.startswith("open: ") else sentence(order.work.says)
    sheet.para((status[plan.status] if plan else "") + says)
    if plan is None:
        return
    if len(plan.conflicts) > 1 and plan.route != "refer":  # one alone is said already
        sheet.para("These limits exclude each other; without any one of them there would be a way:")
        sheet.items(plan.conflicts)
    if plan.wires:
        draw_plan(sheet, plan)
        rows = [_wire_row(wire) for wire in plan.wires]
        sheet.grid(
            ["wire", "from ... to", "what is done", "joints, mm from the start", "why so"], rows, [14, 26, 25, 24, 40]
        )
    sheet.items(plan.left_alone)
    sheet.items(plan.checks, ticks=True)
    if order.work.measured or wants_bench(order):
        _bench(sheet, order)


def _bench(sheet: Sheet, order: Order) -> None:
    """The wires that were measured, and while the plan waits for more, room for every one that may need a new piece."""
    sheet.section("Wires measured at the bench, mm along the wire", needs_mm=60)
    heads = ["", "wire, colour", "size, mm²", "from, cavity", "before", "damage", "after", "to, cavity", "cut, mm"]
    rows = [_measured_row(number, wire, order) for number, wire in enumerate(order.work.measured, 1)]
    if wants_bench(order):
        room = max(wires_to_note(order), len(rows) + 1)
        rows += [[str(number), *[""] * 8] for number in range(len(rows) + 1, room + 1)]
    sheet.grid(heads, rows, [5, 24, 13, 20, 14, 14, 14, 20, 16], row_mm=7.5)
    if not wants_bench(order):
        return
    sheet.para(
        "Before: from the start to the damage; after: from the damage to the other end. Write the order again with "
        "these (--bench): it then says where the joints lie and what is cut.",
        size=8,
    )


def _measured_row(number: int, wire: BenchWire, order: Order) -> list[str]:
    lengths = [f"{length:g}" for length in (wire.before_mm, wire.damage_mm, wire.after_mm)]
    cut = " + ".join(f"{line.length_mm:g}" for line in order.work.cut if line.wire == wire.id)
    # what the note left to the circuit list, the plan has looked up there
    plan = order.work.plan
    planned = next((one for one in (plan.wires if plan else ()) if one.wire == wire.id), None) if wire.circuit else None
    colour, size = wire.colour, wire.size_mm2
    ends = [wire.start or "", wire.end or ""]
    if planned is not None:
        colour, size = colour or planned.colour, size or planned.size_mm2
        nameless = (*NAMELESS_ENDS, UNSEEN_END)
        known = ["" if end in nameless else end for end in (planned.start, planned.end)]
        ends = [said or end for said, end in zip(ends, known, strict=True)]
    name = ", ".join(part for part in (wire.id, wire.circuit, colour) if part)
    return [str(number), name, f"{size:g}" if size else "", ends[0], *lengths, ends[1], cut]


def _wire_row(wire: WirePlan) -> list[str]:
    joints = ", ".join(f"{joint.at_mm:g}" for joint in wire.joints) or "none"
    if wire.old_joints_kept:
        joints += f"; stays: {', '.join(wire.old_joints_kept)}"
    if wire.old_joints_removed:
        joints += f"; goes: {', '.join(wire.old_joints_removed)}"
    name = f"{wire.wire} {wire.colour or ''}".strip()
    return [name, f"{wire.start} ... {wire.end}", _DONE_WORDS[wire.method], joints, wire.why]


def _cutting(sheet: Sheet, order: Order) -> None:
    work = order.work
    if work.cut:
        sheet.section("Cut list")
        rows = [
            [TICK, c.wire, c.circuit or "-", c.colour, c.size, c.kind, f"{c.length_mm:g} mm", "same colour or tagged"]
            for c in work.cut
        ]
        heads = ["", "wire", "circuit", "colour", "size", "piece", "length", "note"]
        sheet.grid(heads, rows, [5, 12, 13, 13, 30, 15, 14, 24])
        sheet.para(
            "Lengths include the allowance of each joint. Wire of the same size or larger, same colour and stripe, "
            "or both "
            "ends tagged with the old colour. Cross-linked insulation may take the place of PVC, never the reverse.",
            size=8,
        )
    if whole_longer(order):
        sheet.para(whole_longer(order), size=8)
    if work.parts:
        sheet.section("Parts")
        rows = [[TICK, "count" if p.count is None else str(p.count), p.part, p.note] for p in work.parts]
        sheet.grid(["", "number", "part", "note"], rows, [5, 12, 55, 50])


def _steps(sheet: Sheet, order: Order) -> None:
    sheet.section("Order of work")
    sheet.items(order.work.steps, ticks=True, numbered=True)


def _pins(sheet: Sheet, pins: PinMap) -> None:
    seen = f", in the photograph {pins.housing}" if pins.connector else ""
    sheet.section(f"Pin map: {pins.connector or pins.housing}{seen}", needs_mm=60)
    sheet.para(pins.note, size=8.5)
    rows = []
    for pin in pins.pins:
        held = "PLUG" if pin.plug and pin.circuit is None else pin.circuit or ""
        ticks = ["-"] * (len(TICKS) - 1) + [TICK] if held == "PLUG" else [TICK] * len(TICKS)
        rows.append([pin.cavity, held, pin.colour or "", pin.size or "", pin.goes_to or "", *ticks])
    heads = ["cavity", "circuit", "colour", "size", "goes to", *TICKS]
    sheet.grid(heads, rows, [12, 20, 16, 18, 22, 11, 16, 21, 10])


def _tests(sheet: Sheet, order: Order) -> None:
    if not order.work.tests:
        return
    sheet.section("Tests afterwards")
    rows = [[test, "", TICK] for test in order.work.tests]
    sheet.grid(["test and what is expected", "measured", "good"], rows, [90, 25, 10])


def _offers(sheet: Sheet, order: Order) -> None:
    if not order.work.offers:
        return
    sheet.section("The customer's choice", needs_mm=45)
    rows = [
        [
            TICK,
            offer.name,
            "-" if offer.minutes is None else f"{offer.minutes:.0f} min",
            "-" if offer.price is None else f"{offer.price:.2f} {order.work.currency}",
            "-" if offer.warranty_months is None else f"{offer.warranty_months} months",
            offer.says.removeprefix("open: "),
        ]
        for offer in order.work.offers
    ]
    sheet.grid(["", "way", "time", "price", "warranty", "what it stands on"], rows, [5, 30, 15, 20, 18, 50])
    if order.work.invented_prices:
        sheet.para(
            "EXAMPLE PRICES: invented numbers. Put the shop's own into a file and name it with --prices.", bold=True
        )


def _causes(sheet: Sheet, order: Order) -> None:
    if not order.decision.causes:
        return
    sheet.section("What caused it, and what stops it coming back", needs_mm=42)
    rows = [[TICK, cause.cause, cause.look_for, cause.prevent] for cause in order.decision.causes]
    sheet.grid(["", "likely cause", "look for and remove", "prevent"], rows, [5, 34, 45, 45])
    recurrence = next(rule for rule in order.decision.rules if rule.id == "recurrence")
    days = f" within {recurrence.limit:g} days" if recurrence.limit is not None else " within weeks"
    sheet.para(f"If the same damage comes back{days}, its cause was not removed: bring the vehicle back.", size=8.5)
