"""Training: which scenes teach what, and what is refused."""

import tempfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from desk.cell_truth import CELL_CLASSES
from desk.errors import DeskError
from desk.finder_training import fit_passes, gathered, kept_in
from desk.train_plan import TrainSettings, fold_of, jobs_for
from desk.training_set import CellLesson
from sample_images.scene import SCENARIOS


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 6), min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_rows_are_gathered_as_from_one_array(sizes, random):
    """Rows in any order, repeated or not, are those of the concatenation; empty inputs do no harm."""
    inputs = [np.arange(n * 3, dtype=np.float32).reshape(n, 3) + 100 * k for k, n in enumerate(sizes)]
    total = sum(sizes)
    rows = np.array([random.randrange(total) for _ in range(12)]) if total else np.zeros(0, int)
    some = rows[:5]
    for got, asked in zip(gathered(inputs.__getitem__, sizes, [rows, some]), (rows, some), strict=False):
        assert np.array_equal(got, np.concatenate(inputs)[asked])


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 5), min_size=1, max_size=6))
def test_lessons_kept_in_a_file_are_the_same(sizes):
    """Features read back are those that were put in, scene by scene; a scene without cells stays one."""
    rng = np.random.default_rng(1)
    lessons = [
        CellLesson(("u", "v"), np.zeros((n, 2)), rng.normal(size=(n, 2)).astype(np.float32), np.zeros(n, int),
                   np.zeros((n, 1), int))
        for n in sizes
    ]  # fmt: skip
    with tempfile.TemporaryFile() as file:
        kept = kept_in(file, lessons)
        for before, after in zip(lessons, kept, strict=True):
            assert np.array_equal(before.features, after.features)


def test_both_folds_hold_every_scenario_crowded_and_usual():
    """No fold lacks a scenario of either kind, no scene is twice in the list, the last fifth is not crowded."""
    jobs = jobs_for(TrainSettings())
    assert len({job.name for job in jobs}) == len(jobs)
    for fold in (0, 1):
        mine = [job for number, job in enumerate(jobs) if fold_of(number) == fold]
        assert {job.scenario for job in mine if job.extra} == set(SCENARIOS)
        assert {job.scenario for job in mine if not job.extra} == set(SCENARIOS)
    usual = [job.extra == 0 for job in jobs]
    assert not any(usual[: len(jobs) * 4 // 5]) and all(usual[len(jobs) * 4 // 5 :])


def test_scenes_without_a_class_cannot_teach_it():
    """Cells of one class alone: refused, naming what is missing."""
    lesson = CellLesson(("u",), np.zeros((4, 2)), np.zeros((4, 1), np.float32), np.zeros(4, int), np.zeros((4, 1), int))
    with pytest.raises(DeskError, match=r"got none of wire, covering.*use more scenes"):
        fit_passes([lesson] * (2 * len(SCENARIOS)), TrainSettings())
    assert CELL_CLASSES[0] == "ground"
