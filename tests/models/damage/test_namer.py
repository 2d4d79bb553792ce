"""The namer: calibrated labels, conformal sets, novelty."""

from dataclasses import replace

import numpy as np
import pytest
from mapie.classification import SplitConformalClassifier
from sklearn.calibration import CalibratedClassifierCV
from sklearn.model_selection import GroupKFold

from desk.statistics import wilson
from models.damage.namer import (
    BITES_STAY_OPEN,
    MISSED_COSTS,
    STAYS_FROM,
    Named,
    booster,
    conformal_thresholds,
    fit_namer,
    miscoverages,
    shell_forest,
    shifted,
    sound_shift_of,
    tempered,
    votes,
    with_bites_open,
)
from models.damage.packed import gains


def clouds(rng, n):
    """Three overlapping classes in five dimensions."""
    y = rng.integers(0, 3, n)
    centres = np.array([[0, 0, 0, 0, 0], [2.5, 0, 0, 0, 0], [0, 2.5, 0, 0, 0]])
    return (centres[y] + rng.normal(size=(n, 5))).astype(np.float32), y


def few_rounds(seed):
    """The namer's booster with a tenth of its rounds."""
    return booster(seed).set_params(max_iter=20)


def few_trees(seed):
    """The forest of housings with a seventh of its trees."""
    return shell_forest(seed).set_params(n_estimators=40)


@pytest.fixture(scope="module")
def namer():
    """Fitted on 400 points in 100 groups."""
    x, y = clouds(np.random.default_rng(0), 400)
    return fit_namer(("a", "b", "c"), tuple("vwxyz"), x, y, np.arange(400) // 4, 0)[0]


def test_sets_keep_the_true_label_nine_times_in_ten(namer):
    """Class-conditional coverage on new points, with room for 300 draws a class: Wilson's interval reaches 90 %."""
    x, y = clouds(np.random.default_rng(1), 900)
    named = namer.name(tuple("vwxyz"), x)
    for c, label in enumerate("abc"):
        kept = [label in n.candidates for n, t in zip(named, y, strict=True) if t == c]
        assert (wilson(sum(kept), len(kept)).high or 0) >= 0.90
    assert any(n.unsure for n in named)
    assert not all(n.unsure for n in named)


def test_something_never_seen_is_novel(namer):
    """Points far from every class are novel, points of the classes hardly ever."""
    far = np.full((5, 5), 40, np.float32)
    assert all(n.novel for n in namer.name(tuple("vwxyz"), far))
    x, _ = clouds(np.random.default_rng(2), 300)
    assert np.mean([n.novel for n in namer.name(tuple("vwxyz"), x)]) < 0.03


def test_other_features_are_refused(namer):
    """Names must be those of the training, in order."""
    with pytest.raises(ValueError, match="retrain"):
        namer.name(tuple("zyxwv"), np.zeros((1, 5), np.float32))


def test_a_label_without_examples_is_refused():
    """The message names the label."""
    x, y = clouds(np.random.default_rng(0), 60)
    with pytest.raises(ValueError, match="none of c"):
        fit_namer(("a", "b", "c"), tuple("vwxyz"), x[y < 2], y[y < 2], np.arange((y < 2).sum()), 0)


def test_thresholds_on_a_row_counted_by_hand():
    """99 own probabilities 0.01 .. 0.99: k = floor(0.1 * 100) = 10, the tenth smallest is 0.1."""
    own = np.arange(1, 100) / 100
    p = np.stack([own, 1 - own], axis=1)
    assert conformal_thresholds(p, np.zeros(99, int))[0] == pytest.approx(0.1)
    assert conformal_thresholds(p, np.zeros(99, int))[1] == pytest.approx(0.01)


@pytest.mark.filterwarnings("ignore:.*conformalization dataset has less labels")
def test_labels_kept_are_those_of_an_independent_conformal_library(as_given):
    """MAPIE's split conformal sets (score 1 - p of the label), conformalised on one class's examples at a time, keep
    that label for exactly the same new cases as our threshold does."""
    rng = np.random.default_rng(1)
    y = np.repeat([0, 1, 2], [199, 119, 79])
    p = rng.dirichlet(np.ones(3), len(y))
    p[np.arange(len(y)), y] += 1
    p /= p.sum(axis=1, keepdims=True)
    new = rng.dirichlet(np.ones(3), 500)
    thresholds = conformal_thresholds(p, y)
    for c in range(3):
        reference = SplitConformalClassifier(as_given(p, y), confidence_level=0.9, conformity_score="lac", prefit=True)
        reference.conformalize(p[y == c], y[y == c])
        kept = reference.predict_set(new)[1][:, c, 0]
        assert 0.1 < kept.mean() < 0.9, "both answers occur"
        assert (kept == (new[:, c] >= thresholds[c])).all()


def test_temperature_one_changes_nothing_and_heat_flattens():
    """softmax(log p) = p; a high temperature brings probabilities together without changing their order."""
    p = np.array([[0.7, 0.2, 0.1]])
    assert tempered(p, 1.0) == pytest.approx(p)
    warm = tempered(p, 0.5)[0]
    assert warm[0] > warm[1] > warm[2]
    assert warm[0] < 0.7


def test_the_share_of_sound_among_usual_candidates_is_learnt():
    """Odds taught at one to one, a shop's at one to nine: the shift is ln(9 / 2), as a miss weighs two false alarms."""
    rng = np.random.default_rng(3)
    x = np.where(rng.uniform(size=40_000) < 0.1, 1.0, -1.0)  # damaged or sound
    log_odds = x * 1.5 + rng.normal(0, np.sqrt(3.0), len(x))  # of a balanced mixture: mean / variance = 1/2
    damage = 1 / (1 + np.exp(-log_odds))
    p = np.stack([damage, 1 - damage], axis=1)
    shift = sound_shift_of(p, (x < 0).astype(int), ("a", "sound"))
    assert shift == pytest.approx(np.log(9 / MISSED_COSTS), abs=0.1)
    few = slice(0, 100)
    assert sound_shift_of(p[few], (x[few] < 0).astype(int), ("a", "sound")) == 0.0, "too few are damaged"


def test_a_shift_leaves_damages_in_their_proportions():
    """Only `sound` against all others."""
    p = np.array([[0.4, 0.2, 0.4]])
    q = shifted(p, ("a", "b", "sound"), 1.0)[0]
    assert q.sum() == pytest.approx(1.0)
    assert q[0] / q[1] == pytest.approx(2.0)
    assert q[2] / q[0] == pytest.approx(np.e)
    assert shifted(p, ("a", "b", "sound"), 0.0) is p


@pytest.mark.parametrize(("examples", "limit"), [(18, 0.01), (19, 0.2)])
def test_a_label_of_few_examples_gets_no_limit_of_its_own(examples, limit):
    """Below 19 it stays a candidate at one in a hundred; from 19 on the second smallest, floor(0.1 * 20), counts."""
    own = np.r_[0.1, 0.2, np.full(examples - 2, 0.5)]
    p = np.stack([own, 1 - own], axis=1)
    assert conformal_thresholds(p, np.zeros(examples, int))[0] == pytest.approx(limit)


def test_a_broken_housing_may_be_called_whole_more_seldom_than_other_labels_are_lost():
    assert miscoverages(("connector", "sound"), 0.02) == [0.05, 0.02]
    assert miscoverages(("rodent", "sound"), 0.1) == [0.1, 0.1]


def test_a_label_may_be_asked_to_be_lost_more_seldom():
    """99 own probabilities 0.01 .. 0.99: k = floor(0.02 * 100) = 2."""
    own = np.arange(1, 100) / 100
    p = np.stack([1 - own, own], axis=1)
    kept = conformal_thresholds(p, np.ones(99, int), miscoverages(("a", "sound"), 0.02))
    assert kept[1] == pytest.approx(0.02)


def test_no_label_of_a_third_is_left_out(namer):
    """Whatever limit a model keeps, of now or of earlier versions; below a third the limit counts."""
    strict, free = (replace(namer, thresholds=np.full(3, least)) for least in (0.55, 0.05))
    for p, kept in (
        ([0.55, STAYS_FROM + 0.01, 0.12], 2),
        ([0.34, 0.33, 0.33], 1),
        ([0.6, STAYS_FROM - 0.01, 0.08], 1),
    ):
        assert len(strict._named(np.array(p), False).candidates) == kept
    assert len(free._named(np.array([0.6, 0.3, 0.1]), False).candidates) == 3


def test_the_likeliest_label_is_always_among_those_left():
    """Even where its own threshold lies higher than the other's."""
    x, y = clouds(np.random.default_rng(6), 200)
    made = fit_namer(("a", "b", "c"), tuple("vwxyz"), x, y, np.arange(len(y)) // 4, 0, few_rounds)[0]
    strict = replace(made, thresholds=np.array([0.0, 0.999, 0.999]))
    assert all(n.label in n.candidates for n in strict.name(tuple("vwxyz"), x))


def test_the_quick_vote_is_the_librarys_own():
    """Probabilities of scikit-learn's predict_proba, for one row and for many."""
    rng = np.random.default_rng(4)
    x = rng.normal(size=(120, 5)).astype(np.float32)
    fitted = shell_forest(0).fit(x, (x[:, 0] > 0).astype(int))
    for rows in (x[:1], x):
        assert votes(fitted, rows) == pytest.approx(fitted.predict_proba(rows), abs=1e-6)


@pytest.mark.parametrize(("kind", "labels", "cuts"), [
    ("few_rounds", ("a", "b", "sound"), (-0.5, 0.5)), ("few_trees", ("connector", "sound"), (0.0,)),
])  # fmt: skip
def test_probabilities_are_the_librarys_temperature_calibration(kind, labels, cuts):
    """The same folds and seed given to CalibratedClassifierCV answer the same, but for where the search stops."""
    make = {"few_rounds": few_rounds, "few_trees": few_trees}[kind]
    rng = np.random.default_rng(5)
    x = rng.normal(size=(200, 4)).astype(np.float32)
    y = np.digitize(x[:, 0] + rng.normal(0, 0.7, 200), cuts)
    groups = np.arange(200) // 4
    made, _ = fit_namer(labels, ("p", "q", "r", "s"), x, y, groups, 1, make)
    folds = list(GroupKFold(5).split(x, y, groups))
    reference = CalibratedClassifierCV(make(1), method="temperature", ensemble=False, cv=folds).fit(x, y)
    answers = [list(named.probabilities.values()) for named in made.name(("p", "q", "r", "s"), x[:20])]
    assert np.array(answers) == pytest.approx(reference.predict_proba(x[:20]), abs=1e-5)


@pytest.mark.parametrize("kind", [booster, shell_forest])
def test_what_tells_apart_gains_most(kind):
    """Of four inputs one makes the classes; the shares of all sum to 1, and a forest's are the library's."""
    rng = np.random.default_rng(8)
    x = rng.normal(size=(300, 4)).astype(np.float32)
    fitted = kind(0).fit(x, (x[:, 2] > 0).astype(int))
    shares = gains(fitted)
    assert shares.sum() == pytest.approx(1) and shares.argmax() == 2 and shares[2] > 0.6
    if kind is shell_forest:
        assert shares == pytest.approx(fitted.feature_importances_)


def test_bites_stay_open_where_heat_is_named():
    """From the least probability on; what is less likely, other labels and what is open already stay as they are."""
    p = {"electrical_overload": 0.85, "rodent": BITES_STAY_OPEN, "abrasion": 0.06, "sound": 0.04}
    sure = Named(p, ["electrical_overload"], False)
    assert with_bites_open(sure).candidates == ["electrical_overload", "rodent"]
    assert with_bites_open(sure).unsure and not sure.unsure
    among = replace(sure, candidates=["electrical_overload", "sound"])
    assert with_bites_open(among).candidates == ["electrical_overload", "rodent", "sound"]
    little = replace(sure, probabilities=p | {"rodent": 0.04})
    assert with_bites_open(little) == little
    open_already = replace(sure, candidates=["electrical_overload", "rodent", "sound"])
    assert with_bites_open(open_already) == open_already
    worn = Named({"abrasion": 0.9, "rodent": 0.1}, ["abrasion"], False)
    assert with_bites_open(worn) == worn
