"""The shell eye: gradients against differences, what it learns, that it survives a file."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.damage.shell_eye import BROKEN_CLASSES, SHELL_CLASSES, ShellEye, joined
from models.damage.shell_eye_training import ShellEyeInTraining, ShellEyeSettings, fit_shell_eye
from models.damage.shell_windows import PLACE_PX, WINDOW_PX, ShellLesson, draw_window, place_classes, place_weights
from models.damage.store import _plain_shell_eye, _shell_eye, hash_of_learnt, load_model, save_model
from tests.models.damage.test_store import small_model
from vision import shell_picture

SMALL = ShellEyeSettings(steps=60, windows=8, channels=((8, 8), (10, 10), (12, 12)), up=(10,), rate=1e-2)
FRACTURE, PIECE = SHELL_CLASSES.index("fracture"), SHELL_CLASSES.index("piece")


def housing(seed, cracked):
    """A grey box with ribs along it on paper; a cracked one has a crooked dark line across."""
    rng = np.random.default_rng(seed)
    own = np.zeros((150, 170), bool)
    own[40:110, 40:130] = True
    lab = np.zeros((150, 170, 3), np.float32)
    lab[..., 0] = np.where(own, rng.uniform(40, 70), 92.0)
    for row in range(46, 106, 10):
        lab[row : row + 2, 44:126, 0] -= 14
    broken = np.zeros(own.shape, np.uint8)
    if cracked:
        x = np.linspace(50, 120, 9).astype(int)
        line = np.stack([x, 75 + rng.integers(-22, 22, len(x))], axis=1).astype(np.int32)
        cv2.polylines(broken, [line], False, FRACTURE, 3)
        lab[broken > 0, 0] -= 30
    lab += rng.normal(0, 2, lab.shape)
    return ShellLesson(np.rint(lab).astype(np.int8), broken, own, own, np.ones_like(own), 0.0)


LESSONS = [housing(seed, seed % 2 == 0) for seed in range(16)]


def test_gradients_are_the_slope_of_the_loss():
    """Central differences of the loss in random directions, of every parameter; windows longer than wide."""
    rng = np.random.default_rng(3)
    training = ShellEyeInTraining(replace(SMALL, channels=((3, 4), (5, 5), (6, 6), (7,)), up=(6, 5)), rng)
    for parameter in training.parameters:  # so small a difference needs more digits than training does
        parameter.value = parameter.value.astype(float)
    x = rng.normal(size=(2, 32, 48, 3))
    classes = rng.integers(len(SHELL_CLASSES), size=(2, 8, 12))
    weights = rng.random((2, 8, 12))
    told = training.slope(x, classes, weights, rng)
    for parameter, gradient in zip(training.parameters, told.gradients, strict=True):
        start, way = parameter.value, rng.normal(size=parameter.value.shape)
        losses = []
        for sign in (1, -1):
            parameter.value = start + sign * 1e-6 * way
            losses.append(training.slope(x, classes, weights, rng).loss)
        parameter.value = start
        assert (losses[0] - losses[1]) / 2e-6 == pytest.approx(float((gradient * way).sum()), rel=1e-4, abs=1e-6)


def test_it_finds_cracks_on_housings_it_never_saw():
    """Ribs run along the housing and are no cracks; the surest places of a cracked one are surer than of a whole."""
    eye = fit_shell_eye(LESSONS, SMALL, 1)
    at = SHELL_CLASSES.index("fracture")
    surest = {}
    for cracked in (True, False):
        lessons = [housing(seed, cracked) for seed in range(100, 108)]
        said = [eye.probabilities(lesson.lab[:144, :160])[..., at] for lesson in lessons]
        surest[cracked] = [float(np.sort(p.ravel())[-10:].mean()) for p in said]
    assert min(surest[True]) > max(surest[False])


def test_same_seed_same_eye_with_any_number_of_threads():
    """A step's parts are added up in their order."""
    few = replace(SMALL, steps=3)
    hashes = {hash_of_learnt(_plain_shell_eye(fit_shell_eye(LESSONS, few, 5, threads))) for threads in (1, 3)}
    assert len(hashes) == 1
    assert hash_of_learnt(_plain_shell_eye(fit_shell_eye(LESSONS, few, 6))) not in hashes


def test_a_model_file_keeps_it(tmp_path):
    """It says the same to the bit after it was written and read; a model without one has none."""
    eye = fit_shell_eye(LESSONS, replace(SMALL, steps=2), 1)
    model = small_model()
    save_model(replace(model, finder=replace(model.finder, shell_eye=eye)), tmp_path / "with")
    save_model(model, tmp_path / "without")
    back = load_model(tmp_path / "with").finder.shell_eye
    picture = LESSONS[0].lab[:128, :160]
    assert np.array_equal(back.probabilities(picture), eye.probabilities(picture))
    assert load_model(tmp_path / "without").finder.shell_eye is None
    assert isinstance(_shell_eye(_plain_shell_eye(eye)), ShellEye)


def test_answers_are_probabilities_of_places():
    """A quarter of the picture's size; the kinds of break are columns of the whole answer."""
    eye = fit_shell_eye(LESSONS, replace(SMALL, steps=1), 1)
    picture = LESSONS[0].lab[:96, :128]
    said = eye.probabilities(picture)
    assert said.shape == (24, 32, len(SHELL_CLASSES))
    assert said.sum(axis=2) == pytest.approx(1.0, abs=1e-5)
    breaks = eye.breaks(picture)
    assert tuple(breaks) == BROKEN_CLASSES
    assert np.array_equal(breaks["piece"], said[..., PIECE])


@pytest.mark.parametrize("shape", [(90, 128, 3), (96, 100, 3), (96, 128), (96, 128, 1)])
def test_a_picture_of_another_shape_is_refused(shape):
    """Halving needs whole sides."""
    eye = fit_shell_eye(LESSONS, replace(SMALL, steps=1), 1)
    with pytest.raises(ValueError, match="sides multiples of 8"):
        eye.probabilities(np.zeros(shape, np.int8))


def test_lessons_that_teach_nothing_are_refused():
    """All whole, all broken, steps that make no whole parts, a loss that is no number."""
    with pytest.raises(ValueError, match="got 0 and 8"):
        fit_shell_eye(LESSONS[1::2], SMALL, 1)
    with pytest.raises(ValueError, match="got 8 and 0"):
        fit_shell_eye(LESSONS[::2], SMALL, 1)
    with pytest.raises(ValueError, match="take a multiple"):
        replace(SMALL, windows=6)
    with pytest.raises(ValueError, match="got 3 halvings and 2 doublings"):
        replace(SMALL, up=(10, 8))
    dull = replace(LESSONS[1], own=np.zeros_like(LESSONS[1].own))
    dull.own[0, 0] = True
    dull = replace(dull, housing=dull.own, lab=dull.lab[:1, :1], broken=dull.broken[:1, :1], own=dull.own[:1, :1])
    dull = replace(dull, seen=dull.seen[:1, :1])
    with pytest.raises(ValueError, match="got one of 1 px"):
        fit_shell_eye([LESSONS[0], replace(dull, housing=dull.own)], SMALL, 1)
    with pytest.raises(FloatingPointError, match="lower its rate"):
        fit_shell_eye(LESSONS, replace(SMALL, rate=float("nan")), 1)


def test_what_is_doubled_lies_beside_what_was_there():
    """Each pixel becomes four; channels of both follow each other."""
    small = np.arange(6.0).reshape(1, 1, 2, 3)
    beside = -np.arange(8.0).reshape(1, 2, 4, 1)
    out = joined(small, beside)
    assert out.shape == (1, 2, 4, 4)
    assert out[0, 1, 3].tolist() == [3, 4, 5, -7]
    assert out[0, 0, 1].tolist() == [0, 1, 2, -1]


def test_windows_show_what_they_teach():
    """Without noise a dark crack lies where the places say fracture, however the window is turned and mirrored."""
    rng = np.random.default_rng(0)
    lesson = housing(2, True)
    flat = np.where(lesson.broken[..., None] > 0, [20, 0, 0], [70, 0, 0]).astype(np.int8)
    seen = 0
    for _ in range(40):
        window = draw_window(replace(lesson, lab=flat), rng)
        assert window.picture.shape == (WINDOW_PX, WINDOW_PX, 3)
        taught = window.weights > 0
        light = window.picture[..., 0].reshape(24, PLACE_PX, 24, PLACE_PX).min(axis=(1, 3))
        crack = taught & (window.classes == FRACTURE)
        plain = taught & (window.classes != FRACTURE)
        if crack.any() and plain.any():
            seen += 1
            assert np.median(light[crack]) < np.median(light[plain]) - 0.3
    assert seen > 10


def test_around_a_break_nothing_is_taught_and_small_breaks_weigh_more():
    """A place of a hairline counts for more than one of a large break; beside either, any answer is right."""
    broken, solid = np.zeros((96, 96), np.uint8), np.ones((96, 96), np.uint8)
    broken[40:41, 10:20] = FRACTURE
    broken[60:92, 40:92] = PIECE
    classes, taught = place_classes(broken, solid)
    weights = place_weights(classes) * taught
    assert classes[10, 3] == FRACTURE and classes[18, 15] == PIECE
    assert weights[10, 3] > weights[18, 15] > 0
    assert weights[11, 3] == 0
    assert weights[0, 20] == 1.0


def test_places_are_as_large_for_the_teacher_as_for_the_picture():
    """Both modules say so."""
    assert shell_picture.PLACE_PX == PLACE_PX
