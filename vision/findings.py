"""The findings: what was seen and decided about one photograph or assembly, as frozen values.

These types are the JSON contract (schema "1"). Pixels: x right, y down, pixel
centres at integers, in the upright original. Millimetres: on the mat, origin
top-left, y down.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA = "1"

RULER = "reading of the ruler"
"""The source of uncertainty of a measure that a person typed."""
LABELS: tuple[str, ...] = (
    "external_heat",
    "electrical_overload",
    "rodent",
    "connector",
    "abrasion",
    "earlier_repair",
    "sound",
)
"""Every label a region or a photograph can carry, in the order of the probability vectors."""
NO_ASSEMBLY = "no assembly was found in the photograph"
"""The fault of a photograph on which nothing but the table or the mat is seen."""
STUB_MM = 12.0
"""So near a damage, a bundle that ends at nothing is a stub that the damage left, not an end of its own."""

Ring = list[tuple[float, float]]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Route = Literal["return_to_service", "repair_in_vehicle", "remanufacture", "refer", "undecided"]
Verdict = Literal["met", "violated", "cannot_tell", "not_applicable"]


class Finding(BaseModel):
    """Base of all findings: frozen, and unknown fields are an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class UncertaintyShare(Finding):
    """One source of a measure's uncertainty, and the u95 it would have by that source alone, in the measure's unit."""

    name: str
    u95: float = Field(ge=0.0)


class Measure(Finding):
    """A measured number with its expanded 95 % uncertainty; `low_bound` when the true value may only be larger.

    `sources`: what makes it uncertain, largest first; independent, so that their squares add up to that of `u95`.
    """

    value: float
    u95: float = Field(ge=0.0)
    low_bound: bool = False
    sources: list[UncertaintyShare] = []


class Count(Finding):
    """A counted number with the interval it lies in."""

    value: int = Field(ge=0)
    low: int = Field(ge=0)
    high: int = Field(ge=0)
    wire_ids: list[str] = []


class PhotoInfo(Finding):
    """Which photograph the answer is about."""

    name: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None = None


class Retake(Finding):
    """One reason to photograph again, what to do, and the measure it spoils (`label`, `length`, ... or `all`)."""

    fault: str
    advice: str
    measure: str


class Scale(Finding):
    """Where millimetres come from. `u95_rel` is the relative expanded uncertainty of the scale.

    `assumed_mm_per_px`: without a scale, how large a pixel was taken to be so that shapes could be recognised; nothing
    is measured by it.
    """

    source: Literal["mat", "card", "stated", "none"]
    mm_per_px: float | None = None
    u95_rel: float | None = None
    assumed_mm_per_px: float | None = None


class Sheet(Finding):
    """A mat sheet seen in a photograph: where it lies in the photograph's millimetres (its own turned, then moved).

    The first sheet of a photograph is the one its millimetres belong to. `covariance`: 3 x 3, of x mm, y mm and turn
    (radians, clockwise as seen). Of the first sheet alone: `looked_at_mm`, the part that was searched for the
    assembly, and `camera_mm`, where the camera stood: x, y, height.
    """

    mat: str
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_rad: float = 0.0
    covariance: list[list[float]]
    looked_at_mm: Ring | None = None
    camera_mm: tuple[float, float, float] | None = None


class Lay(Finding):
    """Where a photograph's mat lies in a frame shared with others of its assembly, which lay still between them.

    Photographs of one `frame` share it, those of one `face` show the same face; `apart_mm`: how far the traces of the
    same wires lie apart in two of them at most.
    """

    frame: int
    face: int
    mat: str
    x_mm: float
    y_mm: float
    turn_rad: float
    covariance: list[list[float]]
    apart_mm: float


class RegionRef(Finding):
    """A region of one of the assembly's photographs."""

    photo: str
    id: str


class Evidence(Finding):
    """One physical sign, its value and unit, and the same in words."""

    feature: str
    value: float
    unit: str
    says: str


class Region(Finding):
    """Damage of one cause: outline, measures, label and why; `seen_also`: itself in other photographs.

    to_termination_id : the termination of its photograph that the distance goes to; None where that is not known (in
    findings of earlier versions), where it lies in another photograph, and where a person measured.
    """

    id: str
    label: str | None
    probabilities: dict[str, float]
    unsure: bool
    candidates: list[str]
    novel: bool
    rings_px: list[Ring]
    rings_mm: list[Ring] | None
    length_mm: Measure | None
    area_mm2: Measure | None
    wires_affected: Count | None
    exposed_copper_mm: Measure | None
    to_termination_mm: Measure | None
    continues_under_covering: bool
    evidence: list[Evidence]
    seen_also: list[RegionRef] = []
    to_termination_id: str | None = None


class SizeCandidate(Finding):
    """A conductor size that the outside diameter allows, with its probability."""

    size: float
    p: Share


class Wire(Finding):
    """One traced wire. `ends` holds the termination id at either end, or None where it was not followed to one."""

    id: str
    colour: str
    diameter_mm: Measure | None
    size_candidates_mm2: list[SizeCandidate]
    centreline_mm: Ring | None
    centreline_px: Ring
    length_mm: Measure | None
    ends: list[str | None]


class Termination(Finding):
    """Where wires end: a housing, a ring or spade terminal, a cut end."""

    id: str
    kind: str
    position_mm: tuple[float, float] | None
    position_px: tuple[float, float]
    rings_px: list[Ring]


class Housing(Finding):
    """A connector housing and the state of its shell."""

    id: str
    rings_px: list[Ring]
    cracked: bool | None
    crack_length_mm: Measure | None
    missing_area_mm2: Measure | None
    displaced_terminals: int | None
    cavities: int | None = None
    plugs: int | None = None
    seals: int | None = None


class Covering(Finding):
    """Tape, conduit or another covering over the wires: unseen beneath.

    `width_mm` of the covered trunk, across, as seen from above; `wires` it may hold: no fewer than were seen to go in
    or must fill a tight wrap, no more than find room, `value` by the trade's rule for bundles.
    """

    id: str
    kind: str
    rings_px: list[Ring]
    length_mm: Measure | None
    width_mm: Measure | None = None
    wires: Count | None = None


class Splice(Finding):
    """A joint found on a wire. to_termination_id : as of a region."""

    id: str
    wire_id: str | None
    position_mm: tuple[float, float] | None
    position_px: tuple[float, float]
    rings_px: list[Ring]
    to_termination_mm: Measure | None
    to_next_splice_mm: Measure | None
    origin: Literal["repair", "factory", "unknown"]
    to_termination_id: str | None = None


class Question(Finding):
    """Something only a person at the bench can answer, why it matters, and which rule it changes."""

    ask: str
    why: str
    changes: str


class RuleResult(Finding):
    """What one rule says of this assembly. `title`: its name in words; empty in what an earlier version wrote."""

    id: str
    title: str = ""
    verdict: Verdict
    measured: Measure | None
    limit: float | None
    unit: str | None
    says: str
    source: str


class Action(Finding):
    """One step of the repair, what it is done on, and why."""

    action: str
    on: str
    why: str


class Cause(Finding):
    """A likely cause, what to look for in the vehicle, what stops it coming back."""

    cause: str
    look_for: str
    prevent: str


class Decision(Finding):
    """The decision on one assembly.

    route_by : the rules that set the route, or that an undecided one waits for; route_worst_by : those that could bring
    the worst one. `label` stands for a region whose label is open. Both in the order of the rules, empty where no rule
    asks for more than return to service, and in decisions of earlier versions. route_worst_unreferred : while the
    circuit class is not answered and may refer the assembly, the worst route of all other answers, with the rules that
    could bring it; else None. contradicted : answers that lie outside
    what the photographs show, a line each.
    """

    route: Route
    route_worst: Route
    route_by: list[str] = []
    route_worst_by: list[str] = []
    route_worst_unreferred: Route | None = None
    route_worst_unreferred_by: list[str] = []
    open_questions: list[Question]
    wires_to_repair: Count | None
    actions: list[Action]
    rules: list[RuleResult]
    causes: list[Cause]
    cautions: list[str]
    contradicted: list[str] = []


class ModelInfo(Finding):
    """Which model and which features answered."""

    version: str
    feature_version: str
    trained_on: str


class Missing(Finding):
    """A field that could not be measured, and why (`regions[r1].length_mm`: no scale)."""

    field: str
    reason: str


class PhotoFindings(Finding):
    """The whole answer for one photograph."""

    kind: Literal["photo"] = "photo"
    schema_: Literal["1"] = Field(default="1", alias="schema")
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, serialize_by_alias=True)
    photo: PhotoInfo
    usable: bool
    retake: list[Retake]
    scale: Scale
    sheets: list[Sheet] = []
    lay: Lay | None = None
    label: str | None
    labels: list[str]
    probabilities: dict[str, float]
    unsure: bool
    candidates: list[str]
    novel: bool
    inspected_share: float
    regions: list[Region]
    wires: list[Wire]
    terminations: list[Termination]
    housings: list[Housing]
    coverings: list[Covering]
    splices: list[Splice]
    decision: Decision | None
    model: ModelInfo
    missing: list[Missing]


class AssemblyFindings(Finding):
    """The decision on an assembly seen in several photographs."""

    kind: Literal["assembly"] = "assembly"
    schema_: Literal["1"] = Field(default="1", alias="schema")
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, serialize_by_alias=True)
    assembly: str
    photos: list[str]
    regions: list[RegionRef]
    decision: Decision
