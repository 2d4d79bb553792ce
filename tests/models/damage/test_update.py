"""A fitted finder is taught further without forgetting, and learns classes it did not know."""

import copy

import numpy as np
import pytest

from models.damage.finder import Finder, TwoPasses, mean_answer, new_pass, second_pass_input, without_dust
from models.damage.update import outputs_taught, seeing_further_back, widened

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
    """The new column is below one in twenty; the first pass does not know of it."""
    x, _ = clouds([0, 1, 2], seed=5)
    wide = widened(finder, ["corrosion"])
    before, after = finder.probabilities(x, around), wide.probabilities(x, around)
    assert after.shape[1] == 4 and after[:, 3].max() < 0.05
    assert np.abs(after[:, :3] - before).max() < 0.05
    assert wide.classes == ("ground", "wire", "housing", "corrosion")
    assert finder.classes == ("ground", "wire", "housing")
    with pytest.raises(ValueError, match="expected new classes, got wire"):
        widened(finder, ["wire"])


def seen(finder, classes, n, seed):
    """What the second pass sees of points of these classes, and the classes."""
    x, y = clouds(classes, n, seed)
    return second_pass_input(x, mean_answer(finder.parts[0].first, x), around), y


def test_a_new_class_is_learnt_and_the_old_ones_are_kept(finder):
    """Taught with a mix of both, it finds the new one and forgets nothing; the finder it came from is untouched."""
    wide = widened(finder, ["corrosion"])
    x, y = seen(finder, [0, 1, 2, 3], 300, 2)
    before = finder.parts[0].second[0].predict_proba(x)
    taught = outputs_taught(wide.parts[0].second[0], x, np.eye(4)[y], slice(None), [1e-4])[0]
    assert right(taught, *seen(finder, [3], 300, 9)) > 0.95 and right(taught, *seen(finder, [0, 1, 2], 300, 9)) > 0.95
    assert np.array_equal(finder.parts[0].second[0].predict_proba(x), before)


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


def test_only_the_outputs_of_new_classes_learn(finder):
    """The new class is told on points not seen, every other weight stays."""
    wide = widened(finder, ["corrosion", "mould"]).parts[0].second[0]
    x, y = seen(finder, [0, 1, 2, 3], 300, 2)
    taught = outputs_taught(wide, x, np.eye(5)[y], [3], [1e-4])[0]
    assert right(taught, *seen(finder, [3], 300, 9)) > 0.9 and right(taught, *seen(finder, [0, 1, 2], 300, 9)) > 0.9
    assert np.array_equal(taught[-1].coefs_[0], wide[-1].coefs_[0])
    for column in (0, 1, 2, 4):
        assert np.array_equal(taught[-1].coefs_[-1][:, column], wide[-1].coefs_[-1][:, column])


def test_outputs_are_at_their_optimum(finder):
    """The log loss of scikit-learn's own probabilities with the cost of the change is stationary there: central
    differences."""
    wide = widened(finder, ["corrosion"]).parts[0].second[0]
    x, y = seen(finder, [0, 1, 2, 3], 100, 2)
    taught = outputs_taught(wide, x, np.eye(4)[y], slice(None), [0.1])[0]
    hidden = np.maximum(wide[0].transform(x) @ wide[-1].coefs_[0] + wide[-1].intercepts_[0], 0)
    usual = np.sqrt((hidden**2).mean(axis=0)) + 1e-6
    weights, bias = taught[-1].coefs_[-1], taught[-1].intercepts_[-1]

    def loss():
        p = taught.predict_proba(x.astype(float))[np.arange(len(y)), y]
        moved = ((weights - wide[-1].coefs_[-1]).astype(float) * usual[:, None], bias - wide[-1].intercepts_[-1])
        return -np.log(p.astype(float)).mean() + 0.1 / 2 * sum((part**2).sum() for part in moved)

    for where in ((weights, (0, 3)), (weights, (7, 1)), (bias, (3,))):
        array, at = where
        kept, ways = array[at], []
        for way in (0.05, -0.05):
            array[at] = kept + way
            ways.append(loss())
            array[at] = kept
        assert abs(ways[0] - ways[1]) / 0.1 < 2e-3 and min(ways) > loss() - 1e-5


def test_the_cost_of_a_change_does_not_depend_on_the_unit_of_a_layer(finder):
    """A layer that holds fifty times as much, its outputs weighing a fiftieth: the same answers before and after."""
    member = finder.parts[0].second[0]
    other = copy.deepcopy(member)
    for weights in (other[-1].coefs_[-2], other[-1].intercepts_[-2]):
        weights *= 50
    other[-1].coefs_[-1] /= 50
    x, y = seen(finder, [0, 1, 2], 200, 3)
    one, two = (outputs_taught(m, x, np.eye(3)[(y + 1) % 3], slice(None), [0.1])[0] for m in (member, other))
    assert np.allclose(one.predict_proba(x), two.predict_proba(x), atol=2e-3)
    assert np.abs(one.predict_proba(x) - member.predict_proba(x)).max() > 0.2


def test_the_dearer_a_change_the_less_is_learnt(finder):
    """Along the ridges the loss falls and the weights go further from where they were."""
    x, y = seen(finder, [0, 1, 2], 200, 3)
    before = finder.parts[0].second[0]
    path = outputs_taught(before, x, np.eye(3)[(y + 1) % 3], slice(None), [10.0, 1e-1, 1e-3])
    moved = [np.abs(member[-1].coefs_[-1] - before[-1].coefs_[-1]).sum() for member in path]
    losses = [-np.log(member.predict_proba(x)[np.arange(len(y)), (y + 1) % 3] + 1e-9).mean() for member in path]
    assert moved == sorted(moved) and losses == sorted(losses, reverse=True) and losses[-1] < losses[0] / 5
    assert all(np.array_equal(member[-1].coefs_[0], before[-1].coefs_[0]) for member in path)


def test_a_network_that_sees_further_back_answers_as_before_and_can_learn_more(finder):
    """Twice as many units before the outputs; no answer changes; a network of one hidden layer stays as it is."""
    x, y = seen(finder, [0, 1, 2], 200, 3)
    deep = new_pass((16, 4), 1, 20).fit(x, y)
    wider = seeing_further_back(deep)
    assert wider[-1].coefs_[-1].shape == (20, 3) and wider[-1].hidden_layer_sizes == (16, 20)
    assert np.allclose(wider.predict_proba(x), deep.predict_proba(x), atol=1e-6)
    odd = np.eye(3)[(np.arange(len(y)) * 7 % 3)]
    losses = [
        -np.log((outputs_taught(m, x, odd, slice(None), [1e-6])[0].predict_proba(x) * odd).sum(axis=1)).mean()
        for m in (deep, wider)
    ]
    assert losses[1] < losses[0]
    plain = finder.parts[0].second[0]
    assert seeing_further_back(plain)[-1].coefs_[-1].shape == plain[-1].coefs_[-1].shape
