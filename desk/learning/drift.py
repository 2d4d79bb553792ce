"""Has what the desk sees moved away from what its model learnt from? Photographs, features and labels, week by week."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.stats import chi2_contingency, mannwhitneyu

MOVED_SD = 0.8
"""A shift of the median by so many standard deviations of the baseline is worth a warning, if it is no chance."""
ALPHA = 0.01
LEAST_PHOTOS = 8
"""A week with fewer photographs tells nothing."""


@dataclass(frozen=True)
class Summary:
    """One photograph as numbers. values : named; label : what it was answered with; week : Monday of its week."""

    week: date
    values: dict[str, float]
    label: str | None


@dataclass(frozen=True)
class Moved:
    """A value that moved. shift_sd : in standard deviations of the baseline; p : after Holm's correction."""

    name: str
    usual: float
    now: float
    shift_sd: float
    p: float


@dataclass(frozen=True)
class Week:
    """One week against the baseline. moved : what moved, most first; labels_p : of a label mix as different by chance;
    told : False where the week has too few photographs."""

    week: date
    photographs: int
    moved: tuple[Moved, ...]
    labels_p: float | None
    told: bool

    @property
    def warns(self) -> bool:
        """Whether the analyst should look."""
        return bool(self.moved) or (self.labels_p is not None and self.labels_p < ALPHA)


def weeks_against(baseline: Sequence[Summary], photos: Sequence[Summary]) -> list[Week]:
    """Every week of the photographs against the baseline, newest first."""
    by_week: dict[date, list[Summary]] = {}
    for one in photos:
        by_week.setdefault(one.week, []).append(one)
    return [_week(week, baseline, by_week[week]) for week in sorted(by_week, reverse=True)]


def _week(week: date, baseline: Sequence[Summary], mine: Sequence[Summary]) -> Week:
    if len(mine) < LEAST_PHOTOS or len(baseline) < LEAST_PHOTOS:
        return Week(week, len(mine), (), None, False)
    names = sorted({name for one in baseline for name in one.values} & {name for one in mine for name in one.values})
    tests = [_test(name, baseline, mine) for name in names]
    moved = [m for m in holm([t for t in tests if t is not None]) if m.p < ALPHA and abs(m.shift_sd) >= MOVED_SD]
    return Week(week, len(mine), tuple(sorted(moved, key=lambda m: -abs(m.shift_sd))), _labels_p(baseline, mine), True)


def _test(name: str, baseline: Sequence[Summary], mine: Sequence[Summary]) -> Moved | None:
    before = np.array([s.values[name] for s in baseline if name in s.values])
    after = np.array([s.values[name] for s in mine if name in s.values])
    if len(before) < LEAST_PHOTOS or len(after) < LEAST_PHOTOS:
        return None
    spread = float(before.std())
    usual, now = float(np.median(before)), float(np.median(after))
    # what never varied moves by any change at all
    shift = (now - usual) / (spread or abs(now - usual) / 9 or 1.0)
    p = float(mannwhitneyu(before, after).pvalue) if len(np.unique(np.concatenate([before, after]))) > 1 else 1.0
    return Moved(name, usual, now, float(shift), p)


def holm(tests: Sequence[Moved]) -> list[Moved]:
    """The same with p corrected for their number (Holm 1979)."""
    order = sorted(range(len(tests)), key=lambda i: tests[i].p)
    out: dict[int, Moved] = {}
    worst = 0.0
    for rank, i in enumerate(order):
        worst = max(worst, min(1.0, tests[i].p * (len(tests) - rank)))
        one = tests[i]
        out[i] = Moved(one.name, one.usual, one.now, one.shift_sd, worst)
    return [out[i] for i in range(len(tests))]


def _labels_p(baseline: Sequence[Summary], mine: Sequence[Summary]) -> float | None:
    """p of the chi-square test that both label mixes are one; None where there is only one label."""
    counts = [Counter(s.label or "none" for s in group) for group in (baseline, mine)]
    names = sorted(set(counts[0]) | set(counts[1]))
    if len(names) < 2:
        return None
    return float(chi2_contingency([[count[name] for name in names] for count in counts]).pvalue)
