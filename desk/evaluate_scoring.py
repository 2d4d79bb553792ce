"""Scores one answer against its truth: everything the figures are computed from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from desk.evaluate_match import match_regions, match_wires
from models.repair import route_rank
from sample_images.truth import Truth
from vision.findings import Measure, PhotoFindings, Region

MEASURE_KINDS = ("length", "area", "exposed_copper", "to_termination", "wire_diameter", "splice_to_termination")


@dataclass(frozen=True)
class Compared:
    """One true value and what was measured of it; `measured` is None where no measure was given."""

    kind: str
    true: float
    measured: float | None
    u95: float | None = None
    low_bound: bool = False

    @property
    def covered(self) -> bool | None:
        """Whether the true value lies within measured ± U95 (above its lower end for a lower bound)."""
        if self.measured is None or self.u95 is None:
            return None
        if self.low_bound:
            return self.true >= self.measured - self.u95
        return abs(self.true - self.measured) <= self.u95


@dataclass(frozen=True)
class WireCount:
    """How many wires a damage touches: truly, and as answered with its interval."""

    true: int
    value: int
    low: int
    high: int


@dataclass(frozen=True)
class Score:
    """What one photograph adds to the figures."""

    name: str
    measurable: bool  # the truth says that the photograph can be answered
    has_scale: bool
    true_label: str
    label: str | None
    leading_p: float | None
    leading_right: bool
    usable: bool
    answered: bool
    true_route: str
    route: str | None
    unsafe: bool
    too_grave: bool  # answered with a graver route than the truth's: safe, and costs an assembly or a repair
    regions: int
    regions_found: int
    regions_right_label: int
    regions_false: int
    wires: int
    wires_matched: int
    colours_right: int
    bases_right: int  # the ground colour, whatever the stripe
    compared: list[Compared] = field(default_factory=list)
    region_sets: list[tuple[str, list[str]]] = field(default_factory=list)  # of found regions: true label, labels left
    wire_counts: list[WireCount] = field(default_factory=list)  # of found regions on wires
    seconds: float | None = None
    decode_seconds: float | None = None

    @property
    def cost(self) -> float:
        """Order of badness for the page of mistakes; 0 when nothing is wrong."""
        wrong_label = self.measurable and self.label != self.true_label
        return (
            100.0 * self.unsafe
            + 5.0 * self.too_grave
            + 10.0 * wrong_label * (0.5 + (self.leading_p or 0.0) * (self.label is not None))
            + 2.0 * (self.regions - self.regions_found)
            + 1.0 * self.regions_false
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def score(
    truth: Truth,
    true: PhotoFindings,
    findings: PhotoFindings | None,
    seconds: float,
    decode_seconds: float | None,
) -> Score:
    """Score `findings` (None: the photograph could not be read) against the truth and the findings made of it."""
    assert true.decision is not None and true.label is not None
    base: dict[str, Any] = {
        "name": truth.photo,
        "measurable": truth.usable,
        "has_scale": truth.mat is not None,
        "true_label": true.label,
        "true_route": true.decision.route,
        "regions": len(truth.regions),
        "wires": len(truth.wires),
    }
    if findings is None:
        return Score(**base, **_NO_ANSWER, compared=list(_compare_regions(truth, None, {})))
    pairs, false = match_regions(truth, findings)
    wire_pairs = match_wires(truth, findings.wires)
    said = max(findings.probabilities, key=lambda name: findings.probabilities[name], default=None)
    answered = is_answered(findings, true)
    return Score(
        **base,
        label=findings.label if findings.usable else None,
        leading_p=findings.probabilities[said] if said is not None else None,
        leading_right=said == true.label,
        usable=findings.usable,
        answered=answered,
        route=findings.decision.route if findings.decision else None,
        unsafe=answered and is_milder(findings, true),
        too_grave=answered and is_graver(findings, true),
        regions_found=len(pairs),
        regions_right_label=sum(truth.regions[i].label == findings.regions[j].label for i, j in pairs),
        regions_false=len(false),
        wires_matched=len(wire_pairs),
        colours_right=sum(truth.wires[i].colour == findings.wires[j].colour for i, j in wire_pairs),
        region_sets=[(truth.regions[i].label, _labels_left(findings.regions[j])) for i, j in pairs],
        bases_right=sum(_base(truth.wires[i].colour) == _base(findings.wires[j].colour) for i, j in wire_pairs),
        wire_counts=[
            WireCount(truth.regions[i].wires_affected, c.value, c.low, c.high)
            for i, j in pairs
            if truth.regions[i].label != "connector" and (c := findings.regions[j].wires_affected) is not None
        ],
        compared=[
            *_compare_regions(truth, findings, dict(pairs)),
            *_compare_wires(truth, findings, wire_pairs),
            *_compare_splices(truth, findings),
        ],
        seconds=seconds,
        decode_seconds=decode_seconds,
    )


_NO_ANSWER: dict[str, Any] = {
    "label": None,
    "leading_p": None,
    "leading_right": False,
    "usable": False,
    "answered": False,
    "route": None,
    "unsafe": False,
    "too_grave": False,
    "regions_found": 0,
    "regions_right_label": 0,
    "regions_false": 0,
    "wires_matched": 0,
    "colours_right": 0,
    "bases_right": 0,
}


def _base(colour: str | None) -> str | None:
    return None if colour is None else colour.split("/")[0]


def _labels_left(region: Region) -> list[str]:
    """The labels among which the answer could not tell, or the one that it gave; none where it is novel."""
    return region.candidates or ([region.label] if region.label else [])


def is_answered(findings: PhotoFindings, true: PhotoFindings) -> bool:
    """Usable, not unsure, not novel, and no route left undecided that a perfect reading of the photograph decides."""
    if not findings.usable or findings.unsure or findings.novel or findings.decision is None:
        return False
    assert true.decision is not None
    return findings.decision.route != "undecided" or true.decision.route == "undecided"


def is_milder(findings: PhotoFindings, true: PhotoFindings) -> bool:
    """Whether the route is milder than the truth's; where the truth leaves it open, than the truth's worst."""
    return _rank_beyond_truth(findings, true) < 0


def is_graver(findings: PhotoFindings, true: PhotoFindings) -> bool:
    """Whether the route is graver than the truth's; where the truth leaves it open, than the truth's worst."""
    return _rank_beyond_truth(findings, true) > 0


def _rank_beyond_truth(findings: PhotoFindings, true: PhotoFindings) -> int:
    """By how many ranks the route lies beyond what the truth allows; 0 for an undecided one."""
    assert true.decision is not None and findings.decision is not None
    if findings.decision.route == "undecided":
        return 0
    allowed = true.decision.route_worst if true.decision.route == "undecided" else true.decision.route
    return route_rank(findings.decision.route) - route_rank(allowed)


def _compared(kind: str, true: float, measure: Measure | None) -> Compared:
    if measure is None:
        return Compared(kind, true, None)
    return Compared(kind, true, measure.value, measure.u95, measure.low_bound)


def _compare_regions(truth: Truth, findings: PhotoFindings | None, pairs: dict[int, int]) -> Iterator[Compared]:
    """Every measure that the truth has of a region, whether the region was found or not."""
    for i, region in enumerate(truth.regions):
        got = findings.regions[pairs[i]] if findings is not None and i in pairs else None
        true_values = {
            "length": region.length_mm,
            "area": region.area_mm2,
            "exposed_copper": region.exposed_copper_mm,
            "to_termination": region.to_termination_mm,
        }
        measures = {
            "length": got.length_mm if got else None,
            "area": got.area_mm2 if got else None,
            "exposed_copper": got.exposed_copper_mm if got else None,
            "to_termination": got.to_termination_mm if got else None,
        }
        for kind, value in true_values.items():
            if value is not None:
                yield _compared(kind, value, measures[kind])


def _compare_wires(truth: Truth, findings: PhotoFindings, pairs: list[tuple[int, int]]) -> Iterator[Compared]:
    for i, j in pairs:
        yield _compared("wire_diameter", truth.wires[i].diameter_mm, findings.wires[j].diameter_mm)


def _compare_splices(truth: Truth, findings: PhotoFindings) -> Iterator[Compared]:
    """The nearest answered splice within half the true sleeve's length stands for it."""
    for splice in truth.splices:
        if splice.to_termination_mm is None:
            continue
        x, y = splice.position_px
        reach = max(splice.length_mm / 2, 10.0) / truth.mm_per_px_centre
        distances = [(((s.position_px[0] - x) ** 2 + (s.position_px[1] - y) ** 2) ** 0.5, s) for s in findings.splices]
        near = [(d, s) for d, s in distances if d <= reach]
        got = min(near, key=lambda pair: pair[0])[1] if near else None
        yield _compared("splice_to_termination", splice.to_termination_mm, got.to_termination_mm if got else None)
