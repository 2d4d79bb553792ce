"""Has what the desk sees moved away from what its model learnt from? Photographs, features and labels, week by week."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

# scipy.stats takes as long to import as all else here: it waits inside the functions that test something
MOVED_SD = 0.8
"""A shift of the median by so many standard deviations of the baseline is worth a warning, if it is no chance."""
ALPHA = 0.01
LEAST = 8
"""A week with fewer assemblies tells nothing: photographs of one lie on one bench under one lamp, and count once."""
_EXPECTED_LEAST = 5.0
"""Below, the chi-square distribution is a poor stand-in (W. G. Cochran, Biometrics 10, 1954; from memory)."""


@dataclass(frozen=True)
class Summary:
    """One photograph as numbers. values : named; label : what it was answered with; week : Monday of its week;
    assembly : which it shows, empty where each photograph counts by itself."""

    week: date
    values: dict[str, float]
    label: str | None
    assembly: str = ""


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
    """One week against the baseline. photographs, assemblies : without those of the baseline, of which the week has
    `of_baseline` photographs; moved : what moved, most first; labels_p : of a label mix as different by chance;
    told : False where the week has too few assemblies."""

    week: date
    photographs: int
    moved: tuple[Moved, ...]
    labels_p: float | None
    told: bool
    assemblies: int = 0
    of_baseline: int = 0

    @property
    def warns(self) -> bool:
        """Whether the analyst should look."""
        return bool(self.moved) or (self.labels_p is not None and self.labels_p < ALPHA)


@dataclass(frozen=True)
class Point:
    """A value in one week: median and quartiles over assemblies, and whether it moved."""

    week: date
    median: float
    low: float
    high: float
    moved: bool


@dataclass(frozen=True)
class Track:
    """A value over the weeks that tell something, oldest first, beside what is usual and how far that spreads."""

    name: str
    usual: float
    spread_sd: float
    points: tuple[Point, ...]


def weeks_against(baseline: Sequence[Summary], photos: Sequence[Summary]) -> list[Week]:
    """Every week against the baseline, newest first.

    photos : none of the baseline's, which would be held against themselves
    """
    usual, held, rest = once_each(baseline), _by_week(baseline), _by_week(photos)
    return [
        _week(week, usual, rest.get(week, []), len(held.get(week, []))) for week in sorted({*held, *rest}, reverse=True)
    ]


def tracks(
    weeks: Sequence[Week], baseline: Sequence[Summary], photos: Sequence[Summary], most: int = 12
) -> list[Track]:
    """What moved in one of the newest ``most`` weeks that tell something, over all of these; the widest move first."""
    told = [week for week in weeks if week.told][:most]
    by_week, usual = _by_week(photos), once_each(baseline)
    widest: dict[str, float] = {}
    for week in told:
        for m in week.moved:
            widest[m.name] = max(widest.get(m.name, 0.0), abs(m.shift_sd))
    return [_track(name, told[::-1], usual, by_week) for name in sorted(widest, key=lambda name: -widest[name])]


def _track(name: str, weeks: Sequence[Week], usual: Sequence[Summary], by_week: dict[date, list[Summary]]) -> Track:
    before, points = _values(name, usual), []
    for week in weeks:
        values = _values(name, once_each(by_week[week.week]))
        if len(values):
            low, median, high = np.quantile(values, [0.25, 0.5, 0.75]).tolist()
            points.append(Point(week.week, median, low, high, name in {m.name for m in week.moved}))
    return Track(name, float(np.median(before)), float(before.std()), tuple(points))


def label_shares(photos: Sequence[Summary]) -> dict[str, float]:
    """The share of each label, 0..1, an assembly counting once."""
    counts = Counter(one.label or "none" for one in once_each(photos))
    return {label: n / counts.total() for label, n in sorted(counts.items())}


def once_each(photos: Sequence[Summary]) -> list[Summary]:
    """Each assembly of a week once: the median of its photographs' values, and the commonest of their labels."""
    groups: dict[object, list[Summary]] = {}
    for number, one in enumerate(photos):
        groups.setdefault((one.week, one.assembly) if one.assembly else number, []).append(one)
    return [group[0] if len(group) == 1 else _together(group) for group in groups.values()]


def _together(group: Sequence[Summary]) -> Summary:
    names = {name: None for one in group for name in one.values}
    values = {name: float(np.median(_values(name, group))) for name in names}
    label = Counter(one.label for one in group).most_common(1)[0][0]
    return Summary(group[0].week, values, label, group[0].assembly)


def _by_week(photos: Sequence[Summary]) -> dict[date, list[Summary]]:
    found: dict[date, list[Summary]] = {}
    for one in photos:
        found.setdefault(one.week, []).append(one)
    return found


def _values(name: str, photos: Sequence[Summary]) -> np.ndarray:
    return np.array([one.values[name] for one in photos if name in one.values])


def _week(week: date, baseline: Sequence[Summary], photos: Sequence[Summary], of_baseline: int) -> Week:
    mine = once_each(photos)
    if len(mine) < LEAST or len(baseline) < LEAST:
        return Week(week, len(photos), (), None, False, len(mine), of_baseline)
    names = sorted({name for one in baseline for name in one.values} & {name for one in mine for name in one.values})
    tests = [_test(name, baseline, mine) for name in names]
    moved = [m for m in holm([t for t in tests if t is not None]) if m.p < ALPHA and abs(m.shift_sd) >= MOVED_SD]
    ordered = tuple(sorted(moved, key=lambda m: -abs(m.shift_sd)))
    return Week(week, len(photos), ordered, _labels_p(baseline, mine), True, len(mine), of_baseline)


def _test(name: str, baseline: Sequence[Summary], mine: Sequence[Summary]) -> Moved | None:
    from scipy.stats import mannwhitneyu

    before, after = _values(name, baseline), _values(name, mine)
    if len(before) < LEAST or len(after) < LEAST:
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
    """p of the chi-square test that both label mixes are one, by permutation where a label is too rare for its
    distribution to hold (fewer than five expected); None where there is only one label."""
    from scipy.stats import PermutationMethod, chi2_contingency
    from scipy.stats.contingency import expected_freq

    counts = [Counter(s.label or "none" for s in group) for group in (baseline, mine)]
    names = sorted(set(counts[0]) | set(counts[1]))
    if len(names) < 2:
        return None
    table = np.array([[count[name] for name in names] for count in counts])
    rare = expected_freq(table).min() < _EXPECTED_LEAST
    drawn = PermutationMethod(n_resamples=9999, rng=np.random.default_rng(0)) if rare else None
    return float(chi2_contingency(table, correction=False, method=drawn).pvalue)
