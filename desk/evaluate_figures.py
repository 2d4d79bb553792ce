"""The figures of an evaluation, each as defined once, with its 95 % interval and its target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from desk.evaluate_scoring import MEASURE_KINDS, Score
from desk.statistics import (
    NOTHING,
    CalibrationBin,
    Estimate,
    bootstrap,
    calibration_bins,
    ece,
    ece_bias_corrected,
    macro_f1,
    median_of_groups,
    wilson,
)

NO_ANSWER = "no answer"
PLAIN_ECE_FROM = 1000
MIN_PRESENCE = 0.95
COVERAGE_FROM = 400
"""Fewer cases cannot tell a right U95 from a wrong one: no verdict on coverage then."""
SCALED_KINDS = ("length", "to_termination")
"""Kinds whose presence is counted only on photographs with a mat: without one there is no scale to measure by."""


@dataclass(frozen=True)
class Figure:
    """One figure, its target in words, and whether the value reaches it (None: nothing measured, or no target).

    share : of a count, said beside it with its interval
    in_count : whether it is such a share, which people read in the row of its count
    """

    key: str
    name: str
    estimate: Estimate
    unit: str
    target: str
    reached: bool | None
    share: Estimate | None = None
    in_count: bool = False

    def say_value(self) -> str:
        """The value as people read it."""
        if self.estimate.value is None:
            return "–"
        of = "" if self.share is None or self.share.value is None else f" ({_say(self.share.value, '%')})"
        return _say(self.estimate.value, self.unit) + of

    def say_interval(self) -> str:
        """The interval as people read it."""
        estimate, unit = (self.estimate, self.unit) if self.share is None else (self.share, "%")
        if estimate.low is None or estimate.high is None:
            return "–"
        return f"{_say(estimate.low, unit)} to {_say(estimate.high, unit)}"

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        e = self.estimate
        return {
            "key": self.key,
            "name": self.name,
            "value": e.value,
            "low": e.low,
            "high": e.high,
            "n": e.n,
            "unit": self.unit,
            "target": self.target,
            "reached": self.reached,
        }


def _say(value: float, unit: str) -> str:
    if unit == "%":
        return f"{100 * value:.1f} %"
    if unit == "count":
        return f"{value:.1f}".removesuffix(".0")
    return f"{value:.3f}".rstrip("0").rstrip(".") + (f" {unit}" if unit else "")


def all_figures(scores: Sequence[Score]) -> list[Figure]:
    """Every figure over these photographs."""
    measurable = [s for s in scores if s.measurable]
    return [
        *_label_figures(measurable),
        *_region_figures(scores, measurable),
        *_error_figures(measurable),
        *_presence_figures(measurable),
        *_coverage_figures(measurable),
        *_count_figures(measurable),
        *_wire_figures(measurable),
        *_time_figures(scores),
    ]


def _at_least(key: str, name: str, estimate: Estimate, unit: str, limit: float, target: str) -> Figure:
    return Figure(key, name, estimate, unit, target, None if estimate.value is None else estimate.value >= limit)


def _at_most(key: str, name: str, estimate: Estimate, unit: str, limit: float, target: str) -> Figure:
    return Figure(key, name, estimate, unit, target, None if estimate.value is None else estimate.value <= limit)


def _label_figures(scores: Sequence[Score]) -> list[Figure]:
    f1 = bootstrap(scores, lambda drawn: macro_f1([(s.true_label, s.label) for s in drawn]))
    unsafe = wilson(sum(s.unsafe for s in scores), len(scores))
    grave = wilson(sum(s.too_grave for s in scores), len(scores))
    mild_words, grave_words = "unsafe routes (answered and milder than the truth)", "routes graver than the truth"
    answered = wilson(sum(s.answered for s in scores), len(scores))
    return [
        _at_least("macro_f1", "leading label, macro-F1 over the labels present", f1, "", 0.95, "≥ 0.95"),
        replace(_at_most("unsafe_routes", mild_words, _times(unsafe), "count", 0, "0"), share=unsafe),
        Figure("unsafe_share", "share of unsafe routes", unsafe, "%", "", None, in_count=True),
        Figure("too_grave_routes", f"{grave_words} (answered)", _times(grave), "count", "", None, share=grave),
        Figure("too_grave_share", f"share of {grave_words}", grave, "%", "", None, in_count=True),
        _at_least("answered", "answered", answered, "%", 0.90, "≥ 90 %"),
        _calibration_figure(scores),
    ]


def _times(share: Estimate) -> Estimate:
    """The share as a count of its n, interval and all."""
    if share.value is None or share.low is None or share.high is None:
        return NOTHING
    n = share.n
    return Estimate(share.value * n, share.low * n, share.high * n, n)


def _calibration_figure(scores: Sequence[Score]) -> Figure:
    said = [s for s in scores if s.leading_p is not None]
    statistic = ece if len(said) >= PLAIN_ECE_FROM else ece_bias_corrected
    value = bootstrap(said, lambda drawn: statistic([s.leading_p for s in drawn], [s.leading_right for s in drawn]))
    how = "" if statistic is ece else ", bias-corrected"
    return _at_most("ece", f"calibration, ECE of the leading label, 10 bins{how}", value, "", 0.03, "≤ 0.03")


def calibration(scores: Sequence[Score]) -> list[CalibrationBin]:
    """Bins of the calibration curve: probability of the leading label against how often it was right."""
    said = [s for s in scores if s.measurable and s.leading_p is not None]
    return calibration_bins([s.leading_p or 0.0 for s in said], [s.leading_right for s in said])


def confusion(scores: Sequence[Score]) -> tuple[list[str], list[tuple[str, list[int]]]]:
    """Answered labels (columns, the last one no answer) and, per true label, how often each was answered."""
    measurable = [s for s in scores if s.measurable]
    columns = [*sorted({s.true_label for s in measurable} | {s.label for s in measurable if s.label}), NO_ANSWER]
    rows = []
    for true in sorted({s.true_label for s in measurable}):
        got = [s.label or NO_ANSWER for s in measurable if s.true_label == true]
        rows.append((true, [got.count(column) for column in columns]))
    return columns, rows


def _region_figures(scores: Sequence[Score], measurable: Sequence[Score]) -> list[Figure]:
    n = sum(s.regions for s in measurable)
    found = wilson(sum(s.regions_found for s in measurable), n)
    false = bootstrap([s.regions_false for s in scores], lambda drawn: float(np.mean(drawn)))
    named = wilson(sum(s.regions_right_label for s in measurable), sum(s.regions_found for s in measurable))
    return [
        _at_least("regions_found", "regions found", found, "%", 0.95, "≥ 95 %"),
        _at_most("false_regions", "false regions per photograph", false, "", 0.1, "≤ 0.1"),
        Figure("region_labels", "regions found that carry the right label", named, "%", "", None),
    ]


def _errors(scores: Sequence[Score], kind: str, relative: bool) -> Estimate:
    """Median |measured - true| (of the true value), drawn by photograph; lower bounds are no measured lengths."""
    groups = [
        [
            abs(c.measured - c.true) / (c.true if relative else 1.0)
            for c in s.compared
            if c.kind == kind and c.measured is not None and not c.low_bound and (c.true > 0 or not relative)
        ]
        for s in scores
    ]
    return median_of_groups(groups)


def _error_figures(scores: Sequence[Score]) -> list[Figure]:
    length, distance = _errors(scores, "length", True), _errors(scores, "to_termination", False)
    return [
        _at_most("length_error", "length along the wire, median relative error", length, "%", 0.03, "≤ 3 %"),
        _at_most("distance_error", "distance to termination, median error", distance, "mm", 3.0, "≤ 3 mm"),
    ]


def _presence_figures(scores: Sequence[Score]) -> list[Figure]:
    """A measure must be there in 95 % of the cases where the truth has one and a mat gives the scale."""
    figures = []
    for kind in SCALED_KINDS:
        cases = [c for s in scores if s.has_scale for c in s.compared if c.kind == kind]
        share = wilson(sum(c.measured is not None for c in cases), len(cases))
        name = f"{kind.replace('_', ' ')} measured where the truth has it and a mat lies in the picture"
        figures.append(_at_least(f"presence_{kind}", name, share, "%", MIN_PRESENCE, "≥ 95 %"))
    return figures


def _coverage_figures(scores: Sequence[Score]) -> list[Figure]:
    figures = []
    for kind in MEASURE_KINDS:
        covered = [c.covered for s in scores for c in s.compared if c.kind == kind and c.covered is not None]
        share = wilson(sum(covered), len(covered))
        reached = _contains_95(share)
        name = f"true value within U95: {kind.replace('_', ' ')}"
        figures.append(Figure(f"coverage_{kind}", name, share, "%", "interval contains 95 %, n ≥ 400", reached))
    return figures


def _count_figures(scores: Sequence[Score]) -> list[Figure]:
    """Of wires that found damages touch: how often the interval holds the truth, how far the count is off."""
    counts = [c for s in scores for c in s.wire_counts]
    held = wilson(sum(c.low <= c.true <= c.high for c in counts), len(counts))
    off = median_of_groups([[float(abs(c.value - c.true)) for c in s.wire_counts] for s in scores])
    return [
        Figure("count_within", "true number of wires touched within its interval", held, "%", "", None),
        Figure("count_error", "number of wires touched, median error", off, "wires", "", None),
    ]


def _contains_95(share: Estimate) -> bool | None:
    if share.n < COVERAGE_FROM or share.low is None or share.high is None:
        return None
    return share.low <= 0.95 <= share.high


def _wire_figures(scores: Sequence[Score]) -> list[Figure]:
    diameter = _errors(scores, "wire_diameter", False)
    matched = sum(s.wires_matched for s in scores)
    colour = wilson(sum(s.colours_right for s in scores), matched)
    base = wilson(sum(s.bases_right for s in scores), matched)
    traced = wilson(matched, sum(s.wires for s in scores))
    return [
        _at_most("diameter_error", "wire diameter, median error", diameter, "mm", 0.1, "≤ 0.1 mm"),
        _at_least("colour_right", "wire colour code right, of the wires traced", colour, "%", 0.95, "≥ 95 %"),
        Figure(
            "base_colour_right", "ground colour right, whatever the stripe, of the wires traced", base, "%", "", None
        ),
        Figure("wires_traced", "true wires that a trace follows", traced, "%", "", None),
    ]


def _time_figures(scores: Sequence[Score]) -> list[Figure]:
    timed = [s for s in scores if s.seconds is not None]
    seconds = bootstrap([s.seconds for s in timed], lambda drawn: float(np.mean(drawn)))
    ratios = [s.seconds / s.decode_seconds for s in timed if s.seconds and s.decode_seconds]
    times = bootstrap(ratios, lambda drawn: float(np.median(drawn)))
    return [
        Figure("seconds", "seconds per photograph, mean", seconds, "s", "", None),
        Figure("times_decode", "times the decoding of the picture, median", times, "", "", None),
    ]
