"""An assembly's circuit list as CSV: read, and checked with every mistake named by its line."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeVar, get_args

from models.circuit.colours import ColourError, colour_code
from models.circuit.errors import CircuitError
from models.circuit.fuse_table import fuse
from models.circuit.wire_table import WireSize, parse_size

T = TypeVar("T")
COLUMNS = (
    "circuit", "colour", "size_mm2", "from", "from_cavity", "to", "to_cavity", "length_mm", "fuse_A", "duty", "class",
)  # fmt: skip
"""The columns of a circuit list; all must be there, in any order, and `from_cavity` to `class` may be empty."""
DUTIES = ("continuous", "intermittent")
ReferableClass = Literal["restraint", "high_voltage", "brake_by_wire", "steering_by_wire", "shielded", "data_pair"]
"""Classes that a shop may refer to the maker's procedure."""
CircuitClass = Literal["none", ReferableClass]
CLASSES: tuple[CircuitClass, ...] = get_args(CircuitClass)
REFERABLE_CLASSES: tuple[ReferableClass, ...] = get_args(ReferableClass)
_NEEDED = ("circuit", "colour", "size_mm2", "from", "to", "length_mm")
_MOST_BYTES = 5_000_000
_LONGEST_MM = 100_000.0


class CircuitListError(CircuitError):
    """A circuit list that cannot be used; `mistakes` holds all of its mistakes, one line each in the message."""

    def __init__(self, mistakes: list[str]) -> None:
        self.mistakes = mistakes
        super().__init__("\n".join(mistakes))


@dataclass(frozen=True)
class Circuit:
    """One wire of the list. Cavities are None for splices, ring terminals and the like; what is not stated is None."""

    circuit: str
    colour: str
    size: WireSize
    from_: str
    from_cavity: str | None
    to: str
    to_cavity: str | None
    length_mm: float
    fuse_a: float | None
    duty: str | None
    circuit_class: str | None
    line: int

    def ends(self) -> tuple[tuple[str, str | None], tuple[str, str | None]]:
        """Both ends as (connector, cavity)."""
        return (self.from_, self.from_cavity), (self.to, self.to_cavity)


def read_circuit_list(path: Path) -> tuple[Circuit, ...]:
    """The circuits of a CSV file (UTF-8, comma or semicolon); CircuitListError with all its mistakes."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise CircuitListError(
                [f"{path.name}: expected a circuit list below 5 MB, got {path.stat().st_size} bytes"]
            )
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or "no access"
        raise CircuitListError([f"{path.name}: expected a readable CSV file, got {reason}: check the name"]) from error
    return parse_circuit_list(data, path.name)


def parse_circuit_list(data: bytes, name: str = "circuit list") -> tuple[Circuit, ...]:
    """The circuits of the bytes of a CSV file; CircuitListError with all its mistakes, each with its line."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise CircuitListError(
            [f"{name}: line {line}: expected text in UTF-8, got the byte 0x{data[error.start]:02x}: save it as UTF-8"]
        ) from error
    rows = _rows(text, name)
    mistakes: list[str] = []
    circuits = [circuit for line, row in rows if (circuit := _circuit(line, row, mistakes)) is not None]
    mistakes += _said_twice(rows)
    if mistakes:
        raise CircuitListError([f"{name}: {mistake}" for mistake in sorted(mistakes, key=_line_of)])
    return tuple(circuits)


def _line_of(mistake: str) -> int:
    return int(mistake.split(":")[0].removeprefix("line "))


def _rows(text: str, name: str) -> list[tuple[int, dict[str, str]]]:
    """Rows with the line they begin on; raises where there is no header, no row, or a column is missing or unknown."""
    header_line = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = ";" if header_line.count(";") > header_line.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    found: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                found.append((begins, [cell.strip() for cell in cells]))
            begins = reader.line_num + 1
    except csv.Error as error:
        raise CircuitListError([f"{name}: line {begins}: expected comma-separated values, got {error}"]) from error
    if not found:
        raise CircuitListError([f"{name}: expected a header line with {', '.join(COLUMNS)}, got an empty file"])
    header = found[0][1]
    mistakes = _header_mistakes(header, found[0][0], name)
    if not mistakes and len(found) == 1:
        mistakes = [f"{name}: expected at least one circuit below the header, got none"]
    if mistakes:
        raise CircuitListError(mistakes)
    return [(line, _named(header, cells)) for line, cells in found[1:]]


def _named(header: list[str], cells: list[str]) -> dict[str, str]:
    row = dict(zip(header, cells + [""] * len(header), strict=False))
    extra = [cell for cell in cells[len(header) :] if cell]
    return {**row, "": ",".join(extra)} if extra else row


def _header_mistakes(header: list[str], line: int, name: str) -> list[str]:
    missing = [column for column in COLUMNS if column not in header]
    unknown = [column or "a column without a name" for column in header if column not in COLUMNS]
    twice = sorted({column for column in header if header.count(column) > 1 and column in COLUMNS})
    where = f"{name}: line {line}"
    mistakes = [
        f"{where}: expected a header with the columns {', '.join(COLUMNS)}, got none named {', '.join(missing)}"
    ]
    mistakes = mistakes if missing else []
    mistakes += [f"{where}: expected no other column, got {column}: leave it out" for column in unknown]
    return mistakes + [f"{where}: expected each column once, got {column} twice" for column in twice]


def _circuit(line: int, row: dict[str, str], mistakes: list[str]) -> Circuit | None:
    """One row as a circuit; None where it has mistakes, which are added to `mistakes`."""
    own: list[str] = []
    for column in _NEEDED:
        if not row[column]:
            own.append(f"{column}: expected a value, got an empty field")
    if "" in row:
        own.append(f"expected {len(COLUMNS)} fields, got {row['']!r} after the last")
    colour = _tried(own, "colour", lambda: colour_code(row["colour"])) if row["colour"] else None
    size = _tried(own, "size_mm2", lambda: parse_size(row["size_mm2"])) if row["size_mm2"] else None
    length = _length(row["length_mm"], own) if row["length_mm"] else None
    rating = _rating(row["fuse_A"], own)
    duty = _one_of("duty", row["duty"], DUTIES, own)
    circuit_class = _one_of("class", row["class"], CLASSES, own)
    ends = [(row[end], row[f"{end}_cavity"]) for end in ("from", "to")]
    if ends[0] == ends[1] and all(ends[0]):
        own.append(
            f"to_cavity: expected another cavity than the wire's own beginning, got {row['to']} {row['to_cavity']}"
        )
    mistakes += [f"line {line}: {mistake}" for mistake in own]
    if own or colour is None or size is None or length is None:
        return None
    return Circuit(
        row["circuit"], colour, size, row["from"], row["from_cavity"] or None, row["to"], row["to_cavity"] or None,
        length, rating, duty, circuit_class, line,
    )  # fmt: skip


def _tried(own: list[str], column: str, read: Callable[[], T]) -> T | None:
    try:
        return read()
    except (CircuitError, ColourError) as error:
        own.append(f"{column}: {str(error).split(': ', 1)[-1]}")
        return None


def _number(column: str, text: str, unit: str, own: list[str]) -> float | None:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        own.append(f"{column}: expected a number of {unit}, got {text!r}")
        return None
    return value


def _length(text: str, own: list[str]) -> float | None:
    value = _number("length_mm", text, "millimetres", own)
    if value is not None and not 0 < value <= _LONGEST_MM:
        own.append(f"length_mm: expected above 0 and at most {_LONGEST_MM:g} mm, got {value:g}")
    return value


def _rating(text: str, own: list[str]) -> float | None:
    value = _number("fuse_A", text, "ampere", own) if text else None
    if value is None:
        return None
    found = _tried(own, "fuse_A", lambda: fuse(value))
    return found.rating_a if found is not None else None


def _one_of(column: str, text: str, known: Iterable[str], own: list[str]) -> str | None:
    if not text:
        return None
    if text not in known:
        own.append(f"{column}: expected {', '.join(known)} or nothing, got {text!r}")
    return text


def _said_twice(rows: list[tuple[int, dict[str, str]]]) -> list[str]:
    """A cavity holds one wire, and a circuit has one row; both mistakes name the line where it stood first."""
    mistakes = []
    cavities: dict[tuple[str, str], int] = {}
    names: dict[str, int] = {}
    for line, row in rows:
        for end in ("from", "to"):
            place = (row[end], row[f"{end}_cavity"])
            first = cavities.setdefault(place, line) if all(place) else line
            if first != line:
                where = f"{place[0]} cavity {place[1]}"
                mistakes.append(
                    f"line {line}: {end}_cavity: expected a free cavity, got {where}, taken on line {first}"
                )
        first = names.setdefault(row["circuit"], line) if row["circuit"] else line
        if first != line:
            mistakes.append(f"line {line}: circuit: expected a new name, got {row['circuit']!r}, used on line {first}")
    return mistakes
