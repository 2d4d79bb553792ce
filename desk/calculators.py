"""Commands that answer one electrical question without a photograph: wire, fuse, drop, circuits."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from desk.errors import DeskError, one_line

if TYPE_CHECKING:
    from desk.circuit_answers import Place
    from models.repair import Rules

_FILE = click.Path(path_type=Path)
_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output; null times: never.")
_RULES = click.option("--rules", type=_FILE, metavar="FILE", help="Your limits (TOML) over the default ones.")


@click.command()
@click.option("--size", required=True, metavar="SIZE", help="mm² or gauge: 0.5, AWG20.")
@click.option(
    "--fuse", "fuse_a", type=float, metavar="A", help="Fuse that was found: does it open before the wire is hurt?"
)
@click.option("--belongs", "belongs_a", type=float, metavar="A", help="Fuse that belongs there, to compare.")
@click.option("--load", "load_a", type=float, metavar="A", help="Load current: how hot, and after how long.")
@click.option("--insulation", default="B", show_default=True, metavar="A..H", help="Insulation class (ISO 6722).")
@click.option(
    "--ambient", "ambient_c", type=float, default=40.0, show_default=True, metavar="C", help="Air round the wire."
)
@click.option("--bundle", type=int, default=1, show_default=True, metavar="N", help="Loaded wires lying together.")
@click.option("--wall", type=click.Choice(("thin", "thick")), help="Insulation wall; default: as the tables have it.")
@click.option("--od", "od_mm", type=float, metavar="MM", help="Outside diameter, if measured.")
@click.option("--damaged", "damaged_mm", type=float, metavar="MM", help="Length of damage: which load explains it?")
@click.option("--to-terminal", "to_terminal_mm", type=float, metavar="MM", help="From that damage to the terminal.")
@click.option("--plot", type=_FILE, metavar="FILE.svg", help="Draw the fuse over the wire's damage curve.")
@_RULES
@_JSON
def wire(
    size: str,
    fuse_a: float | None,
    belongs_a: float | None,
    load_a: float | None,
    damaged_mm: float | None,
    to_terminal_mm: float | None,
    plot: Path | None,
    rules: Path | None,
    as_json: bool,
    **place: Any,
) -> int:
    """What a wire bears, what a load does to it, and whether its fuse opens first."""
    from desk.circuit_answers import Place, wire_answer
    from desk.files import check_writable

    if plot is not None:
        check_writable(plot, "--plot")
        if fuse_a is None:
            raise DeskError("--plot: expected a fuse to lay over the wire, got none: add --fuse")
    limits = _limits(rules).fuse_coordination
    with _one_line():
        answer = wire_answer(size, Place(**place), fuse_a, belongs_a, load_a, damaged_mm, to_terminal_mm, limits)
        if plot is not None and fuse_a is not None:
            _write_plot(plot, size, Place(**place), fuse_a, belongs_a, load_a)
    return _show(answer, as_json)


def _write_plot(
    plot: Path, size: str, place: Place, fuse_a: float, belongs_a: float | None, load_a: float | None
) -> None:
    from desk.circuit_answers import coordinations
    from desk.files import write_whole
    from desk.fuse_plot import fuse_plot_svg
    from models.circuit.wire_table import parse_size

    found, belongs = coordinations(size, place, fuse_a, belongs_a)
    bundle = "" if place.bundle == 1 else f", {place.bundle} loaded wires together"
    title = (
        f"{fuse_a:g} A fuse over {parse_size(size).says()}, class {place.insulation.upper()}, "
        f"{place.ambient_c:g} °C{bundle}"
    )
    write_whole(plot, fuse_plot_svg(found, title, belongs, load_a))
    click.echo(f"Plot: {plot}", err=True)


@click.command()
@click.option("--rating", "rating_a", type=float, required=True, metavar="A", help="Fuse of the circuit.")
@click.option("--load", "load_a", type=float, metavar="A", help="When does it open at this current?")
@_JSON
def fuse(rating_a: float, load_a: float | None, as_json: bool) -> int:
    """A blade fuse's colours and times, and the fuse for a test lead when tracing a fault in its circuit."""
    from desk.circuit_answers import fuse_answer

    with _one_line():
        answer = fuse_answer(rating_a, load_a)
    return _show(answer, as_json)


@click.command()
@click.option("--size", required=True, metavar="SIZE", help="mm² or gauge: 0.5, AWG20.")
@click.option("--length", "length_mm", type=float, required=True, metavar="MM", help="Length of the circuit.")
@click.option("--current", "current_a", type=float, required=True, metavar="A", help="Load current.")
@click.option("--splices", type=int, default=2, show_default=True, metavar="N", help="Splices the repair puts in.")
@click.option("--terminals", type=int, default=2, show_default=True, metavar="N", help="Terminals in the circuit.")
@click.option("--new-size", metavar="SIZE", help="Size of the new piece; default: the same.")
@click.option("--new-length", "new_length_mm", type=float, metavar="MM", help="Length of the new piece.")
@click.option("--budget", "budget_v", type=float, metavar="V", help="Largest drop; default: the rules' max_v.")
@click.option(
    "--other-length", "other_length_mm", type=float, metavar="MM", help="Feed of a like load to compare with."
)
@click.option("--other-splices", type=int, default=0, show_default=True, metavar="N", help="Splices in that feed.")
@click.option("--supply", "supply_v", type=float, default=13.5, show_default=True, metavar="V", help="Supply voltage.")
@click.option("--capacitance", "capacitance_f", type=float, metavar="F", help="Farads of each load: charge-up time.")
@_RULES
@_JSON
def drop(rules: Path | None, as_json: bool, **asked: Any) -> int:
    """Voltage drop of a circuit before and after a repair, and like loads compared."""
    limits = _limits(rules)
    from desk.circuit_answers import DropQuestion, drop_answer

    with _one_line():
        answer = drop_answer(DropQuestion(**asked), limits.drop_budget)
    return _show(answer, as_json)


@click.group()
def circuits() -> None:
    """Circuit lists that come with an assembly."""


@circuits.command()
@click.argument("file", type=_FILE, metavar="LIST.csv")
@_RULES
@_JSON
def check(file: Path, rules: Path | None, as_json: bool) -> int:
    """Check a circuit list: all its mistakes at once with their lines, then its fuses against its wires."""
    limits = _limits(rules)
    from desk.circuit_answers import circuits_answer
    from models.circuit.circuit_list import CircuitListError, read_circuit_list

    try:
        found = read_circuit_list(file)
    except CircuitListError as error:
        for mistake in error.mistakes:
            click.echo(f"loomtriage: {mistake}", err=True)
        return 2
    return _show(circuits_answer(file.name, found, limits.fuse_coordination), as_json)


COMMANDS: tuple[click.Command, ...] = (wire, fuse, drop, circuits)
"""What the command line registers."""


def _limits(path: Path | None) -> Rules:
    from models.repair import RulesError, load_rules

    try:
        return load_rules(path)
    except RulesError as error:
        raise DeskError(one_line(error)) from error


@contextmanager
def _one_line() -> Iterator[None]:
    """Every mistake about wires and fuses as the desk's one line."""
    from models.circuit.errors import CircuitError

    try:
        yield
    except CircuitError as error:
        raise DeskError(one_line(error)) from error


def _show(answer: dict[str, Any], as_json: bool) -> int:
    if as_json:
        click.echo(json.dumps(answer, ensure_ascii=False, allow_nan=False))
    else:
        from desk.circuit_tables import print_answer

        print_answer(answer)
    return 0
