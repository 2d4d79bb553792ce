"""What a reviewer can say of an assembly, as data: one frozen value for each kind of edit."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, field_validator

from models.repair.answers import Answers
from models.repair.bench import BenchWire

Coordinate = Annotated[float, Field(ge=-1.0, le=200_000.0, allow_inf_nan=False)]
Point = tuple[Coordinate, Coordinate]
Outline = Annotated[list[Point], Field(min_length=3, max_length=600)]
Outlines = Annotated[list[Outline], Field(min_length=1, max_length=40)]
Sha256 = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[0-9a-zA-Z_-]+$")]
RegionId = Annotated[str, Field(min_length=1, max_length=24, pattern=r"^[a-zA-Z][a-zA-Z0-9_-]*$")]
Label = Annotated[str, Field(pattern=r"^[a-z][a-z_]{2,39}$")]
"""A label that every model knows, or one that the shop added; the shop knows which."""
Millimetres = Annotated[float, Field(ge=0.0, le=100_000.0, allow_inf_nan=False)]
Note = Annotated[str, Field(max_length=2000)]
TypedField = Literal["length_mm", "to_termination_mm", "exposed_copper_mm", "area_mm2"]


class ReviewValue(BaseModel):
    """Base of all edits: frozen, and unknown fields are an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Confirm(ReviewValue):
    """The region is as the findings say; without a region, all regions of the photograph are."""

    kind: Literal["confirm"] = "confirm"
    photo: Sha256
    region: RegionId | None = None
    note: Note = ""


class Relabel(ReviewValue):
    """The region is this label; `sound` says that nothing is damaged there."""

    kind: Literal["relabel"] = "relabel"
    photo: Sha256
    region: RegionId
    label: Label
    note: Note = ""


class Redraw(ReviewValue):
    """The region's outline is this one. rings_px: px of the upright original, x right, y down."""

    kind: Literal["redraw"] = "redraw"
    photo: Sha256
    region: RegionId
    rings_px: Outlines
    note: Note = ""


class Add(ReviewValue):
    """Damage that the findings lack; `region` is its new name."""

    kind: Literal["add"] = "add"
    photo: Sha256
    region: RegionId
    label: Label
    rings_px: Outlines
    note: Note = ""


class Split(ReviewValue):
    """The region is two: cut along the straight line through two points. `into` names the part right of it."""

    kind: Literal["split"] = "split"
    photo: Sha256
    region: RegionId
    into: RegionId
    line_px: tuple[Point, Point]
    note: Note = ""


class Delete(ReviewValue):
    """There is no such region: a false find."""

    kind: Literal["delete"] = "delete"
    photo: Sha256
    region: RegionId
    note: Note = ""


class Typed(ReviewValue):
    """A measure somebody took at the bench. `u95`: None takes the ruler's; `by`: who, if not the writer."""

    kind: Literal["typed"] = "typed"
    photo: Sha256
    region: RegionId
    field: TypedField
    value: Millimetres
    u95: Millimetres | None = None
    by: Annotated[str, Field(max_length=120)] = ""
    note: Note = ""


class CountWires(ReviewValue):
    """How many wires the region damages, counted at the bench."""

    kind: Literal["count_wires"] = "count_wires"
    photo: Sha256
    region: RegionId
    wires: Annotated[int, Field(ge=1, le=2000)]
    by: Annotated[str, Field(max_length=120)] = ""
    note: Note = ""


class MeasureWire(ReviewValue):
    """A wire measured with a ruler from its start; the work order's plan takes it from here alone."""

    kind: Literal["measure_wire"] = "measure_wire"
    wire: BenchWire
    by: Annotated[str, Field(max_length=120)] = ""
    note: Note = ""


class Branches(ReviewValue):
    """Where branches leave along the wires measured, from their start; an empty list says there are none."""

    kind: Literal["branches"] = "branches"
    at_mm: Annotated[list[Millimetres], Field(max_length=40)]
    by: Annotated[str, Field(max_length=120)] = ""
    note: Note = ""


class NameEnd(ReviewValue):
    """An end in a photograph is this connector of the circuit list: the pin map and the wires' circuits follow it."""

    kind: Literal["name_end"] = "name_end"
    photo: Sha256
    end: RegionId
    connector: Annotated[str, Field(min_length=1, max_length=60)]
    by: Annotated[str, Field(max_length=120)] = ""
    note: Note = ""


class Reference(ReviewValue):
    """A known length between two points of a photograph without a mat: its scale."""

    kind: Literal["reference"] = "reference"
    photo: Sha256
    from_px: Point
    to_px: Point
    length_mm: Annotated[float, Field(gt=0.0, le=100_000.0, allow_inf_nan=False)]
    note: Note = ""


class Answer(ReviewValue):
    """Answers to open questions; only what is given here is said, later answers stand before earlier ones."""

    kind: Literal["answer"] = "answer"
    answers: Answers
    by: Annotated[str, Field(max_length=120)] = ""
    note: Note = ""

    @field_validator("answers")
    @classmethod
    def _something(cls, answers: Answers) -> Answers:
        if not answers.model_dump(exclude_defaults=True):
            raise ValueError("expected at least one answer, got none")
        return answers


class Withdraw(ReviewValue):
    """An earlier entry is taken back; it stays on record and no longer counts."""

    kind: Literal["withdraw"] = "withdraw"
    entry: Annotated[int, Field(ge=1)]
    note: Note = ""


class Settle(ReviewValue):
    """A conflict is decided: the entry written without knowledge of the newest one counts from here, or never."""

    kind: Literal["settle"] = "settle"
    entry: Annotated[int, Field(ge=1)]
    keep: bool
    note: Note = ""


Edit = Annotated[
    Confirm
    | Relabel
    | Redraw
    | Add
    | Split
    | Delete
    | Typed
    | CountWires
    | MeasureWire
    | Branches
    | NameEnd
    | Reference
    | Answer
    | Withdraw
    | Settle,
    Field(discriminator="kind"),
]
"""Every edit there is."""
EDIT: TypeAdapter[Edit] = TypeAdapter(Edit)
"""Reads an edit from plain values or JSON."""


class Entry(ReviewValue):
    """One edit as it was put on record. `based_on`: the newest entry its writer had seen, None before the first."""

    id: Annotated[int, Field(ge=1)]
    person: str
    made_at: str
    based_on: int | None
    edit: Edit


class EditError(ValueError):
    """An edit that does not fit the findings it was made on; one line: expected, got, what to do."""
