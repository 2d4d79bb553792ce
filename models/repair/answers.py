"""The answers a person at the bench gave; what was not asked or not known stays None and is never assumed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from models.circuit.circuit_list import CLASSES, CircuitClass

CIRCUIT_CLASSES: tuple[str, ...] = CLASSES
"""What `--circuit-class` takes."""
DamageLabel = Literal[
    "external_heat", "electrical_overload", "rodent", "connector", "abrasion", "earlier_repair", "sound"
]
Flex = Literal["cracks", "no_cracks"]
Parting = Literal["parts", "tears"]
Copper = Literal["covered", "bare", "damaged"]
Positive = Annotated[float, Field(gt=0.0, le=10_000.0, allow_inf_nan=False)]
Distance = Annotated[float, Field(ge=0.0, le=100_000.0, allow_inf_nan=False)]
PlaceName = Annotated[str, Field(min_length=1, max_length=400)]
Number = Annotated[int, Field(ge=0, le=10_000, strict=True)]


SAME: tuple[str, ...] = ("same_place", "other_side")
"""Answers whose values are places, too: which place of another photograph a place is, seen from the same or from its
other side."""


class AnswersError(ValueError):
    """Answers that cannot be used; `lines` holds one line for each, `names` their names where the rest can be used.

    A name is `wire_size_mm2`, or `copper.h1` for the answer about one place.
    """

    def __init__(self, lines: list[str], names: Sequence[str] = ()) -> None:
        self.lines, self.names = lines, tuple(names)
        super().__init__("\n".join(lines))


class Answers(BaseModel):
    """Intake and bench answers. Where a dict is allowed, its keys are region, splice or housing ids.

    An id is as the findings give it (`r1`); with several photographs of one
    assembly that share it, `photograph name:r1`. A plain value stands for the
    whole assembly. `same_place` and `other_side` say of a place (or housing)
    which one of another photograph it is, seen from the same or the other side.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")
    circuit_class: CircuitClass | None = None
    labels: dict[str, DamageLabel] = {}
    flex_test: Flex | dict[str, Flex] | None = None
    parts_by_hand: Parting | dict[str, Parting] | None = None
    copper: Copper | dict[str, Copper] | None = None
    nicked_strands: dict[str, Number] = {}
    broken_strands: dict[str, Number] = {}
    both_ends_identified: bool | dict[str, bool] | None = None
    overload_ends: dict[str, str] = {}
    distances_mm: dict[str, Distance] = {}
    spacings_mm: dict[str, Distance] = {}
    splice_origin: dict[str, Literal["repair", "factory"]] = {}
    splices_on_one_wire: Number | None = None
    further_splices: Literal["none", "some"] | None = None
    housing_state: dict[str, Literal["sound", "damaged", "not_a_housing"]] = {}
    looked_over: Literal["nothing_more", "more_damage"] | None = None
    wire_count: Number | None = None
    fuse_found_a: Positive | None = None
    fuse_rated_a: Positive | None = None
    wire_size_mm2: Positive | None = None
    load_current_a: Positive | None = None
    circuit_length_mm: Annotated[float, Field(gt=0.0, le=100_000.0, allow_inf_nan=False)] | None = None
    same_damage_days: Number | None = None
    same_place: dict[str, PlaceName] = {}
    other_side: dict[str, PlaceName] = {}

    def __init__(self, **values: Any) -> None:
        try:
            super().__init__(**values)
        except ValidationError as error:
            # where an answer for all is allowed, too, what that must be is said, and not that it may be one for each
            told = [one for one in error.errors() if one["type"] != "dict_type" or len(one["loc"]) == 1]
            raise AnswersError(sorted(map(_line, told))) from error

    def without(self, names: Iterable[str]) -> Answers:
        """The others, named as in `AnswersError`."""
        gone, update = set(names), dict[str, Any]()
        for field, value in self:
            if field in gone:
                update[field] = type(self).model_fields[field].get_default()
            elif isinstance(value, dict):
                left = {key: given for key, given in value.items() if f"{field}.{key}" not in gone}
                update[field] = left or type(self).model_fields[field].get_default()
        return self.model_copy(update=update)


def _line(detail: Any) -> str:
    key = ".".join(str(part) for part in detail["loc"] if not str(part).startswith(("dict[", "literal[", "bool")))
    if detail["type"] == "extra_forbidden":
        known = ", ".join(Answers.model_fields)
        return f"answer {key}: expected one of {known}, got an unknown name"
    if detail["type"] == "dict_type":
        return f"answer {key}: expected one for each place (`{key}.t1 = ...`), got {detail['input']!r} for all"
    expected = str(detail["msg"]).removeprefix("Input should be ")
    return f"answer {key}: expected {expected}, got {detail['input']!r}"


def answer_for(answer: Any, ref: str) -> Any:
    """The answer for one region: its own where answers go by region, else the one for the whole assembly."""
    return answer.get(ref) if isinstance(answer, dict) else answer
