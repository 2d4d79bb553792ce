"""The work order in plain lines, for the screen."""

from __future__ import annotations

from collections.abc import Sequence

from desk.answers_file import answer_names
from desk.by_hand import by_hand
from desk.handover import DAMAGE_HEADS, handover
from desk.order_model import Order
from desk.wording import say_by, say_changes, say_plan, say_rule_and_id
from models.repair import Rules
from vision.findings import PhotoFindings, Question


def order_lines(order: Order, rules: Rules, photos: Sequence[PhotoFindings] = ()) -> list[str]:
    """Route, rules not kept, plan, cut list, parts, steps, tests, prices and cautions, a line each; open questions with
    the names of their answers."""
    work = order.work
    lines = [f"Assembly {order.assembly}: {order.says_route()}"]
    if work.route_why is not None:
        lines.append(f"  route changed by the plan: {work.route_why}")
    elif order.decision.route_by:
        undecided = order.decision.route == "undecided"
        lines.append(f"  the decision: {say_by(order.decision.route_by, order.decision.rules, undecided)}")
    if order.says_open("see below"):
        lines.append(f"  {order.says_open('see below')}")
    if order.says_worst():
        lines.append(f"  if every open question goes the wrong way: {order.says_worst()}")
    broken = [rule for rule in order.decision.rules if rule.verdict == "violated"]
    lines += _group("rules not kept", [f"{say_rule_and_id(rule)}: {rule.says}" for rule in broken])
    lines.append(f"  {say_plan(work.says)}")
    if work.plan is not None:
        lines += [f"    {text}" for text in (*work.plan.conflicts, *work.plan.checks)]
        lines += [f"    {wire.wire}: {wire.why}" for wire in work.plan.wires]
        lines += [f"    {text}" for text in work.plan.left_alone]
    lines += _group("answers given", [f"{one.asked()} {one.answer}" for one in order.answers])
    lines += _group("ANSWERS THAT THE PHOTOGRAPHS CONTRADICT", order.decision.contradicted)
    lines += _group("open questions", [_question(q, order, rules) for q in order.asks()])
    open_ones = by_hand(photos, order.decided(), order.answers)
    lines += _group("to be counted and measured by hand", [f"{one.what}: {one.seen}" for one in open_ones])
    lines += _group("cut", [f"{c.wire} {c.colour}, {c.size}: {c.kind}, {c.length_mm:g} mm" for c in work.cut])
    lines += [f"    {whole_longer(order)}"] if whole_longer(order) else []
    lines += _group("parts", [f"{'count' if p.count is None else p.count} x {p.part}" for p in work.parts])
    lines += _group("order of work", [f"{number}. {text}" for number, text in enumerate(work.steps, 1)])
    lines += _group("tests afterwards", list(work.tests))
    example = " (EXAMPLE PRICES, invented)" if work.invented_prices else ""
    lines += _group(f"the customer's choice{example}", [_offer(order, i) for i in range(len(work.offers))])
    causes = [f"{c.cause} Look for: {c.look_for} Prevent: {c.prevent}" for c in order.decision.causes]
    lines += _group("likely causes", causes)
    told = handover(order, photos)
    if told is not None:
        lines += _group("handed on with it", list(told.with_it))
        lines += _group("damage found, for the record", [_row(row) for row in told.damages])
        lines += _group("to be looked at when it is taken apart", list(told.look))
    return lines + _group("cautions", list(order.work.cautions))


def _question(question: Question, order: Order, rules: Rules) -> str:
    mine = [one for one in order.decision.open_questions if one.ask == question.ask]  # the plan's: with --bench
    names = ", ".join(answer_names(mine[0], rules)) if mine else ""
    more = [one.why for one in order.work.questions if mine and one.ask == question.ask]  # what the plan knows of it
    said = " ".join([question.ask, *more])
    return f"{said} ({all_changes(question, order)})" + (f" Answer: {names}" if names else "")


def whole_longer(order: Order) -> str:
    """Why a whole wire is cut longer than the old one, for those of the cut list; empty where there is none."""
    plan = order.work.plan
    more: dict[str, list[str]] = {}
    for wire in plan.wires if plan else ():
        for piece in wire.pieces:
            if piece.kind == "whole":
                more.setdefault(f"{piece.cut_mm - wire.length_mm:g} mm", []).append(wire.wire)
    if not more:
        return ""
    each = "; ".join(f"{', '.join(names)} by {length}" for length, names in more.items())
    return (
        f"A whole wire is cut longer than the old one ({each}): by what its length is uncertain and the allowance of "
        "one joint. It is trimmed when it is laid in."
    )


def all_changes(question: Question, order: Order) -> str:
    """All that the answer changes, for the decision and for the plan, where both ask in these words."""
    of_rule: dict[str, list[str]] = {}
    for one in order.asked():
        if one.ask == question.ask:
            rule, _, what = say_changes(one, order.decision.rules).partition(": ")
            of_rule.setdefault(rule, []).append(what)
    return "; ".join(f"{rule}: {'; '.join(dict.fromkeys(what))}" for rule, what in of_rule.items())


def _row(row: Sequence[str]) -> str:
    """`r1 rodent bites: along the wire 40.0 ± 1.0 mm; wires 1`; what was not measured is left out."""
    told = zip(DAMAGE_HEADS[2:], row[2:], strict=True)
    return f"{row[0]} {row[1]}: " + "; ".join(f"{head} {value}" for head, value in told if value != "–")


def _group(name: str, texts: Sequence[str]) -> list[str]:
    return [f"  {name}:", *(f"    {text}" for text in texts)] if texts else []


def _offer(order: Order, index: int) -> str:
    offer = order.work.offers[index]
    if offer.price is None:
        return f"{offer.name}: no price ({offer.says.removeprefix('open: ')})"
    return f"{offer.name}: {offer.minutes:.0f} min, {offer.price:.2f} {order.work.currency}"
