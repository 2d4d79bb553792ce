"""A namer fitted anew: calibrated and limited on groups it did not see, and as good as the references say."""

import warnings

import numpy as np
import pytest
from sklearn.calibration import CalibratedClassifierCV
from sklearn.frozen import FrozenEstimator

from models.damage.lessons import Lessons
from models.damage.namer import booster, inverse_temperature
from models.damage.refit import CHOICES, BoosterSettings, ForestSettings, RefitError, refit_namer
from models.damage.store import hash_of_learnt

LABELS = ("rodent", "abrasion", "sound")
QUICK = (ForestSettings(2, 0.5, 40), ForestSettings(10, 0.5, 40))


def drawn(n=600, seed=0, spread=1.0, groups=60):
    """Three clouds in four dimensions, groups of about ten."""
    rng = np.random.default_rng(seed)
    y = rng.integers(0, 3, n)
    x = np.eye(4)[y] * 1.8 + rng.normal(0, spread, (n, 4))
    names = np.array([f"a{k}" for k in rng.integers(0, groups, n)])
    return Lessons(("a", "b", "c", "d"), x.astype(np.float32), np.array(LABELS)[y], names, np.ones(n))


@pytest.fixture(scope="module")
def fitted():
    return refit_namer(LABELS, drawn(), 1, choices=QUICK)


def test_labels_kept_as_candidates_cover_new_cases_as_conformal_prediction_promises(fitted):
    """Class-conditional split conformal: each label stays a candidate for at least 90 % of new cases of its class, but
    for chance (Beta law: for 200 calibration cases about 2.1 % standard deviation; here three of them)."""
    new = drawn(3000, seed=9)
    named = fitted.namer.name(new.names, new.x)
    for label in LABELS:
        kept = [label in one.candidates for one, true in zip(named, new.labels, strict=True) if true == label]
        assert np.mean(kept) > 0.9 - 3 * 0.021
    assert np.mean([true in one.candidates for one, true in zip(named, new.labels, strict=True)]) > 0.9 - 3 * 0.012


def test_the_temperature_is_the_one_scikit_learn_finds(as_given):
    """On probabilities that are twice too sharp, the reference CalibratedClassifierCV gives the same within 1 %."""
    rng = np.random.default_rng(3)
    logits = rng.normal(0, 1.5, (4000, 3))
    p = np.exp(logits) / np.exp(logits).sum(axis=1, keepdims=True)
    y = np.array([rng.choice(3, p=row) for row in p])
    sharp = p**2 / (p**2).sum(axis=1, keepdims=True)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        given = FrozenEstimator(as_given(sharp, y))
        reference = CalibratedClassifierCV(given, method="temperature").fit(sharp, y)
    expected = reference.calibrated_classifiers_[0].calibrators[0].beta_
    got = inverse_temperature(sharp, y, np.ones(len(y)))
    assert got == pytest.approx(expected, rel=0.01) and got == pytest.approx(0.5, rel=0.1)


def test_the_same_seed_gives_the_same_whatever_the_processes(fitted):
    """One process or two."""
    again = refit_namer(LABELS, drawn(), 1, choices=QUICK, workers=2)
    assert np.array_equal(again.held_out, fitted.held_out) and again.settings == fitted.settings
    assert np.array_equal(again.namer.thresholds, fitted.namer.thresholds)


def test_of_several_choices_the_one_that_tells_more_is_taken():
    """A forest whose leaves hold nearly all tells little; every choice has its loss on the card."""
    good, bad = ForestSettings(2, 0.5, 40), ForestSettings(250, 0.5, 40)
    made = refit_namer(LABELS, drawn(), 1, choices=(bad, good))
    assert made.settings == good and made.losses[good.words] < made.losses[bad.words]


def test_a_single_choice_is_fitted_without_asking_and_covers_new_cases():
    """Boosted trees, as wires have them: six fits (five folds and the last), sets as wide as promised, any process."""
    steps = []
    quick = BoosterSettings(6, 30)
    made = refit_namer(LABELS, drawn(), 1, choices=(quick,), on_step=lambda *step: steps.append(step))
    assert steps == [(k, 6) for k in range(7)] and made.losses == {} and made.settings == quick
    new = drawn(3000, seed=9)
    named = made.namer.name(new.names, new.x)
    assert np.mean([true in one.candidates for one, true in zip(named, new.labels, strict=True)]) > 0.9 - 3 * 0.012
    again = refit_namer(LABELS, drawn(), 1, choices=(quick,), workers=2)
    assert hash_of_learnt(again.namer.classifier) == hash_of_learnt(made.namer.classifier)
    assert np.array_equal(again.held_out, made.held_out)


def test_the_shipped_booster_is_what_a_training_from_corrections_fits():
    """The same settings in both."""
    assert (BoosterSettings(),) == CHOICES
    assert BoosterSettings().fresh(3).get_params() == booster(3).get_params()


def test_a_candidate_far_from_all_lessons_is_novel(fitted):
    """Ten standard deviations away; those like the lessons are not."""
    far = np.full((1, 4), 12.0, np.float32)
    assert fitted.namer.name(("a", "b", "c", "d"), far)[0].novel
    new = drawn(500, seed=4)
    assert np.mean([one.novel for one in fitted.namer.name(new.names, new.x)]) < 0.03


def test_a_lesson_that_may_not_calibrate_changes_no_limit():
    """Hundred wrong lessons teach but do not set the thresholds: a threshold stays what held-out good ones make it."""
    good, bad = drawn(), drawn(100, seed=5)
    bad = Lessons(bad.names, bad.x + 30, np.full(100, "rodent"), np.full(100, "odd"), np.ones(100))
    both = Lessons(good.names, *(np.concatenate([getattr(one, f) for one in (good, bad)])
                                 for f in ("x", "labels", "groups", "weights")))  # fmt: skip
    may = np.arange(700) < 600
    with_limit = refit_namer(LABELS, both, 1, calibrates=may, choices=QUICK[:1])
    without = refit_namer(LABELS, both, 1, choices=QUICK[:1])
    assert with_limit.namer.novel_beyond < without.namer.novel_beyond


def test_what_cannot_be_learnt_from_is_refused():
    """No example of a label; a label that is none of them; too few groups."""
    one = drawn()
    with pytest.raises(RefitError, match="none of rodent"):
        refit_namer(LABELS, one.where(one.labels != "rodent"), 0)
    with pytest.raises(RefitError, match="got sound"):
        refit_namer(("rodent", "abrasion"), one, 0)
    with pytest.raises(RefitError, match="at least 5 assemblies"):
        refit_namer(LABELS, drawn(groups=3), 0)
