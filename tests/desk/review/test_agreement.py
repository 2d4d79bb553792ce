"""Cohen's kappa, against scikit-learn's and a published table."""

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score

from desk.review.agreement import agreement, cohen_kappa

label = st.sampled_from(["rodent", "abrasion", "sound", "connector"])
pairs = st.lists(st.tuples(label, label), min_size=1, max_size=40)


@given(pairs)
def test_kappa_is_that_of_scikit_learn(found):
    """On any pairs; where scikit-learn has no number, there is none here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = cohen_kappa_score([a for a, _ in found], [b for _, b in found])
    ours = cohen_kappa(found)
    assert ours is None if math.isnan(theirs) else ours == pytest.approx(theirs, abs=1e-12)


def test_the_table_of_the_textbook():
    """Fleiss, Levin, Paik (2003), Statistical Methods for Rates and Proportions, table 18.1: 0.75 0.05 0.10 in the
    diagonal of 0.75 0.01 0.04 / 0.05 0.04 0.01 / 0.00 0.00 0.10; kappa = 0.68."""
    table = [("p", "p", 75), ("p", "n", 1), ("p", "o", 4), ("n", "p", 5), ("n", "n", 4), ("n", "o", 1), ("o", "o", 10)]
    found = [(a, b) for a, b, n in table for _ in range(n)]
    assert cohen_kappa(found) == pytest.approx(0.68, abs=0.005)


def test_the_interval_holds_the_value_and_counts_places():
    """Twelve assemblies of two places; the interval lies in [-1, 1] round the value."""
    groups = [[("rodent", "rodent"), ("abrasion", "abrasion" if i % 3 else "rodent")] for i in range(12)]
    found = agreement(groups)
    assert found.n == 24 and -1 <= found.low <= found.value <= found.high <= 1 and found.low < found.high


def test_one_assembly_gives_no_interval_and_none_gives_nothing():
    """An interval from one draw would be a point that pretends to be certain."""
    one = agreement([[("rodent", "rodent"), ("sound", "rodent")]])
    assert one.value is not None and (one.low, one.high) == (None, None)
    assert agreement([]).value is None and agreement([[]]).n == 0
