"""What the terminal shows: a progress bar on standard error, tables on standard output."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from types import MappingProxyType
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table

from desk.batch import Run
from desk.plain_signs import plain_sign, spoilt
from desk.terminal import tables
from desk.wording import (
    asked_together,
    cautions_of_all,
    say_answer,
    say_by,
    say_label,
    say_measured,
    say_route_now,
    say_rule_and_id,
    say_to_repair,
    say_worst_of,
    waits_for_assembly,
)
from models.repair.assembly import shows_none
from vision.findings import Decision, PhotoFindings, Region

if TYPE_CHECKING:
    from desk.demo_truth import Told
    from desk.evaluate import Evaluation
    from desk.evaluate_sets import LabelSets
    from desk.feature_shift import Shift

_NAMES_SHOWN = 3

_ROUTE_STYLE = {
    "return_to_service": "green",
    "repair_in_vehicle": "yellow",
    "remanufacture": "red",
    "refer": "magenta",
    "undecided": "cyan",
}


@contextmanager
def progress(title: str, total: int | None = None) -> Iterator[Callable[..., None]]:
    """A bar on standard error; calling the yielded function moves it on by one, `step(total=n)` sets its length."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(title, total=total)

        def step(*_: object, total: int | None = None) -> None:
            if total is not None:
                bar.update(task, total=total)
            else:
                bar.advance(task)

        yield step


def print_run(run: Run, told: Mapping[str, Told] = MappingProxyType({})) -> None:
    """One table over all photographs, then per assembly the questions and actions.

    told : of photographs with truth, by path, what was really there; said first
    """
    console = tables()
    read = [entry.findings for entry in run.entries if entry.findings is not None]
    if not read:
        return
    if told:
        _print_truth(console, run, told)
    console.print(_overview(read, run.assembly.decision if run.assembly is not None else None))
    for entry in run.entries:
        if entry.findings is not None:
            _print_details(console, entry.findings, told.get(str(entry.path)))
    if all(waits_for_assembly(one, run.assembly.decision if run.assembly else one.decision) for one in read):
        return
    if run.assembly is not None:
        console.print(f"\n[bold]Assembly {escape(run.assembly.assembly)}[/bold]")
        _print_decision(console, run.assembly.decision)
    if run.assembly is not None:  # one decision on all its photographs: what holds for one of them it says, too
        _print_cautions(console, [(run.assembly.assembly, run.assembly.decision)])
    else:
        told_of = [findings for findings in read if not waits_for_assembly(findings, findings.decision)]
        _print_cautions(console, [(f.photo.name, f.decision) for f in told_of if f.decision is not None])


def _print_truth(console: Console, run: Run, told: Mapping[str, Told]) -> None:
    """What was really there and whether the answer is right, photograph by photograph."""
    from desk.demo_truth import WORDS, summary

    table = Table(title="What was really there", title_justify="left")
    for heading in ("photograph", "really there", "answer", "which is"):
        table.add_column(heading, overflow="fold")
    for entry in run.entries:
        one = told.get(str(entry.path))
        if one is not None and entry.findings is not None:
            verdict = f"[{_VERDICT_STYLE[one.verdict]}]{one.verdict}[/]"
            table.add_row(escape(entry.findings.photo.name), one.there, escape(say_answer(entry.findings)), verdict)
    console.print(table)
    console.print(summary(told), highlight=False)
    for line in WORDS.values():
        console.print(f"  {line}", highlight=False)
    console.print()


_VERDICT_STYLE = {"right": "green", "unsure": "cyan", "missed": "yellow", "false": "red"}


def _overview(photos: list[PhotoFindings], of_all: Decision | None) -> Table:
    """Photograph by photograph. of_all : the decision on all of them together, whose limits hold where one has none."""
    table = Table(title=None, show_lines=False)
    for heading in ("photograph", "answer", "damage", "length", "to termination", "route"):
        table.add_column(heading, overflow="fold")
    for findings in photos:
        decision = findings.decision or of_all
        rows: list[Region | None] = [*findings.regions] or [None]
        for i, region in enumerate(rows):
            first = i == 0
            table.add_row(
                escape(findings.photo.name) if first else "",
                escape(say_answer(findings)) if first else "",
                f"{escape(region.id)} {escape(say_label(region.label))}" if region else "none found",
                say_measured(region.length_mm, decision, short=True) if region else "–",
                say_measured(region.to_termination_mm, decision, "termination-distance", short=True) if region else "–",
                _route_of(findings) if first else "",
            )
    return table


def _route_of(findings: PhotoFindings) -> str:
    return "–" if waits_for_assembly(findings, findings.decision) else _route(findings.decision)


def _route(decision: Decision | None) -> str:
    if decision is None:
        return "see assembly"
    worst = say_worst_of(decision, with_rules=False)
    return _now(decision) + (f", {escape(worst)}" if worst else "")


def _now(decision: Decision) -> str:
    return f"[{_ROUTE_STYLE[decision.route]}]{say_route_now(decision.route, decision.route_worst)}[/]"


def _route_with_rules(decision: Decision) -> str:
    by = say_by(decision.route_by, decision.rules, decision.route == "undecided")
    worst = say_worst_of(decision)
    return _now(decision) + (escape(f" ({by})") if by else "") + (f", {escape(worst)}" if worst else "")


def _print_details(console: Console, findings: PhotoFindings, told: Told | None = None) -> None:
    says = [
        f"{region.id}: {plain_sign(evidence.says)}"
        for region in findings.regions
        for evidence in region.evidence
        if evidence.says
    ]
    if not (says or findings.retake or findings.decision):
        return
    console.print(f"\n[bold]{escape(findings.photo.name)}[/bold]")
    if told is not None:
        console.print(f"  [{_VERDICT_STYLE[told.verdict]}]{told.verdict}[/], by what was really there: {told.there}")
        for text in told.lines:
            console.print(f"    {escape(text)}", highlight=False)
    if shows_none(findings):
        _print_none_seen(console, findings)
    else:
        for text in says:
            console.print(f"  {escape(text)}", highlight=False)
        for retake in findings.retake:
            console.print(f"  [yellow]photograph again[/] for {escape(spoilt(retake))}: {escape(retake.advice)}")
    if findings.decision is not None and not waits_for_assembly(findings, findings.decision):
        _print_decision(console, findings.decision)


def _print_none_seen(console: Console, findings: PhotoFindings) -> None:
    """The one thing to do."""
    (advice,) = [retake.advice for retake in findings.retake if retake.measure == "all"]
    console.print(f"  [yellow]no assembly is seen[/]: {escape(advice)}", highlight=False)


def _print_decision(console: Console, decision: Decision) -> None:
    console.print(f"  route: {_route_with_rules(decision)}", highlight=False)
    console.print(f"  wires to repair: {say_to_repair(decision.wires_to_repair, decision)}", highlight=False)
    for rule in decision.rules:
        if rule.verdict == "violated":
            console.print(f"  [red]violated[/] {escape(f'{say_rule_and_id(rule)}: {rule.says}')}", highlight=False)
    for question in asked_together(decision.open_questions):
        console.print(f"  [cyan]ask[/] {escape(question.ask)}", highlight=False)
    for action in decision.actions:
        where = "" if action.on == "assembly" else f" on {action.on}"
        console.print(f"  [bold]do[/] {escape(action.action.replace('_', ' ') + where)}", highlight=False)


def _print_cautions(console: Console, decisions: Sequence[tuple[str, Decision]]) -> None:
    """Every caution once; one that does not hold for all that are to be worked on names what it holds for.

    Two photographs may have one name: they are told apart by where they stand.
    """
    of_all = cautions_of_all([decision for _, decision in decisions])
    holds: dict[str, list[int]] = {}
    for k, (_, decision) in enumerate(decisions):
        for caution in decision.cautions:
            holds.setdefault(caution, []).append(k)
    if holds:
        console.print("\n[bold]Before anything is touched[/bold]")
    for caution, those in holds.items():
        names = [decisions[k][0] for k in those]
        where = ", ".join(names) if len(names) <= _NAMES_SHOWN else f"{len(names)} photographs"
        on = "" if caution in of_all else f" ({where})"
        console.print(f"  [magenta]caution[/] {escape(caution + on)}", highlight=False)


def print_evaluation(evaluation: Evaluation) -> None:
    """The figures with their intervals and targets, and the routes too mild or too grave by name."""
    console = tables()
    table = Table()
    for heading in ("figure", "value", "95 % interval", "n", "target", ""):
        table.add_column(heading, overflow="fold")
    for figure in evaluation.rows:
        mark = {True: "[green]reached[/]", False: "[red]missed[/]", None: ""}[figure.reached]
        table.add_row(
            escape(figure.name), figure.say_value(), figure.say_interval(), str(figure.estimate.n), figure.target, mark
        )
    console.print(table)
    if evaluation.label_sets:
        console.print(_label_sets_table(evaluation.label_sets))
    for name in evaluation.unsafe_names:
        console.print(f"[red]unsafe route[/] {escape(name)}", highlight=False)
    for name in evaluation.too_grave_names:
        console.print(f"[yellow]route too grave[/] {escape(name)}", highlight=False)


def _label_sets_table(label_sets: Sequence[LabelSets]) -> Table:
    table = Table(title="labels left for found regions")
    for heading in ("true label", "sets that hold it", "95 % interval", "n", "labels left, mean"):
        table.add_column(heading, overflow="fold")
    for sets in label_sets:
        held = sets.held
        table.add_row(
            say_label(sets.label), f"{held.value:.0%}", f"{held.low:.0%} to {held.high:.0%}", str(held.n),
            f"{sets.mean_size:.1f}",
        )  # fmt: skip
    return table


def print_shifts(shifts: Sequence[Shift], most: int = 20) -> None:
    """The features that lie farthest apart, farthest first."""
    console = tables()
    table = Table(title=f"features that look otherwise: the {min(most, len(shifts))} farthest of {len(shifts)}")
    for heading in ("of", "feature", "distance (KS, 0 to 1)", "moved, in spreads", "farthest at"):
        table.add_column(heading, overflow="fold")
    for shift in shifts[:most]:
        table.add_row(
            shift.of, shift.feature, f"{shift.ks:.2f}", f"{shift.moved:.2f}",
            f"{say_label(shift.worst_label)} ({shift.worst_ks:.2f})",
        )  # fmt: skip
    console.print(table)


@contextmanager
def training_progress() -> Iterator[Callable[[str, int, int], None]]:
    """Bars on standard error, one per step of a training; calling the yielded function says how far a step is."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        tasks: dict[str, TaskID] = {}

        def report(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bar.add_task(step, total=total)
                if not console.is_terminal:
                    console.print(f"{step} ...")
            bar.update(tasks[step], completed=done)

        yield report
