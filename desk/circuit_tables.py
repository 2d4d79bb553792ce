"""Prints what the calculators answer as tables that a person at the bench can read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from desk.terminal import tables
from models.repair.words import several

_FILE_WIDTH = 120
_VERDICTS = {
    "yes": "[green]yes[/]", "no": "[red]no[/]", "cannot_tell": "[yellow]cannot tell[/]", None: "–",
    "met": "[green]kept[/]", "violated": "[red]over budget[/]",
}  # fmt: skip


def say_time(seconds: float | None, never: str = "never") -> str:
    """`0.15 s`, `37 s`, `12 min`, `6 h`; None: never."""
    if seconds is None:
        return never
    if seconds == 0:
        return "at once"
    if seconds < 0.001:
        return "less than 1 ms"
    if seconds < 120:
        return f"{seconds:.2g} s" if seconds < 10 else f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def say_span(span: Mapping[str, float | None]) -> str:
    """`13 to 37 s`-like words for an earliest and a latest time."""
    early, late = say_time(span["earliest"]), say_time(span["latest"], "never")
    return early if early == late else f"{early} to {late}"


def say_opening(span: Mapping[str, float | None]) -> str:
    """When a fuse opens: between two times, or not before one where no latest time is known."""
    if span["latest"] is None:
        return f"holds at least {say_time(span['earliest'])}, no latest time"
    return say_span(span)


def print_answer(answer: Mapping[str, Any]) -> None:
    """The answer of any calculator, its assumptions, sources and cautions last."""
    console = tables(_FILE_WIDTH)
    _PRINTERS[answer["kind"]](console, answer)
    for title, style, lines in (
        ("assumed", "dim", answer.get("assumptions", [])),
        ("source", "dim", answer.get("sources", [])),
        ("caution", "magenta", answer["cautions"]),
    ):
        for line in lines:
            console.print(f"[{style}]{title}[/] {escape(line)}", highlight=False)


def _say(console: Console, text: str) -> None:
    console.print(text, highlight=False)


def _table(console: Console, title: str, *headings: str) -> Table:
    """An empty table under its title, which is a line of its own so that a narrow table does not wrap it."""
    console.print(f"\n[bold]{escape(title)}[/]", highlight=False)
    table = Table()
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def _wire(console: Console, answer: Mapping[str, Any]) -> None:
    size, place = answer["size"], answer["place"]
    ohm = size["mohm_per_m_20c"]
    between = " (between its neighbours in the tables)" if size["od_interpolated"] else ""
    _say(
        console,
        f"[bold]{escape(size['says'])}[/], nearest gauge AWG {size['nearest_awg']}, "
        f"{ohm['low']:.3g} to {ohm['high']:.3g} mΩ/m at 20 °C, outside diameter {size['od_mm']:g} mm{between}; "
        f"bare in free air its copper melts at about {size['bare_copper_melts_at_a']:.0f} A (Preece)",
    )
    where = "alone" if place["bundle"] == 1 else f"among {place['bundle']} loaded wires"
    table = _table(
        console,
        f"what it bears for good, {where} in {place['ambient_c']:g} °C",
        "class",
        "limit",
        "current",
        "from",
        "to",
    )
    for row in answer["steady"]:
        mine = "[bold]" if row["class"] == place["insulation"] else ""
        cells = (
            row["class"],
            f"{row['limit_c']:g} °C",
            *(f"{row[key]:.1f} A" for key in ("current_a", "low_a", "high_a")),
        )
        table.add_row(*(mine + cell for cell in cells))
    console.print(table)
    if answer["load"] is not None:
        _print_load(console, answer["load"], place["insulation"])
    for key, title in (("fuse", "fuse found"), ("belongs", "fuse that belongs")):
        if answer[key] is not None:
            _print_fuse_over(console, answer[key], title)
    if answer["shop_table"] is not None:
        which = "the fuse found" if answer["belongs"] is None else "the fuse that belongs"
        _say(console, f"[yellow]{escape(answer['shop_table'])}[/]: {which} is larger, read the maker's diagram")
    if answer["explains"] is not None:
        explained = answer["explains"]
        _say(console, f"[bold]load that explains the damage:[/] {escape(explained['says'])}")
        _say(console, f"[dim]assumed[/] {escape('; '.join(explained['assumptions']))}")


def _print_load(console: Console, load: Mapping[str, Any], insulation: str) -> None:
    settles = load["settles_at_c"]
    settled = f"settles at {settles:.0f} °C" if settles is not None else "never settles: something melts"
    table = _table(console, f"under {load['current_a']:g} A the copper {settled}", "what happens", "after")
    table.add_row(f"limit of class {insulation} reached", say_time(load["class_limit_after_s"]))
    quick = load["without_losses"]["overload_limit_after_s"]
    check = f" (adiabatic equation: {say_time(quick)})" if quick is not None else ""
    table.add_row("50 K above it", say_time(load["overload_limit_after_s"]) + check)
    table.add_row("insulation damaged", say_span(load["damaged_after_s"]))
    if load["copper_melts_after_s"] is not None:
        least = say_time(load["without_losses"]["copper_melts_after_s"])
        words = f"about {say_time(load['copper_melts_after_s'])} (Onderdonk, pure copper and no heat lost: {least})"
        table.add_row("copper melts", words)
    else:
        table.add_row("copper melts", "never")
    console.print(table)


def _print_fuse_over(console: Console, fuse: Mapping[str, Any], title: str) -> None:
    table = _table(console, f"{title}: {fuse['fuse']}", "load", "fuse opens", "insulation damaged", "fuse opens first")
    for row in fuse["gates"]:
        load = f"{row['current_a']:.4g} A ({row['share']:.0%})"
        table.add_row(load, say_opening(row["fuse_opens_s"]), say_span(row["damaged_s"]), _VERDICTS[row["opens_first"]])
    console.print(table)
    _say(console, f"protects the wire: {_VERDICTS[fuse['protects']]}; {escape(fuse['says'])}")
    held, hours = fuse["held"], say_time(fuse["gates"][0]["fuse_opens_s"]["earliest"])
    settles = f"settles at {held['settles_at_c']:.0f} °C" if held["settles_at_c"] is not None else "never settles"
    damage = say_span(held["damaged_after_s"])
    hurt = "its insulation is never damaged" if damage == "never" else f"its insulation is damaged after {damage}"
    _say(console, f"under {held['current_a']:.4g} A, which it holds for {hours}, the copper {settles}; {hurt}")


def _fuse(console: Console, answer: Mapping[str, Any]) -> None:
    colours = ", ".join(f"{colour} ({body} body)" for body, colour in answer["colours"].items())
    _say(console, f"[bold]{answer['rating_a']:g} A blade fuse[/]: {escape(colours)}")
    lead = answer["test_lead"]
    if lead["rating_a"] is None:
        _say(console, "test lead: no blade fuse is small enough; limit the current another way")
    else:
        _say(console, f"test lead for tracing a fault in its circuit: [bold]{escape(lead['fuse'])}[/]")
    _say(console, f"  {escape(lead['rule'])} ({escape(lead['source'][0].lower() + lead['source'][1:])})")
    table = _table(console, "when it opens", "load", "opens")
    for gate in answer["gates"]:
        table.add_row(f"{gate['current_a']:.4g} A", say_opening(_span(gate)))
    console.print(table)
    if answer["at_load"] is not None:
        _say(console, f"at {answer['at_load']['current_a']:g} A: {say_opening(_span(answer['at_load']))}")


def _span(times: Mapping[str, float | None]) -> dict[str, float | None]:
    return {"earliest": times["earliest_s"], "latest": times["latest_s"]}


def _drop(console: Console, answer: Mapping[str, Any]) -> None:
    title = f"{answer['current_a']:g} A through {answer['size']}, copper at {answer['conductor_c']:g} °C"
    table = _table(console, title, "", "drop", f"budget {answer['budget_v']:g} V")
    for when, words in (("before", "before the repair"), ("after", "after the repair")):
        table.add_row(words, _volts(answer[f"{when}_v"]), _VERDICTS[answer[when]])
    console.print(table)
    contacts = answer["contacts"]
    _say(
        console,
        f"contacts taken: terminal {contacts['terminal_mohm']:g} ± {contacts['terminal_u95_mohm']:g} mΩ, "
        f"splice {contacts['splice_mohm']:g} ± {contacts['splice_u95_mohm']:g} mΩ; put in your own with --rules",
    )
    equal = answer["equal_loads"]
    if equal is None:
        return
    _say(console, f"equal loads: this one has {equal['this_v']:.2f} V, the other {equal['other_v']:.2f} V")
    less = equal["this_has_less_by_v"]
    more = "more" if less["value"] < 0 else "less"
    _say(console, f"  this one has {more} by {_volts({**less, 'value': abs(less['value'])})}")
    slower_s = equal["this_charges_slower_by_s"]
    if slower_s is not None:
        when = "sooner" if slower_s < 0 else "later"
        _say(console, f"  and charges to 90 % {when} by {_duration(abs(slower_s))}")


def _duration(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 1.0 else f"{1000 * seconds:.3g} ms"


def _volts(measure: Mapping[str, Any]) -> str:
    return f"{measure['value']:.3f} ± {measure['u95']:.3f} V"


def _circuits(console: Console, answer: Mapping[str, Any]) -> None:
    table = _table(
        console, f"{answer['name']}: {several(len(answer['circuits']), 'circuit')}, no mistakes",
        "circuit", "colour", "size", "from", "to", "length", "fuse", "class", "fuse protects",
    )  # fmt: skip
    for row in answer["circuits"]:
        table.add_row(
            escape(row["circuit"]), row["colour"], row["size"], _end(row["from"]), _end(row["to"]),
            f"{row['length_mm']:g} mm", f"{row['fuse_a']:g} A" if row["fuse_a"] is not None else "–",
            row["class"] or "–", _VERDICTS[row["fuse_protects"]],
        )  # fmt: skip
    console.print(table)
    for row in answer["circuits"]:
        if row["fuse_protects"] != "yes" or row["above_shop_table"]:
            _say(console, f"{escape(row['circuit'])}: {escape(row['says'])}")


def _end(end: list[str | None]) -> str:
    return escape(f"{end[0]} {end[1]}" if end[1] is not None else str(end[0]))


_PRINTERS = {"wire": _wire, "fuse": _fuse, "drop": _drop, "circuits": _circuits}
