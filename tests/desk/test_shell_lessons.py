"""Lessons of the shell eye: housings of rendered leads as they are seen, and what is broken on them."""

from functools import partial

import numpy as np
import pytest

from desk import shell_lessons as taught
from desk.errors import DeskError
from desk.shell_lessons import broken_kinds, fitted_shell_eye, shell_lessons
from desk.train_plan import TrainSettings, lead_seeds
from models.damage.shell_eye import SHELL_CLASSES
from models.damage.shell_eye_training import ShellEyeSettings
from sample_images.leads import render_leads
from sample_images.scene import SceneSettings
from vision.layout import builtin_layouts

FRACTURE, HOLLOW, PIECE, TERMINAL = (SHELL_CLASSES.index(name) for name in ("fracture", "hollow", "piece", "terminal"))
FEW = ShellEyeSettings(windows=4, channels=((4,), (6,), (8,)), up=(6,))


@pytest.fixture(scope="module")
def lessons():
    """Housings of one small picture."""
    small = partial(render_leads, settings=SceneSettings(width_px=1400, closeup=False, no_mat_share=0.0))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(taught, "render_leads", small)
        return shell_lessons(5, builtin_layouts())


def test_kinds_by_where_and_how_wide():
    """A line on the housing is a fracture, a wide place a hollow, what lies beside it a piece."""
    housing, broken = np.zeros((120, 120), np.uint8), np.zeros((120, 120), np.uint8)
    housing[20:100, 20:80] = 1
    broken[30:33, 25:70] = 1
    broken[50:80, 30:60] = 1
    broken[50:60, 95:105] = 1
    kinds = broken_kinds(broken, housing, np.zeros_like(housing))
    assert (kinds[30:33, 25:70] == FRACTURE).all()
    assert (kinds[50:80, 30:60] == HOLLOW).all()
    assert (kinds[50:60, 95:105] == PIECE).all()
    assert (kinds[broken == 0] == 0).all()
    pushed = broken_kinds(broken, housing, housing)
    assert set(np.unique(pushed)) == {0, PIECE, TERMINAL}


def test_a_lesson_shows_the_housing_it_is_about(lessons):
    """Its pixels differ from the paper around, and breaks lie on or near housings."""
    assert len(lessons) >= 4
    assert any((lesson.broken > 0).any() for lesson in lessons)
    for lesson in lessons:
        lab = lesson.lab.astype(float)
        edge = np.median(lab[:6].reshape(-1, 3), axis=0)
        inside = np.median(lab[lesson.own], axis=0)
        assert np.linalg.norm(inside - edge) > 5
        assert lesson.housing[lesson.own].all()
        rows, columns = np.nonzero(lesson.own)
        assert abs(rows.mean() - lesson.own.shape[0] / 2) < 25
        assert abs(columns.mean() - lesson.own.shape[1] / 2) < 25


def test_its_figures_are_of_scenes_left_out(lessons):
    """The first scene in twelve is not taught; progress is told; the eye answers for every kind."""
    told = []
    eye, figures = fitted_shell_eye(
        [lessons, lessons], FEW, 400, 1, lambda what, done, of: told.append((what, done, of))
    )
    assert figures["housings"] == figures["held_out"] == len(lessons)
    assert all(0 <= figures[name] <= 1 for name in ("fracture", "hollow", "terminal"))
    assert told[-1] == ("fitting the shell eye", 60, 60)
    assert set(eye.breaks(np.zeros((32, 48, 3), np.int8))) == set(SHELL_CLASSES[2:])


def test_too_few_leads_are_refused_in_one_line(lessons):
    """Where all housings taught are whole."""
    whole = [lesson for lesson in lessons if not (lesson.broken > 0).any()]
    with pytest.raises(DeskError, match="expected broken housings and whole ones, got 0 and"):
        fitted_shell_eye([[], whole], FEW, 400, 1, None)


def test_smaller_trainings_look_at_fewer_leads():
    """In proportion to the scenes, never more than the usual ones."""
    assert len(lead_seeds(TrainSettings())) == 400
    assert len(lead_seeds(TrainSettings(scenes=176))) == 100
    assert len(lead_seeds(TrainSettings(scenes=2000))) == 400
    assert lead_seeds(TrainSettings()).start == 30_000
