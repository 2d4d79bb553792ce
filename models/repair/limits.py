"""The rules file: limits, scope, sources and words of every rule, with a shop's own TOML laid over the defaults."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from models.circuit.circuit_list import ReferableClass

Length = Annotated[float, Field(ge=0.0, le=5000.0, strict=True)]
Words = Annotated[str, StringConstraints(min_length=1, strict=True)]
Strands = Annotated[int, Field(ge=0, le=200, strict=True)]
Celsius = Annotated[float, Field(ge=-60.0, le=200.0, strict=True)]
Milliohm = Annotated[float, Field(ge=0.0, le=10_000.0, strict=True)]


@dataclass(frozen=True)
class Mistake:
    """One mistake in a rules file: the key, what was expected, what was there."""

    key: str
    expected: str
    got: str

    def __str__(self) -> str:
        return f"{self.key}: expected {self.expected}, got {self.got}"


class RulesError(ValueError):
    """A rules file that cannot be used; `mistakes` holds every one of its mistakes, one line each in the message."""

    def __init__(self, source: str, mistakes: list[Mistake]) -> None:
        self.source = source
        self.mistakes = mistakes
        super().__init__("\n".join(f"{source}: {mistake}" for mistake in mistakes))


class RuleLimits(BaseModel):
    """What every rule has: whether it applies, its name in words, its source, and the question that settles it."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    applies: Annotated[bool, Field(strict=True)]
    title: Words
    source: Words
    ask: Words = ""
    why: Words = ""


class TerminationDistance(RuleLimits):
    min_mm: Length
    joint_allowance_mm: Length
    ruler_u95_mm: Annotated[float, Field(ge=0.0, le=50.0, strict=True)]


class WireCount(RuleLimits):
    max_wires: Annotated[int, Field(ge=0, le=1000, strict=True)]
    scope: Literal["assembly", "branch", "location"]
    count_sleeved: Annotated[bool, Field(strict=True)]


class FusedInsulation(RuleLimits):
    max_mm: Length
    zero_within_mm: Length
    unstated_u95_mm: Length


class ConductorDamage(RuleLimits):
    max_exposed_mm: Length
    zero_within_mm: Length
    unstated_u95_mm: Length
    nicked_strands_allowed: Strands
    broken_strands_allowed: Strands
    ends_in_view_suffice: Annotated[bool, Field(strict=True)]
    ask_ends: Words
    why_ends: Words


class HousingLimits(RuleLimits):
    zero_within_mm2: Annotated[float, Field(ge=0.0, le=10_000.0, strict=True)]


class SpliceSpacing(RuleLimits):
    min_mm: Length
    stagger_mm: Length
    margin_mm: Length
    working_mm: Length
    min_section_mm: Length
    ask_further: Words
    why_further: Words


class SplicesPerWire(RuleLimits):
    max_splices: Annotated[int, Field(ge=0, le=100, strict=True)]


class CircuitClass(RuleLimits):
    refer: tuple[ReferableClass, ...]


class FuseCoordination(RuleLimits):
    insulation_class: Literal["A", "B", "C", "D", "E", "F", "G", "H"]
    ambient_c: Celsius
    largest_fuse_a: Annotated[
        tuple[tuple[Annotated[float, Field(gt=0, le=300)], Annotated[float, Field(gt=0, le=1000)]], ...],
        Field(min_length=1),
    ]

    def largest_for(self, wire_size_mm2: float) -> float | None:
        """Largest fuse (A) for a wire of this section, or None where the table starts above it."""
        fitting = [fuse for size, fuse in self.largest_fuse_a if size <= wire_size_mm2 + 1e-9]
        return fitting[-1] if fitting else None


class DropBudget(RuleLimits):
    max_v: Annotated[float, Field(gt=0.0, le=1000.0, strict=True)]
    conductor_c: Celsius
    terminal_mohm: Milliohm
    terminal_u95_mohm: Milliohm
    splice_mohm: Milliohm
    splice_u95_mohm: Milliohm


class Recurrence(RuleLimits):
    within_days: Annotated[int, Field(ge=0, le=10_000, strict=True)]


class Inspection(RuleLimits):
    min_inspected_share: Annotated[float, Field(ge=0.0, le=1.0, strict=True)]


def _section(field: str) -> str:
    return field.replace("_", "-")


class Rules(BaseModel):
    """Every rule with its limits. Section names of the file are the rule ids (`termination-distance`)."""

    model_config = ConfigDict(frozen=True, extra="forbid", alias_generator=_section)
    termination_distance: TerminationDistance
    wire_count: WireCount
    fused_insulation: FusedInsulation
    heat_aged: RuleLimits
    overload_extent: RuleLimits
    conductor_damage: ConductorDamage
    housing: HousingLimits
    splice_spacing: SpliceSpacing
    splices_per_wire: SplicesPerWire
    earlier_repair: RuleLimits
    circuit_class: CircuitClass
    insulation_only: RuleLimits
    fuse_coordination: FuseCoordination
    drop_budget: DropBudget
    recurrence: Recurrence
    hidden_damage: RuleLimits
    inspection: Inspection

    def of(self, rule_id: str) -> RuleLimits:
        """The limits of the rule with this id."""
        limits: RuleLimits = getattr(self, rule_id.replace("-", "_"))
        return limits


RULE_IDS: tuple[str, ...] = tuple(_section(field) for field in Rules.model_fields)
"""Every rule id, in the order of the answer."""

_EXPECTED = {
    "extra_forbidden": "no such key",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "string_too_short": "text that is not empty",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "tuple_type": "a list",
    "missing": "a value",
    "model_type": "a section in square brackets",
}


def load_rules(path: Path | None = None) -> Rules:
    """The default rules, with the shop's file at `path` laid over them; raises RulesError with all its mistakes."""
    merged = tomllib.loads(resources.files("models.repair").joinpath("rules.toml").read_text("utf-8"))
    source = "rules.toml"
    if path is not None:
        source = path.name
        merged = _laid_over(merged, _read(path))
    return _validated(merged, source)


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise RulesError(path.name, [Mistake("file", "a readable TOML file", error.strerror or "no access")]) from error
    except UnicodeDecodeError as error:
        raise RulesError(path.name, [Mistake("file", "text in UTF-8", f"byte {error.start} is not")]) from error
    except tomllib.TOMLDecodeError as error:
        raise RulesError(path.name, [Mistake("file", "valid TOML", str(error))]) from error


def _laid_over(base: Mapping[str, Any], top: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in top.items():
        below = merged.get(key)
        merged[key] = _laid_over(below, value) if isinstance(below, Mapping) and isinstance(value, Mapping) else value
    return merged


def _validated(values: dict[str, Any], source: str) -> Rules:
    mistakes: list[Mistake] = []
    rules: Rules | None = None
    try:
        rules = Rules.model_validate(values)
    except ValidationError as error:
        mistakes = [_mistake(detail) for detail in error.errors()]
    mistakes += _contradictions(values, {mistake.key for mistake in mistakes})
    if mistakes or rules is None:
        raise RulesError(source, mistakes)
    return rules


def _mistake(detail: Any) -> Mistake:
    key = ".".join(str(part) for part in detail["loc"])
    expected = _EXPECTED.get(detail["type"])
    if expected is None:
        message = str(detail["msg"]).removeprefix("Input should be ")
        expected = message[0].lower() + message[1:]
    return Mistake(key, expected, repr(detail["input"]))


def _contradictions(values: dict[str, Any], broken: set[str]) -> list[Mistake]:
    """Limits that each are possible but not together; keys already reported are left alone."""
    found: list[Mistake] = []
    copper = values.get("conductor-damage")
    if isinstance(copper, dict):
        nicked, cut = copper.get("nicked_strands_allowed"), copper.get("broken_strands_allowed")
        if isinstance(nicked, int) and isinstance(cut, int) and cut > nicked:
            key = "conductor-damage.broken_strands_allowed"
            found.append(Mistake(key, f"at most nicked_strands_allowed ({nicked})", f"{cut}"))
    found += _joint_contradictions(values, broken)
    fuses = values.get("fuse-coordination")
    table = fuses.get("largest_fuse_a") if isinstance(fuses, dict) else None
    if table and not any(key.startswith("fuse-coordination.largest_fuse_a") for key in broken):
        sizes, fuse = [row[0] for row in table], [row[1] for row in table]
        if sizes != sorted(set(sizes)) or fuse != sorted(fuse):
            expected = "sizes rising from row to row, and never a smaller fuse for a larger wire"
            found.append(Mistake("fuse-coordination.largest_fuse_a", expected, repr(table)))
    return found


def _joint_contradictions(values: dict[str, Any], broken: set[str]) -> list[Mistake]:
    """A new piece whose two joints could never keep their own spacing."""
    joints = values.get("splice-spacing")
    if not isinstance(joints, dict):
        return []
    gap, piece = joints.get("min_mm"), joints.get("min_section_mm")
    key = "splice-spacing.min_section_mm"
    if (
        broken & {key, "splice-spacing.min_mm"}
        or not isinstance(gap, int | float)
        or not isinstance(piece, int | float)
    ):
        return []
    if piece >= gap:
        return []
    return [Mistake(key, f"at least min_mm ({gap:g}), as a new piece has a joint at either end", f"{piece:g}")]
