"""How labels, routes, measures and verdicts are said to people."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from models.repair.assembly import shows_none
from models.repair.verdicts import count_too_wide, too_wide
from models.repair.words import label_words, least, several
from vision.findings import Action, Count, Decision, Measure, PhotoFindings, Question, Region, Route, RuleResult

ROUTE_WORDS = {
    "return_to_service": "return to service",
    "repair_in_vehicle": "repair in vehicle",
    "remanufacture": "remanufacture",
    "refer": "refer to the maker's procedure",
    "undecided": "undecided",
}
CLOSING_WORDS = {
    "closed": "closed",
    "not_met": "NOT closed, limits are not met",
    "open": "NOT closed yet, answers missing",
}
VERDICT_WORDS = {
    "met": "met",
    "violated": "violated",
    "cannot_tell": "cannot tell",
    "not_applicable": "not applicable",
}

_WHICH_DAMAGE = "which damage it is"
_COUNTED = ("wires", "splices")
"""Units of what is counted: whole numbers, from the least to the most that it may be."""
_REF = re.compile(r"\b(photo \d+):(?=[A-Za-z])")
_PLACE = re.compile(r"(?:^|(?<=:)|\bAt |\bis |\bWire )([a-z]\d+)(?=:|\?| from the )")
"""The id of a place where a question names what it is about; before it may stand the name of its photograph, in which
`p1 left.jpg` is no place."""


def say_label(label: str | None) -> str:
    """The label in words; a label a shop added itself reads as it is named."""
    return "no label" if label is None else label_words(label)


def say_route(route: str | None) -> str:
    """The route in words."""
    return "no route" if route is None else ROUTE_WORDS[route]


def is_provisional(route: Route, worst: Route) -> bool:
    """Whether a route that is named holds only as long as no open question goes the wrong way."""
    return route != "undecided" and worst != route


def say_route_now(route: Route, worst: Route) -> str:
    """The route as it stands: open questions that may worsen it make it provisional."""
    return ROUTE_WORDS[route] + (" (provisional)" if is_provisional(route, worst) else "")


CLASS_MAY_REFER = "the circuit class, not answered yet, may refer it to the maker's procedure"
LIST_MAY_REFER = "by the circuit list a wire to be cut may be of a circuit that is referred to the maker's procedure"


def say_worst(
    route: Route, worst: Route, unreferred: Route | None = None, by: str = "", may_refer: str = CLASS_MAY_REFER
) -> str:
    """What the route may become at worst; empty where it can become no worse.

    unreferred : the worst but for a circuit class that is not known, which is said apart: it would hide that the
    damage itself may ask for more. by : the rules that could bring what is named, from `say_by`. may_refer : why the
    class is not known.
    """
    if worst == route:
        return ""
    rules = f" ({by})" if by else ""
    if unreferred is None:
        return f"at worst {ROUTE_WORDS[worst]}{rules}"
    if unreferred == "return_to_service":
        return f"nothing seen asks for work; {may_refer}"
    if unreferred == route:
        return f"no worse by the damage; {may_refer}"
    return f"at worst {ROUTE_WORDS[unreferred]}{rules}; {may_refer}"


def say_worst_of(decision: Decision, with_rules: bool = True) -> str:
    """The same of a decision."""
    open_class = decision.route_worst_unreferred is not None
    by = decision.route_worst_unreferred_by if open_class else decision.route_worst_by
    said = say_by(by, decision.rules) if with_rules else ""
    return say_worst(decision.route, decision.route_worst, decision.route_worst_unreferred, said)


def say_measure(measure: Measure | None, unit: str = "mm") -> str:
    """Value ± U95 with its unit, rounded to what the uncertainty carries; an absent measure is a dash.

    What is measured here cannot be less than nothing: where the band would reach below zero it is said from 0. Of a
    lower bound the least that it surely is comes first, then what was seen: `≥ 39 mm (183 seen)`.
    """
    if measure is None:
        return "–"
    if measure.u95 == 0:  # a count, or a value that is stated and not measured
        at_least = "≥ " if measure.low_bound else ""
        if unit == "1":  # of what is judged only a share is a plain number
            return f"{at_least}{measure.value * 100:.0f} %"
        digits = 2 if unit == "in" or not say_unit(unit) else 1
        return f"{at_least}{round(measure.value, digits):g} {_one_or_more(measure.value, unit)}".rstrip()
    if unit in _COUNTED and not measure.low_bound:
        return f"{max(measure.value - measure.u95, 0.0):.0f} to {measure.value + measure.u95:.0f} {unit}"
    digits = 0 if measure.u95 >= 10 else 1 if measure.u95 >= 0.1 else 2
    value, unit = f"{measure.value:.{digits}f}", say_unit(unit)
    if measure.low_bound and least(measure, digits) <= 0:
        return f"{value} {unit}".rstrip() + " seen, runs on"
    if measure.low_bound:
        return f"≥ {least(measure, digits):.{digits}f} {unit}".rstrip() + f" ({value} seen)"
    band = f"± {measure.u95:.{digits}f}"
    if 0 <= measure.value < measure.u95:
        band = f"(0 to {measure.value + measure.u95:.{digits}f})"
    return f"{value} {band} {unit}".rstrip()


def say_sources(measure: Measure | None, unit: str = "mm") -> str:
    """What makes a measure uncertain, the largest first, each with the U95 it would give alone; empty where unknown."""
    if measure is None:
        return ""
    return ", ".join(
        f"{one.name} ± {one.u95:.{0 if one.u95 >= 10 else 1 if one.u95 >= 0.1 else 2}f} {say_unit(unit)}".rstrip()
        for one in measure.sources
    )


def say_unit(unit: str | None) -> str:
    """The unit in print; a plain number ("1") has none."""
    return "" if unit in (None, "1") else str(unit)


def say_limit(limit: float | None, unit: str | None) -> str:
    """A rule's limit with its unit; a dash for a rule without a number."""
    if limit is not None and unit == "1":
        return f"{limit * 100:g} %"
    return "–" if limit is None else f"{limit:g} {_one_or_more(limit, unit)}".strip()


def _one_or_more(number: float, unit: str | None) -> str:
    """The unit behind a number: of one counted thing without its plural."""
    return unit.removesuffix("s") if unit in _COUNTED and number == 1 else say_unit(unit)


def say_plan(says: str) -> str:
    """What the plan says of itself, as a sentence: `open: the wires ...` is how the data begin it."""
    if says.startswith(_OPEN):
        return f"The plan is still open: {says.removeprefix(_OPEN).rstrip('.')}."
    return f"The plan: {says.rstrip('.')}."


_OPEN = "open: "


def limits_of(decision: Decision | None, rule: str | None) -> list[float]:
    """The limit that a rule held its measures against, where it did."""
    found = [] if decision is None else [one.limit for one in decision.rules if one.id == rule]
    return [limit for limit in found if limit is not None]


def say_measured(
    measure: Measure | None, decision: Decision | None, rule: str | None = None, unit: str = "mm", short: bool = False
) -> str:
    """A length with its unit, or that it is to be measured by hand where it decides nothing.

    measure : mm; rule : the one whose limit it is held against; unit : `mm` or `in`, which it is said in; short : for a
    table's narrow column
    """
    if measure is None or not too_wide(measure, limits_of(decision, rule)):
        return say_length(measure, unit)
    ends = say_ends(_in_unit(measure, unit), unit)
    if not helps_by_hand(decision):
        return ends if short else f"{NOT_WELL}: {ends}"
    return f"{ends}: {BY_HAND}" if short else f"{NOT_WELL}: {ends}; {BY_HAND}"


def helps_by_hand(decision: Decision | None) -> bool:
    """Whether what a hand measures may still change something: not where the assembly is rebuilt or referred anyway."""
    return decision is None or decision.route not in ("remanufacture", "refer")


def say_on_picture(
    measure: Measure | None, decision: Decision | None, rule: str | None = None, unit: str = "mm"
) -> str:
    """What stands in a picture beside a line: the length, or that it is to be measured by hand, without its interval.

    A number that decides nothing is none to work by, and a picture is read without the table's remark.
    """
    if measure is None or not too_wide(measure, limits_of(decision, rule)):
        return say_length(measure, unit)
    return BY_HAND if helps_by_hand(decision) else say_ends(_in_unit(measure, unit), unit)


def say_length(measure: Measure | None, unit: str = "mm") -> str:
    """A length measured in millimetres, in the reader's unit."""
    return say_measure(None if measure is None else _in_unit(measure, unit), unit)


def _in_unit(measure: Measure, unit: str) -> Measure:
    """A length in millimetres in the unit it is said in: `mm` or `in`."""
    if unit != "in":
        return measure
    return measure.model_copy(update={"value": measure.value / MM_PER_INCH, "u95": measure.u95 / MM_PER_INCH})


def say_ends(measure: Measure, unit: str = "mm") -> str:
    """An interval by its ends: `between 0 and 101 mm`."""
    digits = 0 if measure.u95 >= 10 else 1 if measure.u95 >= 0.1 else 2
    least = max(measure.value - measure.u95, 0.0)
    return f"between {least:.{digits}f} and {measure.value + measure.u95:.{digits}f} {unit}"


def say_counted(count: Count | None, decision: Decision | None, short: bool = False) -> str:
    """A number of wires, or that it is to be counted by hand where it decides nothing.

    short : for a table's narrow column
    """
    if count is None or not count_too_wide(count, limits_of(decision, "wire-count")):
        return say_count(count)
    ends = say_count_ends(count) if short else f"{NOT_WELL}: {say_count_ends(count)}"
    return f"{ends}; count by hand" if helps_by_hand(decision) else ends


def say_to_repair(count: Count | None, decision: Decision) -> str:
    """The wires to repair, earlier repairs counted; of an assembly of which more may be damaged none is no number."""
    if count is not None and count.high == 0 and decision.route != "return_to_service":
        return "none found so far"
    return say_counted(count, decision)


def say_count_ends(count: Count) -> str:
    """`between 0 and 42`."""
    return f"between {count.low} and {count.high}"


MM_PER_INCH = 25.4
BY_HAND = "measure by hand"
AT_BENCH = "at the bench"
"""Behind a measure that no photograph gave, but somebody with a ruler."""
NOT_WELL = "not measured well enough"
"""How an interval begins that decides nothing (`models.repair.verdicts.too_wide`)."""


def say_count(count: Count | None) -> str:
    """The count, and its interval where it is open."""
    if count is None:
        return "–"
    return str(count.value) if count.low == count.high else f"{count.value} ({count.low} to {count.high})"


def say_step(step: Action) -> tuple[str, str]:
    """A step's name, and where and why; the place is said once."""
    if step.on == "assembly" or step.on in step.why:
        return step.action.replace("_", " "), step.why
    stop = "." if step.why[:1].isupper() else ";"  # a whole sentence does not follow a semicolon
    return step.action.replace("_", " "), f"{step.on}{stop} {step.why}"


def say_rule(rule: RuleResult) -> str:
    """The rule's name in words; its id in what was written before results had one."""
    return rule.title or rule.id


def say_rule_id(rule: RuleResult) -> str:
    """The id to stand beside the rule's name, for whoever looks for its settings; nothing where it says the same."""
    return "" if say_rule(rule).lower().replace(" ", "-") == rule.id else rule.id


def say_rule_and_id(rule: RuleResult) -> str:
    """Both on one line of a screen."""
    return f"{say_rule(rule)} ({say_rule_id(rule)})" if say_rule_id(rule) else say_rule(rule)


def say_by(by: Sequence[str], rules: Sequence[RuleResult], undecided: bool = False) -> str:
    """Which rules a route comes from, or what an undecided one waits for, to stand behind the route.

    by : ids; rules : what each rule said, with its name
    """
    if not by:
        return ""
    names = _within(rules)
    named = "; ".join(names.get(rule, rule) for rule in by)
    return f"waits for {named}" if undecided else f"by {named}"


def say_changes(question: Question, rules: Sequence[RuleResult]) -> str:
    """What the answer changes, with the rule's name in the place of its id."""
    rule, colon, what = question.changes.partition(":")
    return f"{_within(rules).get(rule, rule)}{colon}{what}"


def say_asked(decided: int, of_plan: int, noun: str = "") -> str:
    """How many questions are open, counted the same way wherever it is said: `6 questions and 1 of the plan`.

    decided : those the route and the steps wait for, which every page shows; of_plan : what only an order's plan asks
    besides; noun : of one of them, empty beside a heading that says it
    """
    if not decided and of_plan:
        return f"{several(of_plan, noun) if noun else of_plan} of the plan"
    first = several(decided, noun) if noun else str(decided)
    return f"{first} and {of_plan} of the plan" if of_plan else first


def asked_together(questions: Sequence[Question]) -> list[Question]:
    """The questions with those in the same words about several places of one photograph as one: `t1, t2, t3: ...?`.

    For lists that are read; where each is answered they stay apart.
    """
    groups: dict[tuple[str, ...], list[tuple[str, Question]]] = {}
    for question in questions:
        place = _PLACE.search(question.ask)
        first, last = place.span(1) if place else (len(question.ask), len(question.ask))
        before, on, after = question.ask[:first], question.ask[first:last], question.ask[last:]
        groups.setdefault((before, on[:1], after, question.why, question.changes), []).append((on, question))
    return [
        group[0][1].model_copy(update={"ask": f"{before}{', '.join(dict.fromkeys(on for on, _ in group))}{after}"})
        for (before, _, after, *_), group in groups.items()
    ]


def asked_no_more(before: Sequence[Question], now: Sequence[Question]) -> list[Question]:
    """The questions of `before` that are open no more. An earlier version may have asked in other words: where a
    question of the same rule about the same place is open in words that were not used before, it may be that one."""
    known, words = {question.ask for question in before}, {question.ask for question in now}
    anew = {_about(question) for question in now if question.ask not in known}
    return [question for question in before if question.ask not in words and _about(question) not in anew]


def _about(question: Question) -> tuple[str, str]:
    """The rule that a question is of, and the place that it names with its photograph; empty where it names none."""
    place = _PLACE.search(question.ask)
    photo = _REF.search(question.ask)
    return question.changes.partition(":")[0], f"{photo[1] if photo else ''}:{place[1] if place else ''}"


def _within(rules: Sequence[RuleResult]) -> dict[str, str]:
    """Rules' names within a sentence, by id: in quotation marks, or `waits for copper damaged` reads as no name."""
    return {rule.id: f"“{say_rule(rule)}”" for rule in rules} | {"label": _WHICH_DAMAGE}


def cautions_of_all(decisions: Sequence[Decision]) -> list[str]:
    """The cautions that hold for every assembly to be worked on; where none is, those that hold for all."""
    at_work = [one for one in decisions if len(one.cautions) > 1] or decisions
    return [text for text in at_work[0].cautions if all(text in one.cautions for one in at_work)] if at_work else []


def say_places(text: str) -> str:
    """A sentence of the rules or the plan with its places as pages write them: `photo 2 · r1` for `photo 2:r1`."""
    return _REF.sub(r"\1 · ", text)


def say_any_of(labels: Sequence[str]) -> str:
    """Labels that cannot be told apart: `a, b or c`."""
    *first, last = map(say_label, labels)
    return f"{', '.join(first)} or {last}" if first else last


def say_mark(mark: Mapping[str, Any]) -> str:
    """A label as lists show it; with what it may be instead where it is unsure."""
    if mark["novel"]:
        return "damage of a kind not known"
    others = [name for name in mark["candidates"] if name != mark["label"]]
    if not mark["unsure"]:
        return say_label(mark["label"])
    return "unsure: " + say_any_of(([mark["label"]] if mark["label"] else []) + others)


def say_region(region: Region) -> str:
    """The region's label, or that it is of no known kind; where it is unsure, the labels it cannot tell apart."""
    if region.novel:
        return "damage of a kind not known"
    if region.unsure and region.candidates:
        return "unsure: " + say_any_of(region.candidates)
    return say_label(region.label)


_LEVEL = 0.15
"""A damage within so much of `sound` is said beside it."""


def _nothing_found(probabilities: dict[str, float]) -> str:
    """Of a photograph in which no place was found, which may be sound: a damage nearly as likely is named, too."""
    sound = probabilities.get("sound", 0.0)
    damages = {name: p for name, p in probabilities.items() if name != "sound"}
    likeliest = max(damages, key=lambda name: damages[name], default="sound")
    if damages.get(likeliest, 0.0) < sound - _LEVEL:
        return f"no damage found, unsure (sound {sound:.0%})"
    both = sorted({"sound": sound, likeliest: damages.get(likeliest, 0.0)}.items(), key=lambda one: -one[1])
    return f"no place found, unsure ({', '.join(f'{say_label(name)} {p:.0%}' for name, p in both)})"


def waits_for_assembly(findings: PhotoFindings, decision: Decision | None) -> bool:
    """Whether nothing is to be said of a route before the photograph shows an assembly; what was stated, such as a
    class that is referred, may settle one without."""
    return shows_none(findings) and (decision is None or decision.route == "undecided")


def say_answer(findings: PhotoFindings) -> str:
    """The photograph's answer in a few words."""
    if shows_none(findings):
        return "no assembly seen, take it again"
    if findings.label is not None and not findings.unsure:
        p = findings.probabilities.get(findings.label)
        return say_label(findings.label) + (f" {p:.0%}" if p is not None else "")
    if findings.unsure and not findings.regions and findings.label == "sound":
        return _nothing_found(findings.probabilities)
    if findings.unsure and findings.candidates:
        return "unsure: " + say_any_of(findings.candidates)
    if findings.novel:
        return "damage of a kind not known"
    return "unusable, take it again" if not findings.usable else "no answer"
