"""The things the rules judge: places of damage, joints and housings, each with its name."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from models.repair.answers import Answers, answer_for
from vision.findings import LABELS, Housing, Measure, Region, Ring, Wire

DAMAGE_LABELS: tuple[str, ...] = tuple(label for label in LABELS if label != "sound")


@dataclass(frozen=True)
class Spot:
    """One region, the labels it may carry, and the wires it is known to touch.

    damage : regions of one number are one damage, seen in several photographs; -1: not looked into
    seen_as : the name of another view of the place `ref`, which somebody said it is; empty of the place itself
    least_wires : so many are touched for certain where there is no count of all
    no_distance : why the distance is no longer known, where it went to what somebody found to be no housing
    """

    ref: str
    photo: int
    region: Region
    labels: tuple[str, ...]
    wires: tuple[Wire, ...]
    to_termination_mm: Measure | None
    damage: int = -1
    no_distance: str = ""
    seen_as: str = ""
    least_wires: int = 1

    @property
    def certain(self) -> bool:
        """Whether there is one label only."""
        return len(self.labels) == 1

    def evidence(self, feature: str, unstated_u95: float) -> Measure | None:
        """A sign as a measure; `FEATURE_u95` in the evidence is its uncertainty, otherwise `unstated_u95`."""
        values = {item.feature: item.value for item in self.region.evidence}
        if feature not in values:
            return None
        return Measure(value=values[feature], u95=max(values.get(f"{feature}_u95", unstated_u95), 0.0))


@dataclass(frozen=True)
class Joint:
    """A joint found on a wire: a splice, or an earlier-repair region in which no splice was told apart.

    Distances are a ruler's where somebody read one; `seen` ones are the photograph's. no_distance : as of a spot
    """

    ref: str
    photo: int
    wire: str | None
    origin: str
    to_termination_mm: Measure | None
    to_next_mm: Measure | None
    spot: str | None
    at_px: tuple[float, float] | None = None
    seen_to_termination_mm: Measure | None = None
    seen_to_next_mm: Measure | None = None
    no_distance: str = ""

    @property
    def certain(self) -> bool:
        """Whether it is known to be a repair."""
        return self.origin == "repair"


@dataclass(frozen=True)
class Shell:
    """A housing. seen_as : as of a spot"""

    ref: str
    photo: int
    housing: Housing
    seen_as: str = ""


def meets(spot: Spot, shell: Shell) -> bool:
    """Whether a place lies on a housing."""
    return overlap(spot.region.rings_px, shell.housing.rings_px)


def overlap(one: Iterable[Ring], other: Iterable[Ring]) -> bool:
    """Whether the bounding boxes of two outlines meet; px, x right, y down."""
    a, b = _box(one), _box(other)
    if a is None or b is None:
        return False
    return a[0] <= b[2] and b[0] <= a[2] and a[1] <= b[3] and b[1] <= a[3]


def centre(rings: Iterable[Ring]) -> tuple[float, float] | None:
    """The middle of an outline's box, px; None without points."""
    box = _box(rings)
    return None if box is None else ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)


def _box(rings: Iterable[Ring]) -> tuple[float, float, float, float] | None:
    points = [point for ring in rings for point in ring]
    if not points:
        return None
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def is_own(region: Region) -> bool:
    """Whether the region carries for sure a label that a shop added, which no rule knows."""
    return region.label is not None and region.label not in LABELS and not region.unsure and not region.novel


def possible_labels(region: Region) -> tuple[str, ...]:
    """Every label the region may carry, in contract order: its own when sure, else its candidates, else any damage.

    A label that a shop added is none that a rule knows: it may be any damage, until somebody says how to treat it.
    """
    if region.label is not None and region.label not in LABELS:
        return DAMAGE_LABELS
    if region.label is not None and not region.unsure and not region.novel:
        return (region.label,)
    named = set(region.candidates) | ({region.label} if region.label else set())
    if region.novel or not named:
        named |= set(DAMAGE_LABELS)
    return tuple(label for label in LABELS if label in named)


def ends_known(spot: Spot, answers: Answers) -> bool | None:
    """Whether both ends of every wire of the region are known: the answer, else the traced wires; None: not known."""
    answered = answer_for(answers.both_ends_identified, spot.ref)
    if answered is not None:
        return answered
    affected = spot.region.wires_affected
    if affected is None or not spot.wires or len(spot.wires) < affected.high:
        return None
    traced = all(len(wire.ends) == 2 and None not in wire.ends for wire in spot.wires)
    return True if traced else None
