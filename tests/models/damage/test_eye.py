"""The eye: its convolutions against a reference library, its gradients against differences, what it learns."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import correlate

from models.damage.eye import Convolution, log_softmax, neighbourhoods, standardised
from models.damage.eye_layers import ConvolutionLayer
from models.damage.eye_training import (
    EyeInTraining,
    EyeSettings,
    Pace,
    Slope,
    descend,
    fit_eye,
    rate_at,
    varied,
)
from models.damage.store import _eye, _plain_eye, eye_hash, load_model, save_model
from tests.models.damage.test_store import small_model
from vision.cell_patches import COLUMNS, ROWS

SMALL = EyeSettings(steps=40, cells=64, channels=((4,), (6, 6), (8,)), seen=12, head=10, rate=1e-2)


def ridges(count, seed):
    """Patches with ridges along the wires (class 0) or across them (class 1), in any light and any phase."""
    rng = np.random.default_rng(seed)
    truth = rng.integers(2, size=count)
    rows, columns = np.mgrid[:ROWS, :COLUMNS]
    at = np.where(truth[:, None, None] == 0, rows, columns) + rng.uniform(0, 6, (count, 1, 1))
    light = rng.uniform(40, 70, (count, 1, 1)) + 15 * np.sin(at * 2 * np.pi / 6)
    lab = np.zeros((count, 2, ROWS, COLUMNS, 3))
    lab[..., 0] = light[:, None] + rng.normal(0, 4, (count, 2, ROWS, COLUMNS))
    return np.rint(lab).astype(np.int8), truth


@pytest.mark.parametrize(("side", "step"), [(3, 1), (3, 2), (5, 2)])
def test_a_convolution_is_what_scipy_reckons(side, step):
    """`scipy.signal.correlate` at every place or every second one, summed over channels, beyond the rim nought."""
    rng = np.random.default_rng(side)
    x = rng.normal(size=(2, 7, 12, 3)).astype(np.float32)
    weights = rng.normal(size=(side, side, 3, 4)).astype(np.float32)
    bias = rng.normal(size=4).astype(np.float32)
    out = Convolution(weights.reshape(-1, 4), bias, side, step)(x)
    for n in range(2):
        for k in range(4):
            whole = sum(correlate(x[n, :, :, c], weights[:, :, c, k], mode="same") for c in range(3))
            assert out[n, :, :, k] == pytest.approx(np.maximum(whole[::step, ::step] + bias[k], 0), abs=1e-4)


@pytest.mark.parametrize("step", [1, 2])
def test_surroundings_hold_the_places_themselves(step):
    """The middle of each surrounding is the place itself."""
    x = np.arange(4 * 6, dtype=np.float32).reshape(1, 4, 6, 1)
    shape, columns = neighbourhoods(x, 3, step)
    assert shape == (1, 4 // step, 6 // step)
    assert columns[:, 4].reshape(shape[1:]).tolist() == x[0, ::step, ::step, 0].tolist()


@pytest.mark.parametrize("size", [(ROWS, COLUMNS), (7, 11)])
def test_gradients_are_the_slope_of_the_loss(size):
    """Central differences of the loss, in every kind of parameter; nothing dropped, so that the loss is a function."""
    rng = np.random.default_rng(3)
    training = EyeInTraining("abc", (2, *size, 3), replace(SMALL, dropped=0.0), rng)
    for parameter in training.parameters:  # so small a difference needs more digits than training does
        parameter.value = parameter.value.astype(float)
    x = rng.normal(size=(16, 2, *size, 3))
    truth = rng.integers(3, size=16)
    gradients = training.slope(x, truth, rng).gradients
    for parameter, gradient in zip(training.parameters, gradients, strict=True):
        assert gradient.shape == parameter.value.shape
        along = rng.normal(size=gradient.shape)
        along *= 1e-6 / np.linalg.norm(along)
        kept = parameter.value.copy()
        losses = []
        for sign in (1, -1):
            parameter.value = kept + sign * along
            losses.append(training.slope(x, truth, rng).loss)
        parameter.value = kept
        assert np.any(gradient)
        assert (losses[0] - losses[1]) / 2 == pytest.approx(float((gradient * along).sum()), rel=0.01, abs=1e-10)


@pytest.fixture(scope="module")
def eye():
    """An eye for ridges."""
    patches, truth = ridges(400, 0)
    return fit_eye(("along", "across"), patches, truth, SMALL, 0)


def test_it_learns_which_way_ridges_run(eye):
    """On patches it never saw."""
    patches, truth = ridges(200, 1)
    logs = eye.logs(patches)
    assert np.exp(logs).sum(axis=1) == pytest.approx(1.0, abs=1e-3)
    assert (logs.argmax(axis=1) == truth).mean() > 0.95


def test_the_same_seed_gives_the_same_eye(eye):
    """And another one another."""
    patches, truth = ridges(400, 0)
    assert eye_hash(fit_eye(("along", "across"), patches, truth, SMALL, 0)) == eye_hash(eye)
    short = replace(SMALL, steps=3)
    one, other = (fit_eye(("along", "across"), patches, truth, short, seed) for seed in (0, 1))
    assert eye_hash(one) != eye_hash(other)


def test_the_number_of_threads_changes_nothing():
    """Parts of a step are added up in their order, whoever is ready first."""
    patches, truth = ridges(100, 0)
    hashes = set()
    for threads in (1, 3):
        settings = replace(SMALL, steps=4, cells=160)
        hashes.add(eye_hash(fit_eye(("along", "across"), patches, truth, settings, 0, threads)))
    assert len(hashes) == 1


def test_running_mean_and_spread_are_those_of_all_parts_together():
    """After many steps over the same four parts: numpy's mean and variance of what the convolution says to all."""
    rng = np.random.default_rng(1)
    layer = ConvolutionLayer(3, 5, 3, 2, True, rng)
    parts = [rng.normal(k, 1 + k, (8, 6, 10, 3)).astype(np.float32) for k in range(4)]
    seen = [layer.forward(part)[1] for part in parts]
    for _ in range(1000):
        layer.remember([(passed.mean, passed.spread) for passed in seen])
    said = neighbourhoods(np.concatenate(parts), 3, 2)[1] @ layer.weights.value
    assert layer.mean == pytest.approx(said.mean(axis=0), rel=1e-3, abs=1e-3)
    assert layer.variance == pytest.approx(said.var(axis=0), rel=1e-3)


def test_it_survives_the_file_with_its_model(eye, tmp_path):
    """Weights to the last bit; it is part of what a model learnt."""
    model = small_model()
    seeing = replace(model, finder=replace(model.finder, eye=eye))
    save_model(seeing, tmp_path)
    back = load_model(tmp_path).finder.eye
    assert eye_hash(back) == eye_hash(eye) != eye_hash(None)
    patches, _ = ridges(5, 4)
    assert np.array_equal(back.logs(patches), eye.logs(patches))


def test_in_files_of_before_every_convolution_halves(eye):
    """They do not say so; the rest is as it was written."""
    plain = _plain_eye(eye)
    for tower in plain["towers"]:
        for convolution in tower["convolutions"]:
            del convolution["step"]
    back = _eye(plain)
    assert {c.step for tower in back.towers for c in tower.convolutions} == {2}
    assert np.array_equal(back.head[0].weights, eye.head[0].weights)


def test_what_does_not_fit_is_refused(eye):
    """Patches of another size, and classes nobody showed."""
    with pytest.raises(ValueError, match="expected patches of"):
        eye.logs(np.zeros((1, 2, ROWS, COLUMNS + 1, 3), np.int8))
    patches, truth = ridges(20, 0)
    with pytest.raises(ValueError, match="in parts of 32, got 100"):
        fit_eye(("along", "across"), patches, truth, replace(SMALL, cells=100), 0)
    with pytest.raises(ValueError, match="got none of third"):
        fit_eye(("along", "across", "third"), patches, truth, SMALL, 0)


def test_variation_leaves_the_original_and_keeps_the_size():
    """Mirrored and in other light, never another thing."""
    x = standardised(ridges(6, 5)[0])
    before = x.copy()
    changed = varied(x, np.random.default_rng(0))
    assert np.array_equal(x, before)
    assert changed.shape == x.shape and changed.dtype == np.float32
    assert np.abs(changed.mean(axis=(2, 3)) - x.mean(axis=(2, 3))).max() < 0.6


def test_an_eye_taken_from_training_stays_as_it_is():
    """Further steps do not move its weights; a loss that is no number ends the fit."""
    rng = np.random.default_rng(0)
    training = EyeInTraining("ab", (2, ROWS, COLUMNS, 3), SMALL, rng)
    patches, truth = ridges(20, 6)
    taken = training.fitted()
    before = eye_hash(taken)
    training.learn([training.slope(standardised(patches), truth, rng)], 1, 0.1)
    assert eye_hash(taken) == before != eye_hash(training.fitted())
    with pytest.raises(FloatingPointError, match="lower its rate"):
        fit_eye(("along", "across"), patches, truth, replace(SMALL, rate=float("nan")), 0)


def test_step_size_rises_then_falls():
    """One cycle."""
    rates = [rate_at(k, SMALL.steps, SMALL.rate) for k in range(SMALL.steps)]
    top = int(np.argmax(rates))
    assert rates[top] == pytest.approx(SMALL.rate, rel=0.02)
    assert rates[: top + 1] == sorted(rates[: top + 1])
    assert rates[top:] == sorted(rates[top:], reverse=True)
    assert rates[-1] < 0.02 * SMALL.rate


def test_logarithms_of_large_answers_stay_finite():
    """Where exp alone would overflow."""
    out = log_softmax(np.array([[1000.0, 0.0], [-1000.0, -1000.0]], np.float32))
    assert np.allclose(out, [[0.0, -1000.0], [-np.log(2), -np.log(2)]], atol=1e-4)


class Recorder:
    """A learner that only notes what it is told."""

    def __init__(self):
        self.told = []

    def learn(self, slopes, number, rate):
        self.told.append(([s.loss for s in slopes], number, rate))


@pytest.mark.parametrize("threads", [1, 3])
def test_a_step_is_drawn_before_the_luck_of_its_parts(threads):
    """Written out: in another order, or with the luck of one part given to another, the same seed would teach
    something else."""
    learner, rng = Recorder(), np.random.default_rng(8)
    descend(
        "the eye", learner, lambda: list(rng.integers(100, size=3)),
        lambda part, luck: Slope(float(part + luck.random()), [], []), rng, Pace(4, 0.5, threads),
    )  # fmt: skip
    again, expected = np.random.default_rng(8), []
    for number in range(4):
        parts = again.integers(100, size=3)
        losses = [float(part + luck.random()) for part, luck in zip(parts, again.spawn(3), strict=True)]
        expected.append((losses, number + 1, rate_at(number, 4, 0.5)))
    assert learner.told == expected


def test_a_training_that_runs_away_says_who_and_when():
    """The third step's loss is no number: nothing is learnt from it."""
    learner, losses = Recorder(), iter((1.0, 2.0, np.nan, 3.0))
    with pytest.raises(FloatingPointError, match="the shell eye's loss is nan after 2 steps: lower its rate"):
        descend(
            "the shell eye", learner, lambda: [0], lambda *_: Slope(next(losses), [], []), np.random.default_rng(1),
            Pace(4, 0.5, 1),
        )  # fmt: skip
    assert len(learner.told) == 2
