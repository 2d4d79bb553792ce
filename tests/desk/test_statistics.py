"""Statistics against published values, closed forms and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.statistics import (
    StatisticsError,
    bootstrap,
    calibration_bins,
    ece,
    ece_bias_corrected,
    f1_by_label,
    macro_f1,
    mcnemar,
    median_of_groups,
    wilson,
)


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_interval_is_the_published_one(hits, n, low, high):
    """Source: Newcombe 1998, Statistics in Medicine 17, two-sided intervals for a single proportion, method 3."""
    got = wilson(hits, n)
    assert got.value == pytest.approx(hits / n)
    assert (got.low, got.high) == (pytest.approx(low, abs=1e-4), pytest.approx(high, abs=1e-4))


def test_no_case_gives_no_share():
    """A share of nothing is absent, not 0."""
    assert wilson(0, 0).value is None


def test_more_hits_than_cases_is_refused():
    """A miscount cannot become a share."""
    with pytest.raises(StatisticsError, match="got 3 hits of 2"):
        wilson(3, 2)


SAID = [0.22, 0.64, 0.92, 0.42, 0.51, 0.15, 0.70, 0.37, 0.83]
TRUE = [0, 1, 0, 0, 0, 1, 1, 0, 1]


def test_ece_of_the_positive_class_matches_the_hand_computed_value():
    """3 bins (.22 .15), (.64 .42 .51 .37), (.92 .70 .83): (.63 + .94 + .45) / 9 by hand from the definition."""
    assert ece(SAID, TRUE, bins=3) == pytest.approx(0.22444, abs=1e-5)


def test_ece_against_rightness_matches_the_worked_example():
    """Source: a widely copied worked example of these nine cases, which holds p against whether p >= 0.5 was right."""
    right = [(p >= 0.5) == bool(y) for p, y in zip(SAID, TRUE, strict=True)]
    assert ece(SAID, right, bins=3) == pytest.approx(0.23778, abs=1e-5)


def test_ece_of_the_top_label_matches_the_hand_computed_value():
    """Bins (.64 .58 .51 .63; 3 right), (.78 .92 .85 .70 .83; 3 right): (4 * .16 + 5 * .216) / 9 by hand."""
    confidence = [max(p, 1 - p) for p in SAID]
    right = [(p >= 0.5) == bool(y) for p, y in zip(SAID, TRUE, strict=True)]
    assert ece(confidence, right, bins=3) == pytest.approx((4 * 0.16 + 5 * 0.216) / 9)


def test_bias_correction_takes_a_calibrated_model_near_zero():
    """Simulation of a perfectly calibrated model, 60 cases: the plain ECE is well above 0, the corrected far nearer."""
    rng = np.random.default_rng(1)
    plain, corrected = [], []
    for _ in range(200):
        p = rng.uniform(0.3, 1, 60)
        y = rng.random(60) < p
        plain.append(ece(p, y))
        corrected.append(ece_bias_corrected(p, y))
    assert np.mean(plain) > 0.08
    assert np.mean(corrected) < 0.65 * np.mean(plain)


def test_bias_correction_keeps_a_large_true_error():
    """A model that always says 0.9 and is right half the time is 0.4 off, corrected or not."""
    said, right = [0.9] * 400, [True, False] * 200
    assert ece(said, right) == pytest.approx(0.4)
    assert ece_bias_corrected(said, right) == pytest.approx(0.4, abs=0.01)


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=50))
def test_every_case_lies_in_exactly_one_bin(cases):
    """Bins partition the cases, and each mean lies inside its bin."""
    bins = calibration_bins([p for p, _ in cases], [y for _, y in cases])
    assert sum(b.n for b in bins) == len(cases)
    assert all(b.low - 1e-9 <= b.said <= b.high + 1e-9 for b in bins)


def test_macro_f1_counts_a_missing_answer_as_wrong():
    """Rodent: one hit, one missed, one false (F1 2/4); sound: one hit, one missed (F1 2/3)."""
    pairs = [("rodent", "rodent"), ("rodent", None), ("sound", "sound"), ("sound", "rodent")]
    assert f1_by_label(pairs) == {"rodent": pytest.approx(0.5), "sound": pytest.approx(2 / 3)}
    assert macro_f1(pairs) == pytest.approx((0.5 + 2 / 3) / 2)


def test_macro_f1_agrees_with_scikit_learn():
    """Independent implementation: sklearn.metrics.f1_score over the labels present."""
    from sklearn.metrics import f1_score

    rng = np.random.default_rng(2)
    names = np.array(["abrasion", "rodent", "sound", "connector"])
    true, got = names[rng.integers(0, 3, 80)], names[rng.integers(0, 4, 80)]
    expected = f1_score(true, got, labels=sorted(set(true)), average="macro")
    assert macro_f1(list(zip(true, got, strict=True))) == pytest.approx(expected)


def test_bootstrap_of_a_mean_agrees_with_the_normal_interval():
    """For 400 normal values the percentile interval is close to mean ± 1.96 s/√n (central limit theorem)."""
    values = np.random.default_rng(3).normal(5, 2, 400)
    got = bootstrap(list(values), lambda v: float(np.mean(v)))
    half = 1.96 * values.std(ddof=1) / 20
    assert got.low == pytest.approx(values.mean() - half, abs=0.03)
    assert got.high == pytest.approx(values.mean() + half, abs=0.03)


def test_the_same_numbers_give_the_same_interval():
    """The bootstrap draws from a fixed seed: an evaluation can be repeated."""
    groups = [[1.0, 2.0], [4.0], [], [3.0, 9.0]]
    first, second = median_of_groups(groups), median_of_groups(groups)
    assert first == second
    assert (first.value, first.n) == (3.0, 5)


def test_a_median_of_nothing_is_absent():
    """No value, no median, no interval."""
    assert median_of_groups([[], []]).value is None


@pytest.mark.parametrize(
    ("first", "second", "chi2", "exact", "mid"),
    [(121, 59, 21.356, None, None), (16, 6, 4.545, 0.0525, 0.0347), (0, 0, None, 1.0, 1.0), (5, 5, 0.0, 1.0, None)],
)
def test_mcnemar_of_published_tables(first, second, chi2, exact, mid):
    """121 against 59: chi2 21.356, the worked example of the general article on the test; 16 against 6: chi2 4.55,
    exact p 0.0525, mid-p 0.0347 (computed by hand from the binomial law). Nothing differs: no difference."""
    got = mcnemar(first, second)
    assert got.chi2 == (None if chi2 is None else pytest.approx(chi2, abs=5e-4))
    assert exact is None or got.exact_p == pytest.approx(exact, abs=5e-5)
    assert mid is None or got.mid_p == pytest.approx(mid, abs=5e-5)
    assert mcnemar(second, first).exact_p == got.exact_p


def test_mcnemar_is_the_two_sided_binomial_test_of_scipy():
    """Exact p against the reference."""
    from scipy.stats import binomtest

    for first, second in [(3, 9), (0, 6), (40, 22)]:
        assert mcnemar(first, second).exact_p == pytest.approx(binomtest(first, first + second).pvalue)
