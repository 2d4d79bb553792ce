"""Bench notes: what a ruler and a look said about the wires of one assembly, read from the shop's TOML file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from models.circuit.colours import colour_code
from models.circuit.errors import CircuitError
from models.circuit.wire_table import wire_size
from models.repair.branch import Branch, BranchWire, Mark, Stretch, WireEnd

Mm = Annotated[float, Field(ge=0.0, le=100_000.0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, max_length=60)]
Size = Annotated[float, Field(gt=0.0, le=1000.0, allow_inf_nan=False)]


class BenchError(ValueError):
    """Bench notes that cannot be used; `lines` holds one line for each mistake."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        super().__init__("\n".join(lines))


class BenchWire(BaseModel):
    """One wire measured from its start: to the damage, the damage, and from there to its other end, mm.

    `joints_mm` are existing joints and `keep_out_mm` closed or flexing parts, from the start. `start` and `end` name
    housing and cavity (`X1:3`); an end that takes no new terminal is `*_renewable = false`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")
    id: Text
    circuit: Text | None = None
    colour: Text | None = None
    size_mm2: Size | None = None
    before_mm: Mm
    damage_mm: Mm
    after_mm: Mm
    offset_mm: Annotated[float, Field(ge=-100_000.0, le=100_000.0, allow_inf_nan=False)] = 0.0
    joints_mm: tuple[Mm, ...] = ()
    keep_out_mm: tuple[tuple[Mm, Mm], ...] = ()
    start: Text | None = None
    end: Text | None = None
    start_renewable: bool = True
    end_renewable: bool = True


class BenchNotes(BaseModel):
    """All that was noted. `branch_points_mm`: stations of branches; an empty list says there are none."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    branch_points_mm: tuple[Mm, ...] | None = None
    connectors: dict[str, Text] = {}
    neighbours: tuple[tuple[Text, Text], ...] | None = None
    wire: tuple[BenchWire, ...] = ()


def load_bench(path: Path) -> BenchNotes:
    """The notes of a file; raises BenchError with all its mistakes."""
    try:
        values = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise BenchError(
            [f"{path.name}: expected a readable TOML file, got {error.strerror or 'no access'}"]
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BenchError([f"{path.name}: expected valid TOML in UTF-8, got {error}"]) from error
    try:
        notes = BenchNotes.model_validate(values)
    except ValidationError as error:
        raise BenchError([f"{path.name}: {_line(detail)}" for detail in error.errors()]) from error
    mistakes = mistakes_in(notes)
    if mistakes:
        raise BenchError([f"{path.name}: {mistake}" for mistake in mistakes])
    return notes


def _line(detail: Any) -> str:
    key = ".".join(str(part) for part in detail["loc"])
    if detail["type"] == "extra_forbidden":
        return f"{key}: expected a known name, got {key.split('.')[-1]!r}"
    if detail["type"] == "string_too_short":
        return f"{key}: expected text that is not empty, got '': leave the line out where it is not known"
    if detail["type"] == "missing":
        return f"{key}: expected a value, got none"
    return f"{key}: expected {str(detail['msg']).removeprefix('Input should be ')}, got {detail['input']!r}"


def mistakes_in(notes: BenchNotes) -> list[str]:
    """What cannot be in notes whose single values are each allowed; a line for each."""
    ids = [wire.id for wire in notes.wire]
    found = [
        f"wire {name}: expected each wire once, got it twice" for name in sorted({i for i in ids if ids.count(i) > 1})
    ]
    for wire in notes.wire:
        found += [f"wire {wire.id}: {mistake}" for mistake in _named(wire)]
        total = wire.before_mm + wire.damage_mm + wire.after_mm
        if total <= 0:
            found.append(f"wire {wire.id}: expected a length above 0 mm, got before, damage and after all 0")
        if total > 100_000.0:
            found.append(f"wire {wire.id}: expected a length of at most 100 m, got {total / 1000:g} m")
        places = [*wire.joints_mm, *(edge for pair in wire.keep_out_mm for edge in pair)]
        found += [f"wire {wire.id}: expected places within its {total:g} mm, got {x:g}" for x in places if x > total]
        found += [
            f"wire {wire.id}: keep_out_mm: expected from before to, got {a:g} to {b:g}"
            for a, b in wire.keep_out_mm
            if b < a
        ]
    for pair in notes.neighbours or ():
        found += [f"neighbours: expected the id of a wire, got {name!r}" for name in pair if name not in ids]
    return found


def _named(wire: BenchWire) -> list[str]:
    """What is wrong with the wire's colour and size: a code or a size that no table has."""
    found = []
    try:
        if wire.colour is not None:
            colour_code(wire.colour)
    except CircuitError as error:
        found.append(str(error))
    try:
        if wire.size_mm2 is not None:
            wire_size(wire.size_mm2)
    except CircuitError as error:
        found.append(str(error))
    return found


def measured_wire(wire: BenchWire, ruler_u95_mm: float) -> BranchWire:
    """The wire as the plan takes it; the damage carries the ruler's uncertainty."""
    far = wire.before_mm + wire.damage_mm
    return BranchWire(
        id=wire.id,
        colour=colour_code(wire.colour) if wire.colour is not None else None,
        size_mm2=wire.size_mm2,
        length_mm=far + wire.after_mm,
        length_u95_mm=ruler_u95_mm,
        start=_end(wire.start, wire.start_renewable),
        end=_end(wire.end, wire.end_renewable),
        offset_mm=wire.offset_mm,
        damage=(Stretch(from_mm=wire.before_mm, to_mm=far, u95_mm=ruler_u95_mm),),
        splices=tuple(
            Mark(at_mm=at, u95_mm=ruler_u95_mm, ref=f"{wire.id} joint {i}") for i, at in enumerate(wire.joints_mm, 1)
        ),
        keep_out=tuple(Stretch(from_mm=a, to_mm=b) for a, b in wire.keep_out_mm),
    )


def _end(text: str | None, renewable: bool) -> WireEnd:
    name, _, cavity = (text or "").partition(":")
    return WireEnd(name=name or None, cavity=cavity or None, renewable=renewable)


def noted_branch(wires: tuple[BranchWire, ...], notes: BenchNotes) -> Branch:
    """The branch of these wires with the noted branch points and neighbours."""
    points = notes.branch_points_mm
    return Branch(
        wires=wires,
        branch_points=None if points is None else tuple(Mark(at_mm=at) for at in points),
        neighbours=notes.neighbours,
    )
