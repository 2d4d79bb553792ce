"""How an evaluation's doubt pays: error against the share answered, and whether the sets of labels hold the truth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from desk.evaluate_scoring import Score
from desk.statistics import Estimate, wilson
from models.damage.namer import MISCOVERAGE

SET_COVERAGE = 1 - MISCOVERAGE
"""What the sets of labels promise, for each label by itself (class-conditional split conformal)."""


@dataclass(frozen=True)
class SelectivePoint:
    """If only photographs at or above ``threshold`` were answered: the share answered and the errors among them."""

    threshold: float
    answered: float
    error: Estimate


def selective_curve(scores: Sequence[Score]) -> list[SelectivePoint]:
    """Error among the answered against the share answered, surest photographs first.

    One point for each probability that occurs: photographs with the same probability are answered together, or the
    order within them would decide.
    """
    said = sorted(
        ((s.leading_p, s.leading_right) for s in scores if s.measurable and s.leading_p is not None), reverse=True
    )
    points, wrong = [], 0
    for k, (p, right) in enumerate(said, 1):
        wrong += not right
        if k == len(said) or said[k][0] < p:
            points.append(SelectivePoint(p, k / len(said), wilson(wrong, k)))
    return points


def area_under(points: Sequence[SelectivePoint]) -> float | None:
    """Mean error over all shares answered (area under the risk-coverage curve; Geifman, El-Yaniv 2017).

    Steps: a point's error counts for the photographs that it added.
    """
    if not points:
        return None
    total, before = 0.0, 0.0
    for point in points:
        total += (point.answered - before) * (point.error.value or 0.0)
        before = point.answered
    return total


@dataclass(frozen=True)
class LabelSets:
    """The sets of labels given to found regions of one true label. held : share of the sets that hold it;
    sizes : how many sets of each size."""

    label: str
    held: Estimate
    sizes: dict[int, int]

    @property
    def mean_size(self) -> float:
        """Labels in a set, on average."""
        return sum(size * n for size, n in self.sizes.items()) / sum(self.sizes.values())

    @property
    def promised(self) -> bool | None:
        """Whether the promised coverage lies within the interval; None where too few cases could tell 90 from 70 %."""
        if self.held.n < 20 or self.held.low is None or self.held.high is None:
            return None
        return self.held.low <= SET_COVERAGE <= self.held.high or self.held.low > SET_COVERAGE


def label_sets(scores: Sequence[Score]) -> list[LabelSets]:
    """By true label, of the regions that were found: a missed region got no set."""
    out = []
    pairs = [pair for s in scores for pair in s.region_sets]
    for label in sorted({true for true, _ in pairs}):
        sets = [given for true, given in pairs if true == label]
        held = wilson(sum(label in given for given in sets), len(sets))
        out.append(LabelSets(label, held, dict(sorted(Counter(len(given) for given in sets).items()))))
    return out


def doubt_as_dict(scores: Sequence[Score]) -> dict[str, Any]:
    """Curve and sets as plain values for JSON."""
    points = selective_curve(scores)
    return {
        "answered_against_error": [asdict(point) for point in points],
        "area_under_error_curve": area_under(points),
        "label_sets": [
            asdict(sets) | {"mean_size": sets.mean_size, "promised": SET_COVERAGE} for sets in label_sets(scores)
        ],
    }
