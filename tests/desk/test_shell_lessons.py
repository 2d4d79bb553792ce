"""Lessons of the shell eye: housings of rendered leads as they are seen, and what is broken on them."""

from dataclasses import replace

import numpy as np
import pytest

from desk import shell_lessons as taught
from desk.errors import DeskError
from desk.shell_lessons import fitted_shell_eye, shell_lessons
from desk.train_plan import TrainSettings, lead_seeds
from models.damage.shell_eye import SHELL_CLASSES
from models.damage.shell_eye_training import ShellEyeSettings
from sample_images.leads import render_leads
from sample_images.scene import SceneSettings
from vision.layout import builtin_layouts

FEW = ShellEyeSettings(windows=4, channels=((4,), (6,), (8,)), up=(6,))


@pytest.fixture(scope="module")
def leads():
    """One small picture."""
    return render_leads(5, SceneSettings(width_px=1200, closeup=False, no_mat_share=0.0))


def lessons_of(leads):
    """What is taught of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(taught, "render_leads", lambda seed: leads)
        return shell_lessons(5, builtin_layouts())


@pytest.fixture(scope="module")
def lessons(leads):
    """Its housings."""
    return lessons_of(leads)


def test_a_lesson_shows_the_housing_it_is_about(lessons):
    """Its pixels differ from the paper around, and breaks lie on or near housings."""
    assert len(lessons) >= 4
    assert any((lesson.broken > 0).any() for lesson in lessons)
    for lesson in lessons:
        lab = lesson.lab.astype(float)
        rim = np.zeros(lesson.own.shape, bool)
        rim[:6] = True
        edge = np.median(lab[rim & lesson.seen], axis=0) if (rim & lesson.seen).any() else [97, 0, 0]
        inside = np.median(lab[lesson.own], axis=0)
        assert np.linalg.norm(inside - edge) > 5
        assert lesson.housing[lesson.own].all()
        assert not (lesson.housing | lesson.own | (lesson.broken > 0))[~lesson.seen].any()
        assert lesson.px_per_window_px == pytest.approx(5.0 * 0.25)


def test_a_housing_whose_break_is_hidden_is_left_out(leads, lessons):
    """It is neither whole nor shows what broke; those that are whole stay."""
    left = lessons_of(replace(leads, breaks=np.zeros_like(leads.breaks)))
    assert 0 < len(left) < len(lessons)
    assert not any((lesson.broken > 0).any() for lesson in left)


def test_housings_outside_the_photograph_are_left_out(leads, lessons):
    """The same picture cut through one of them: fewer are taught, one of them seen in part."""
    across = sorted([x for ring in housing.rings_px for x, _ in ring] for housing in leads.truth.housings)
    xs = np.array(across[len(across) // 2])
    wide = round(xs.min() + 0.75 * np.ptp(xs))
    truth = leads.truth.model_copy(update={"width_px": wide})
    part = replace(leads, picture=leads.picture[:, :wide], breaks=leads.breaks[:, :wide], truth=truth)
    fewer = lessons_of(part)
    assert 0 < len(fewer) < len(lessons)
    assert any(not lesson.seen.all() for lesson in fewer)


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
