"""A fitted finder is taught further without forgetting, and learns classes it did not know."""

import numpy as np
import pytest

from models.damage.finder import Finder, TwoPasses, mean_answer, new_pass, second_pass_input, without_dust
from models.damage.update import UpdateSettings, between, outputs_taught, updated, widened

CENTRES = np.array([[0.0, 0.0, 0.0], [6.0, 0.0, 0.0], [0.0, 6.0, 0.0], [0.0, 0.0, 6.0], [6.0, 6.0, 6.0]])


def clouds(classes, n=400, seed=0):
    """Points around one centre per class."""
    rng = np.random.default_rng(seed)
    y = np.repeat(classes, n)
    return (CENTRES[y] + rng.normal(size=(len(y), 3))).astype(np.float32), y


def around(values):
    return np.hstack([values, values])


@pytest.fixture(scope="module")
def finder():
    """Knows the first three classes."""
    x, y = clouds([0, 1, 2])
    first = (new_pass((16,), 0, 20).fit(x, y),)
    second = (new_pass((16,), 1, 20).fit(second_pass_input(x, mean_answer(first, x), around), y),)
    return Finder(("ground", "wire", "housing"), ("a", "b", "c"), (TwoPasses(first, second),))


def right(member, x, y):
    return float((member.predict_proba(x).argmax(axis=1) == y).mean())


def test_wider_answers_stay_what_they_were_and_the_new_class_is_next_to_never_said(finder):
    """Both passes; the new column is below one in twenty."""
    x, _ = clouds([0, 1, 2], seed=5)
    wide = widened(finder, ["corrosion"], 0)
    before, after = finder.probabilities(x, around), wide.probabilities(x, around)
    assert after.shape[1] == 4 and after[:, 3].max() < 0.05
    assert np.abs(after[:, :3] - before).max() < 0.05
    assert wide.classes == ("ground", "wire", "housing", "corrosion") and finder.classes == (
        "ground",
        "wire",
        "housing",
    )
    with pytest.raises(ValueError, match="expected new classes, got wire"):
        widened(finder, ["wire"], 0)


def test_a_new_class_is_learnt_and_the_old_ones_are_kept(finder):
    """Taught with a mix of both, it finds the new one and forgets nothing; the finder it came from is untouched."""
    wide = widened(finder, ["corrosion"], 0)
    x, y = clouds([0, 1, 2, 3], 300, seed=2)
    before = finder.parts[0].first[0].predict_proba(x)
    taught = updated(wide.parts[0].first[0], x, y, 0, UpdateSettings(epochs=60, rate=1e-3))
    assert right(taught, *clouds([3], seed=9)) > 0.95 and right(taught, *clouds([0, 1, 2], seed=9)) > 0.95
    assert np.array_equal(finder.parts[0].first[0].predict_proba(x), before)


def test_the_same_seed_gives_the_same(finder):
    """Twice the same weights."""
    x, y = clouds([0, 1, 2], 200, seed=3)
    one, two = (updated(finder.parts[0].first[0], x, y, 7, UpdateSettings()) for _ in range(2))
    assert all(np.array_equal(a, b) for a, b in zip(one[-1].coefs_, two[-1].coefs_, strict=True))


def test_weights_without_effect_become_nothing_and_answers_stay():
    """Columns that say nothing decay to subnormal weights under a strong decay: set to zero, no answer changes."""
    x, y = clouds([0, 1, 2])
    member = new_pass((16,), 0, 60).fit(x, y)
    weights = member[-1].coefs_
    weights[0][1] = np.float32(1e-40)
    weights[1][0] = np.float32(-3e-30)
    before = member.predict_proba(x)
    cleaned = without_dust(member)
    assert np.array_equal(cleaned.predict_proba(x), before)
    for w in cleaned[-1].coefs_:
        assert w.dtype == np.float32 and not ((w != 0) & (np.abs(w) < 1e-20)).any()
    assert (cleaned[-1].coefs_[0][1] == 0).all() and (cleaned[-1].coefs_[1][0] == 0).all()


def test_a_network_taught_further_holds_no_such_weights(finder):
    """The decay goes on while it is taught."""
    x, y = clouds([0, 1, 2])
    start = updated(finder.parts[0].first[0], x, y, 0, UpdateSettings())
    start[-1].coefs_[0][:] *= np.float32(1e-35)
    again = updated(start, x, y, 0, UpdateSettings(epochs=1))
    assert all(not ((w != 0) & (np.abs(w) < 1e-20)).any() for w in again[-1].coefs_)


def test_only_the_outputs_of_new_classes_learn(finder):
    """The new class is told on points not seen, every other weight stays; a class without example stays unsaid."""
    wide = widened(finder, ["corrosion", "mould"], 0).parts[0].first[0]
    x, y = clouds([0, 1, 2, 3], 300, seed=2)
    taught = outputs_taught(wide, 3, x, y, UpdateSettings())
    assert right(taught, *clouds([3], seed=9)) > 0.9 and right(taught, *clouds([0, 1, 2], seed=9)) > 0.9
    assert np.array_equal(taught[-1].coefs_[0], wide[-1].coefs_[0])
    for column in (0, 1, 2, 4):
        assert np.array_equal(taught[-1].coefs_[-1][:, column], wide[-1].coefs_[-1][:, column])
    assert outputs_taught(wide, 5, x, y, UpdateSettings()) is wide


def test_new_outputs_are_at_their_optimum(finder):
    """The decayed log loss of scikit-learn's own probabilities is stationary there: central differences."""
    wide = widened(finder, ["corrosion"], 0).parts[0].first[0]
    x, y = clouds([0, 1, 2, 3], 100, seed=2)
    settings = UpdateSettings()
    taught = outputs_taught(wide, 3, x, y, settings)
    weights, bias = taught[-1].coefs_[-1], taught[-1].intercepts_[-1]

    def loss():
        p = taught.predict_proba(x.astype(float))[np.arange(len(y)), y]
        decay = taught[-1].alpha / settings.batch / 2 * (weights[:, 3].astype(float) ** 2).sum()
        return -np.log(p.astype(float)).mean() + decay

    for where in ((weights, (0, 3)), (weights, (7, 3)), (bias, (3,))):
        array, at = where
        kept, ways = array[at], []
        for way in (0.05, -0.05):
            array[at] = kept + way
            ways.append(loss())
            array[at] = kept
        assert abs(ways[0] - ways[1]) / 0.1 < 2e-3 and min(ways) > loss() - 1e-5


def test_a_network_between_two_begins_and_ends_with_them(finder):
    """Ends are the two themselves; halfway every weight is the mean of both."""
    x, y = clouds([0, 1, 2], 200, seed=3)
    before = finder.parts[0].first[0]
    after = updated(before, x, y, 0, UpdateSettings(rate=1e-2))
    for share, same in ((0.0, before), (1.0, after)):
        assert np.allclose(between(before, after, share).predict_proba(x), same.predict_proba(x), atol=1e-6)
    half = between(before, after, 0.5)[-1]
    for name in ("coefs_", "intercepts_"):
        for a, b, mean in zip(*(getattr(n, name) for n in (before[-1], after[-1], half)), strict=True):
            assert np.allclose(mean, (a + b) / 2, atol=1e-6)
