"""The truth that lies beside a bench photograph: what is really there, in pixels and millimetres.

`NAME.json` lies beside `NAME.jpg`. Coordinates as in `vision.findings`: pixels
x right, y down, centres at integers, lens distortion included; millimetres on
the mat, origin at its top-left corner, y down (for a scene without a mat: the
same plane, origin where the mat would have been). Lengths of a wire run along
its axis in space.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

TRUTH_SCHEMA = "truth/1"

Ring = list[tuple[float, float]]
Sign = Literal[
    "browned",  # insulation discoloured by heat, still one wire each
    "fused",  # neighbours melted into one surface
    "charred",
    "blistered",
    "stained_neighbours",
    "bare_copper",
    "nicked_copper",
    "severed",
    "worn_insulation",
    "cracked",
    "corner_missing",
    "lock_missing",
    "displaced_terminal",
    "sleeve",
]


class TruthValue(BaseModel):
    """Base of all truth: frozen, and unknown fields are an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class TruthRegion(TruthValue):
    """One damage.

    `length_mm` runs along the wire or bundle; of a housing it is the total crack length, or the diagonal of what
    broke or moved.
    """

    id: str
    label: str
    signs: list[Sign]
    severity: float | None = None  # 0 slight .. 1 gross
    rings_px: list[Ring]  # visible damaged pixels
    rings_mm: list[Ring] | None
    visible_px: int
    length_mm: float
    area_mm2: float | None
    wires_affected: int
    wire_ids: list[str]
    exposed_copper_mm: float | None  # summed over the wires
    fused_length_mm: float | None = None
    severed_wires: int | None = 0
    to_termination_mm: float | None  # near edge, along the wire; None where the nearest end is outside the photograph
    continues_under_covering: bool = False
    pieces_px: list[Ring] = []  # broken-off pieces on the bench: of the damage, but not where it is


class TruthWire(TruthValue):
    """One wire: IEC 60757 code (`RD`, striped `RD/WH`), outside diameter, axis."""

    id: str
    colour: str
    diameter_mm: float
    centreline_px: Ring
    centreline_mm: Ring
    height_mm: list[float]
    length_mm: float
    ends: list[str | None]  # termination ids; None: leaves the photograph


class TruthTermination(TruthValue):
    """Where wires end. `position` is the middle of the face where the wires enter."""

    id: str
    kind: str  # housing | ring | cut_end
    position_px: tuple[float, float]
    position_mm: tuple[float, float]
    rings_px: list[Ring]


class TruthHousing(TruthValue):
    """A connector housing; `id` is its termination id."""

    id: str
    colour: str
    rings_px: list[Ring]
    cracked: bool
    crack_length_mm: float
    missing_area_mm2: float
    displaced_terminals: int
    cavities: int


class TruthCovering(TruthValue):
    """Tape, conduit, tie over the wires."""

    id: str
    kind: str  # tape | cloth | conduit | tie | braid | spiral
    rings_px: list[Ring]
    length_mm: float


class TruthSplice(TruthValue):
    """A joint under a sleeve (repair) or a factory joint. Distance from the sleeve's near edge along the wire."""

    id: str
    wire_id: str
    rings_px: list[Ring]
    position_px: tuple[float, float]
    position_mm: tuple[float, float]
    length_mm: float
    to_termination_mm: float | None
    to_next_splice_mm: float | None
    origin: Literal["repair", "factory"]


class TruthCamera(TruthValue):
    """Pinhole with k1, k2.

    x_cam = R (x, y, z) + t with mat mm; z towards the camera is negative, as in `mat x right, y down, z down`.
    """

    K: list[list[float]]
    k1: float
    k2: float
    R: list[list[float]]
    t: list[float]


class Truth(TruthValue):
    """Everything true of one photograph."""

    schema_version: Literal["truth/1"] = "truth/1"
    photo: str
    width_px: int
    height_px: int
    seed: int
    scenario: str
    mat: str | None  # layout name
    usable: bool = True
    mm_per_px_centre: float
    labels: list[str]  # of the regions; ["sound"] when none
    regions: list[TruthRegion]
    wires: list[TruthWire]
    terminations: list[TruthTermination]
    housings: list[TruthHousing]
    coverings: list[TruthCovering]
    splices: list[TruthSplice]
    camera: TruthCamera | None
