"""What an eye says goes with the cells: into the finder, into what describes a candidate, into what is taught."""

import tempfile
from dataclasses import replace

import numpy as np
import pytest

from desk.cell_truth import CELL_CLASSES
from desk.errors import DeskError
from desk.eye_lessons import EyeLesson, eye_lesson, fitted_eye, patches_in
from desk.recognition import find_scene, patches_of, seen_by
from desk.train_plan import TrainSettings, eye_jobs_for, jobs_for
from desk.training_set import SceneJob, as_photo, cell_lesson, without_eye
from models.damage.eye_training import EyeInTraining, EyeSettings
from models.damage.finder import Finder
from sample_images.scene import SCENARIOS, SceneSettings, render_scene
from vision.cell_patches import COLUMNS, LEARNT, LEAST_LOG, ROWS
from vision.evidence import learnt_names
from vision.grid import every_second
from vision.layout import builtin_layouts
from vision.recognise import recognise
from vision.regions import GrowSettings
from vision.sight import first_look

NAMES = tuple(f"{LEARNT}{name}" for name in CELL_CLASSES)


@pytest.fixture(scope="module")
def scene():
    """One small abraded scene."""
    return render_scene(3, "abrasion", SceneSettings(width_px=900, mat="corner-a3", closeup=False))


@pytest.fixture(scope="module")
def job(scene):
    """The scene as one to learn from."""

    class Rendered(SceneJob):
        def load(self):
            return as_photo(scene[0], self.name), scene[1]

    return Rendered("abrasion", 3)


@pytest.fixture(scope="module")
def eye():
    """An eye that learnt nothing: what it says is its own all the same."""
    return EyeInTraining(
        CELL_CLASSES, (2, ROWS, COLUMNS, 3), EyeSettings(channels=((4,), (6,), (8,))), np.random.default_rng(0)
    ).fitted()


@pytest.fixture(scope="module")
def look(job):
    """The first look at it."""
    return first_look(job.load()[0], builtin_layouts())


def test_what_the_eye_says_stands_beside_what_is_measured(look, eye):
    """Measured features stay; one more for every class; another time nothing is added, nor without an eye."""
    seen = seen_by(look, eye)
    assert seen.cells.names == (*look.cells.names, *NAMES)
    assert np.array_equal(seen.cells.features[:, : len(look.cells.names)], look.cells.features)
    for name in NAMES:
        assert np.ptp(seen.cells.column(name)) > 0
    assert seen_by(seen, eye) is seen
    assert seen_by(look, None) is look


def test_the_eye_looks_at_a_quarter_and_what_lies_between_is_their_mean(look, eye):
    """Looked-at cells: what it says of their own patches. The others: the mean of those beside them."""
    mine = np.flatnonzero(every_second(look.grid))
    assert 0.2 < len(mine) / len(look.cells.xy) < 0.4
    said = seen_by(look, eye).cells.features[:, -len(NAMES) :]
    own = np.concatenate([eye.logs(some) for some in patches_of(look, mine)])
    assert np.array_equal(said[mine], own)
    other = np.setdiff1d(np.arange(len(said)), mine)
    beside = np.abs(look.cells.xy[other, None] - look.cells.xy[mine]).max(axis=2) < 1.5 * look.grid.step_px
    assert beside.any(axis=1).all()
    expected = (beside[..., None] * own).sum(axis=1) / beside.sum(axis=1)[:, None]
    assert np.allclose(said[other], expected, atol=1e-4)


def test_a_look_is_for_one_eye(look, eye):
    """What one eye saw is not given to a model with another or with none: an error, no wrong answer."""
    seen = seen_by(look, eye)
    other = EyeInTraining(
        CELL_CLASSES, (2, ROWS, COLUMNS, 3), EyeSettings(channels=((4,), (6,), (8,))), np.random.default_rng(1)
    )
    for wrong in (other.fitted(), None):
        with pytest.raises(ValueError, match="got one that another eye has seen"):
            seen_by(seen, wrong)
        with pytest.raises(ValueError, match="own eye"):
            find_scene(seen, Finder(CELL_CLASSES, seen.cells.names, (), wrong))


def test_the_least_an_eye_says_is_what_signs_expect_where_nothing_is_seen(look):
    """An eye that is sure of one class: of all others it says exactly the least that `vision` knows of."""
    towers = EyeInTraining(
        CELL_CLASSES, (2, ROWS, COLUMNS, 3), EyeSettings(channels=((4,), (6,), (8,))), np.random.default_rng(0)
    )
    sure = towers.fitted()
    sure.head[1].bias[3] += 1000.0
    said = sure.logs(next(patches_of(look, np.arange(50))))
    assert np.allclose(said[:, 3], 0.0)
    assert (np.delete(said, 3, axis=1) == np.float32(LEAST_LOG)).all()


def test_candidates_and_housings_are_described_by_it_too(look, eye):
    """A stretch that a finder takes for abrasion: its signs hold the eye's mean over the very cells."""
    seen = seen_by(look, eye)
    assert learnt_names(seen.cells) == list(NAMES) and not learnt_names(look.cells)
    p = np.zeros((len(seen.cells.xy), len(CELL_CLASSES)))
    p[:, CELL_CLASSES.index("wire")] = 1.0
    middle = np.median(seen.cells.xy, axis=0)
    near = np.linalg.norm(seen.cells.xy - middle, axis=1).argsort()[:60]
    p[near] = 0.0
    p[near, CELL_CLASSES.index("abrasion")] = 1.0
    (candidate,) = recognise(seen, p, CELL_CLASSES, GrowSettings()).wire_candidates
    signs = candidate.signs.values
    for name in NAMES:
        mine = seen.cells.column(name)[candidate.region.cells]
        assert signs[name] == pytest.approx(mine.mean(), abs=1e-4)
        assert signs[f"{name}_top"] >= signs[name] - 1e-6 >= LEAST_LOG - 1e-3
    p[:, :] = 0.0
    p[:, CELL_CLASSES.index("housing")] = 1.0
    for shell in recognise(seen, p, CELL_CLASSES, GrowSettings()).shell_candidates:
        assert {f"{name}_mean" for name in NAMES} <= set(shell.signs.names)


def test_a_cell_lesson_holds_it(job, eye, look):
    """The finder learns from the same features that it later reads."""
    lesson = cell_lesson(job, builtin_layouts(), eye)
    assert lesson.names == seen_by(look, eye).cells.names
    assert np.array_equal(lesson.features, seen_by(look, eye).cells.features)


def test_without_what_the_eye_says_a_cell_lesson_is_the_plain_one(job, eye):
    """Members of the finder that do without an eye learn from the same looks."""
    plain, other = cell_lesson(job, builtin_layouts()), without_eye(cell_lesson(job, builtin_layouts(), eye), eye)
    assert other.names == plain.names and np.array_equal(other.features, plain.features)
    assert np.array_equal(other.classes, plain.classes)
    nothing = replace(plain, names=(), classes=plain.classes[:0], features=plain.features[:0])
    assert without_eye(nothing, eye) is nothing


def test_an_eye_lesson_shows_cells_of_every_class_there_is(job, look):
    """Patches are those of the cells; classes that the scene holds are all there, none crowds out the others."""
    lesson = eye_lesson(job, builtin_layouts())
    plain = cell_lesson(job, builtin_layouts())
    assert set(np.unique(lesson.classes)) == set(np.unique(plain.classes)) - {-1}
    assert np.bincount(lesson.classes).max() <= 150
    known = np.concatenate([*patches_of(look, np.arange(len(look.cells.xy)))]).astype(np.int16)
    for patch in lesson.patches[::40]:  # the same cell, but for rounding
        assert np.abs(known - patch).max(axis=(1, 2, 3, 4)).min() <= 2


def test_patches_wait_in_a_file_in_their_order():
    """A scene without cells among them."""
    rng = np.random.default_rng(2)
    lessons = [
        EyeLesson(rng.integers(-100, 100, (n, 2, 24, 40, 3)).astype(np.int8), rng.integers(0, 9, n)) for n in (3, 0, 5)
    ]
    with tempfile.TemporaryFile() as file:
        patches, truth = patches_in(file, lessons)
        assert np.array_equal(patches, np.concatenate([lesson.patches for lesson in lessons]))
        assert np.array_equal(truth, np.concatenate([lesson.classes for lesson in lessons]))


def lessons_of_noise(rounds, rng):
    """Rounds of scenarios that show every class, each class in its own light."""
    for _ in range(rounds * len(SCENARIOS)):
        classes = np.arange(len(CELL_CLASSES))
        light = (8 * classes)[:, None, None, None, None] + rng.integers(-2, 3, (len(classes), 2, ROWS, COLUMNS, 3))
        yield EyeLesson(light.astype(np.int8), classes)


def test_an_eye_is_judged_by_scenes_left_out():
    """One round in sixteen; fewer scenes, fewer steps; a class that nobody shows is named."""
    rng, told = np.random.default_rng(3), []
    settings = EyeSettings(steps=1000, cells=22, channels=((2,), (3,), (4,)), seen=6, head=6)
    eye, figures = fitted_eye(
        lessons_of_noise(16, rng), settings, 10 * 16 * len(SCENARIOS), 0, lambda *step: told.append(step)
    )
    assert figures["scenes"] == 15 * len(SCENARIOS) and figures["held_out"] == len(SCENARIOS)
    assert set(figures["recall"]) == set(CELL_CLASSES) == set(eye.classes)
    assert told[-1] == ("fitting the eye", 100, 100)
    some = [EyeLesson(lesson.patches[:3], lesson.classes[:3]) for lesson in lessons_of_noise(1, rng)]
    with pytest.raises(DeskError, match=r"got none of housing, .*use more scenes"):
        fitted_eye(some, settings, 8, 0, None)


def test_the_eye_learns_from_scenes_that_nothing_else_learns_from():
    """No seed is shared, whatever the number of scenes; every scenario takes part."""
    assert len(eye_jobs_for(TrainSettings())) == 768
    for scenes in (80, 100, TrainSettings().scenes, 1280):
        settings = TrainSettings(scenes=scenes)
        mine = eye_jobs_for(settings)
        assert not {job.seed for job in mine} & {job.seed for job in jobs_for(settings)}
        assert {job.scenario for job in mine} == set(SCENARIOS)
        assert all(job.extra == settings.extra for job in mine)
