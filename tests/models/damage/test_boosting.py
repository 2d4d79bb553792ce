"""Boosted trees on weighted lessons: scikit-learn's own fit is the reference."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.ensemble import HistGradientBoostingClassifier

from models.damage.boosting import fit_weighted
from models.damage.packed import pack_trees, unpack_trees


def small(seed=0):
    """Few trees, so that a test takes no time."""
    return HistGradientBoostingClassifier(
        max_iter=8, max_leaf_nodes=6, min_samples_leaf=5, early_stopping=False, max_features=0.5, random_state=seed
    )


def lessons(seed, n=600):
    """A continuous sign, one of few values, one with many equal values, noise; three classes."""
    rng = np.random.default_rng(seed)
    x = np.column_stack(
        [rng.normal(size=n), rng.integers(0, 4, n), np.maximum(rng.normal(size=n), 0), rng.normal(size=(n, 2))]
    )
    y = (x[:, 0] > 0).astype(int) + (x[:, 1] > 1)
    return x, y


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([200, 255, 256, 900]))
def test_with_weights_of_one_it_is_scikit_learns_own_fit(seed, n):
    """To the last bit, on lessons seen and unseen, with fewer and more lessons than bins."""
    x, y = lessons(seed, n)
    unseen = lessons(seed + 1, 300)[0]
    theirs, ours = small().fit(x, y), fit_weighted(small(), x, y, np.ones(n))
    for one in (x, unseen):
        assert np.array_equal(theirs.predict_proba(one), ours.predict_proba(one))


def test_weights_count_as_scikit_learn_counts_them():
    """Where every value has a bin of its own the cuts are the same with and without weights: so are the answers."""
    x, y = lessons(3, 240)
    weights = np.where(np.arange(240) % 5 == 0, 3.0, 1.0)
    theirs, ours = small().fit(x, y, weights), fit_weighted(small(), x, y, weights)
    assert np.array_equal(theirs.predict_proba(x), ours.predict_proba(x))
    assert not np.array_equal(small().fit(x, y).predict_proba(x), ours.predict_proba(x))


def test_many_weighted_lessons_are_answered_nearly_as_scikit_learn_answers_them():
    """There the cuts differ a little: the likeliest class of unseen lessons agrees in 97 of 100."""
    x, y = lessons(4, 2000)
    weights = np.where(np.arange(2000) % 7 == 0, 3.0, 1.0)
    unseen = lessons(5, 2000)[0]
    theirs, ours = small().fit(x, y, weights), fit_weighted(small(), x, y, weights)
    assert np.mean(theirs.predict(unseen) == ours.predict(unseen)) > 0.97


def test_it_packs_like_any_other_and_what_is_no_number_is_refused():
    """A model file holds it; a missing sign would be sent down an unlearnt way."""
    x, y = lessons(6)
    fitted = fit_weighted(small(), x, y, np.ones(len(y)))
    again = unpack_trees(pack_trees(fitted))
    assert np.array_equal(fitted.predict_proba(x), again.predict_proba(x))
    x[3, 0] = np.nan
    with pytest.raises(ValueError, match="not finite"):
        fit_weighted(small(), x, y, np.ones(len(y)))
