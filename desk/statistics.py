"""The statistics of an evaluation: shares, medians and scores, each with its 95 % interval."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

Z95 = 1.959963984540054
"""Two-sided 95 % quantile of the normal distribution."""

_RESAMPLES = 1000


class StatisticsError(ValueError):
    """Numbers from which the statistic cannot be computed."""


@dataclass(frozen=True)
class Estimate:
    """A figure with its 95 % interval and the number of cases behind it; all None when there was no case."""

    value: float | None
    low: float | None
    high: float | None
    n: int


NOTHING = Estimate(None, None, None, 0)


def wilson(hits: int, n: int) -> Estimate:
    """Share `hits / n` with the Wilson score interval (Wilson 1927; no continuity correction)."""
    if not 0 <= hits <= n:
        raise StatisticsError(f"expected 0 <= hits <= n, got {hits} hits of {n}: count again")
    if n == 0:
        return NOTHING
    share = hits / n
    denominator = 1 + Z95**2 / n
    middle = (share + Z95**2 / (2 * n)) / denominator
    half = Z95 / denominator * math.sqrt(share * (1 - share) / n + Z95**2 / (4 * n**2))
    low = 0.0 if hits == 0 else max(0.0, middle - half)
    high = 1.0 if hits == n else min(1.0, middle + half)
    return Estimate(share, low, high, n)


def bootstrap(
    groups: Sequence[object], statistic: Callable[[Sequence], float | None], n_cases: int | None = None, seed: int = 0
) -> Estimate:
    """`statistic` of the groups with its percentile bootstrap interval; whole groups (photographs) are drawn.

    Draws for which the statistic is None (nothing to compute from) are left out.
    """
    value = statistic(groups) if groups else None
    n = len(groups) if n_cases is None else n_cases
    if value is None:
        return Estimate(None, None, None, n)
    rng = np.random.default_rng(seed)
    draws = []
    for _ in range(_RESAMPLES):
        picked = [groups[i] for i in rng.integers(0, len(groups), len(groups))]
        drawn = statistic(picked)
        if drawn is not None:
            draws.append(drawn)
    low, high = np.quantile(draws, [0.025, 0.975])
    return Estimate(float(value), float(low), float(high), n)


def median_of_groups(groups: Sequence[Sequence[float]]) -> Estimate:
    """Median over all values with a bootstrap interval; values of one group (photograph) are drawn together."""
    filled = [list(group) for group in groups if len(group)]

    def median(picked: Sequence[Sequence[float]]) -> float:
        return float(np.median(np.concatenate([np.asarray(g, float) for g in picked])))

    return bootstrap(filled, median, n_cases=sum(len(g) for g in filled))


def macro_f1(pairs: Sequence[tuple[str, str | None]]) -> float | None:
    """Mean F1 over the labels present in the truth. `pairs`: (true label, answered label or None for no answer)."""
    scores = list(f1_by_label(pairs).values())
    return sum(scores) / len(scores) if scores else None


def f1_by_label(pairs: Sequence[tuple[str, str | None]]) -> dict[str, float]:
    """F1 of each label present in the truth: 2 tp / (2 tp + fp + fn)."""
    scores = {}
    for label in sorted({true for true, _ in pairs}):
        hit = sum(true == label and got == label for true, got in pairs)
        false = sum(true != label and got == label for true, got in pairs)
        missed = sum(true == label and got != label for true, got in pairs)
        scores[label] = 2 * hit / (2 * hit + false + missed)
    return scores


@dataclass(frozen=True)
class CalibrationBin:
    """One bin of the calibration curve: probabilities in (low, high], what was said and what came true."""

    low: float
    high: float
    n: int
    said: float
    came_true: float


def calibration_bins(said: Sequence[float], came_true: Sequence[bool], bins: int = 10) -> list[CalibrationBin]:
    """Equal-width bins over [0, 1] that hold at least one case; right edges closed, 0 falls into the first bin."""
    p = np.asarray(said, float)
    y = np.asarray(came_true, float)
    if p.shape != y.shape:
        raise StatisticsError(f"expected as many outcomes as probabilities, got {y.size} and {p.size}")
    if p.size and not (np.all(p >= 0) and np.all(p <= 1)):
        raise StatisticsError(f"expected probabilities in 0..1, got {p.min():g} to {p.max():g}")
    index = np.clip(np.ceil(p * bins - 1e-12).astype(int) - 1, 0, bins - 1)
    filled = []
    for b in range(bins):
        inside = index == b
        if inside.any():
            said_mean, true_mean = float(p[inside].mean()), float(y[inside].mean())
            filled.append(CalibrationBin(b / bins, (b + 1) / bins, int(inside.sum()), said_mean, true_mean))
    return filled


def ece(said: Sequence[float], came_true: Sequence[bool], bins: int = 10) -> float | None:
    """Expected calibration error: mean over cases of |said - came true| per bin (Naeini, Cooper, Hauskrecht 2015)."""
    filled = calibration_bins(said, came_true, bins)
    n = sum(b.n for b in filled)
    return sum(b.n * abs(b.said - b.came_true) for b in filled) / n if n else None


def ece_bias_corrected(said: Sequence[float], came_true: Sequence[bool], bins: int = 10) -> float | None:
    """ECE less its small-sample bias, not below 0.

    A perfectly calibrated model has a positive ECE by chance. As in Kumar, Liang, Ma (2019, "Verified uncertainty
    calibration", L1 form): the share come true of each bin is taken as normal about what was counted, and the excess
    of the mean of |said - share| over the plain value is subtracted. Here in closed form (folded normal), not by
    drawing; and the variance uses the share shrunk to (hits + 1) / (n + 2), so that a bin of one case has some.
    """
    filled = calibration_bins(said, came_true, bins)
    n = sum(b.n for b in filled)
    if not n:
        return None
    total = 0.0
    for b in filled:
        gap = abs(b.said - b.came_true)
        share = (b.came_true * b.n + 1) / (b.n + 2)
        total += b.n * (2 * gap - _folded_normal_mean(gap, math.sqrt(share * (1 - share) / b.n)))
    return max(0.0, total / n)


def _folded_normal_mean(mean: float, sd: float) -> float:
    """Mean of |X| for normal X (Leone, Nelson, Nottingham 1961)."""
    tail = mean * math.erf(mean / (sd * math.sqrt(2)))
    return sd * math.sqrt(2 / math.pi) * math.exp(-(mean**2) / (2 * sd**2)) + tail


@dataclass(frozen=True)
class McNemar:
    """Whether two answers to the same cases differ in how often they are right.

    only_first, only_second : cases that one got right and the other wrong; chi2 : without continuity correction;
    exact_p : two-sided binomial; mid_p : the same, half the weight of what was seen (Fagerland, Lydersen, Laake 2013)
    """

    only_first: int
    only_second: int
    chi2: float | None
    exact_p: float
    mid_p: float


def mcnemar(only_first: int, only_second: int) -> McNemar:
    """McNemar's test (1947) of the cases on which two answers differ; without any they do not differ."""
    n = only_first + only_second
    if min(only_first, only_second) < 0:
        raise StatisticsError(f"expected counts of 0 or more, got {only_first} and {only_second}: count again")
    if n == 0:
        return McNemar(0, 0, None, 1.0, 1.0)
    few = min(only_first, only_second)
    at = [math.comb(n, k) / 2**n for k in range(few + 1)]
    exact = min(1.0, 2 * sum(at))
    return McNemar(only_first, only_second, (only_first - only_second) ** 2 / n, exact, min(1.0, exact - at[-1]))
