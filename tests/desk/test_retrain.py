"""Training: which scenes teach what, and what is refused."""

import tempfile
import warnings
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from desk.cell_truth import CELL_CLASSES
from desk.errors import DeskError
from desk.finder_training import fit_passes, gathered, kept_in
from desk.retrain import retrain_from_samples
from desk.samples import make_samples
from desk.train_plan import (
    TrainSettings,
    eye_jobs_for,
    eyeless,
    fold_of,
    jobs_for,
    seeds_of,
    shop_jobs_for,
)
from desk.training_set import CellLesson, SceneJob
from models.damage.finder import ignoring, mean_answer, new_pass
from sample_images.scene import SCENARIOS, SceneSettings, render_scene
from vision.reading import read_photo


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
    """No fold lacks a scenario of either kind, no scene is twice in the list, the last ones are not crowded."""
    jobs = jobs_for(TrainSettings())
    assert len({job.name for job in jobs}) == len(jobs)
    for fold in (0, 1):
        mine = [job for number, job in enumerate(jobs) if fold_of(number) == fold]
        assert {job.scenario for job in mine if job.extra} == set(SCENARIOS)
        assert {job.scenario for job in mine if not job.extra} == set(SCENARIOS)
    usual = [job.extra == 0 for job in jobs]
    assert usual == sorted(usual) and sum(usual) == 192


@pytest.mark.parametrize("scenes", [80, 100, 704, 1000])
def test_each_seed_is_in_one_fold_and_half_for_members_with_and_without_an_eye(scenes):
    """What a part says of the scenes of the other fold is said by members none of which saw them; the scenes of both
    end together, so that the eye's own stay its own."""
    settings = TrainSettings(scenes=scenes)
    with_eye, without = jobs_for(settings), jobs_for(eyeless(settings))
    places = [
        {job.seed: number // len(SCENARIOS) % 4 for number, job in enumerate(jobs)} for jobs in (with_eye, without)
    ]
    assert places[0].items() <= places[1].items() and len(without) > 1.5 * len(with_eye)
    assert not {job.seed for job in without} & {job.seed for job in eye_jobs_for(settings)}
    assert not {job.name for job in shop_jobs_for(settings)} & {job.name for job in (*with_eye, *without)}
    first, end = seeds_of(settings)
    assert not any(first <= job.seed < end for job in shop_jobs_for(settings))
    assert all(first <= job.seed < end for job in (*with_eye, *without, *eye_jobs_for(settings)))


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 4), st.integers(0, 4), st.integers(1, 3), st.integers(0, 99))
def test_a_pass_that_ignores_columns_answers_as_without_them(columns, at, more, seed):
    """Whatever stands in columns put in anywhere, the answers are those for the others alone."""
    at = min(at, columns)
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(40, columns))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        member = new_pass((3,), seed, 1).fit(x, np.arange(40) % 2)
    wide = np.insert(x, [at] * more, rng.normal(size=(40, more)) * 50, axis=1)
    assert np.allclose(ignoring(member, at, more).predict_proba(wide), member.predict_proba(x))
    assert member.n_features_in_ == columns


def test_members_without_an_eye_answer_beside_the_others(monkeypatch):
    """Four first passes and the second ones of both kinds; those without an eye answer as they did alone; the second
    pass learns from first passes of the other half, of both kinds, though one scene has no cells."""
    rng = np.random.default_rng(5)
    count = 4 * len(CELL_CLASSES)

    def lesson(n):
        classes = np.arange(n) % len(CELL_CLASSES)
        x = np.stack([classes + rng.normal(size=n), rng.normal(size=n), -classes], axis=1).astype(np.float32)
        xy = np.stack([np.arange(n) * 9.0, np.zeros(n)], axis=1)
        return CellLesson(("u", "v", "eye_wire"), xy, x, classes, np.zeros((n, 1), int))

    lessons = [lesson(0 if k == 3 else count) for k in range(2 * len(SCENARIOS))]
    plain = [replace(s, names=s.names[:2], features=s.features[:, :2]) for s in lessons]
    quick = TrainSettings(hidden=(4, 3), epochs=2, second_members=1, per_class=60, least=10)
    asked = []

    def recorded(members, features):
        asked.append((members, len(features)))
        return mean_answer(members, features)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        alone = fit_passes(plain, quick)
        monkeypatch.setattr("desk.finder_training.mean_answer", recorded)
        both = fit_passes(lessons, quick, beside=alone)
    assert (len(both.first), len(both.second)) == (4, 2)
    x = lessons[0].features
    for with_others, before in ((both.first[1], alone.first[0]), (both.first[3], alone.first[1])):
        assert np.allclose(with_others.predict_proba(x), before.predict_proba(x[:, :2]))
    other_half = [both.first[2:]] * (len(SCENARIOS) - 1) + [both.first[:2]] * len(SCENARIOS)
    assert [members for members, _ in asked] == other_half and {n for _, n in asked} == {count}


def test_scenes_as_a_shops_come_in_whole_rounds_the_fewer_the_fewer_there_are():
    """As many as are said for the usual number of scenes, an eighth of them for an eighth, never more; none crowded."""
    usual = TrainSettings()
    every = shop_jobs_for(usual)
    assert every == shop_jobs_for(TrainSettings(scenes=2 * usual.scenes))
    assert [job.uncommon for job in every] == [1.0] * usual.shop + [2.5] * usual.uncommon_scenes
    assert [job.usual for job in every] == [True] * usual.shop + [False] * usual.uncommon_scenes
    assert len({job.seed for job in every}) * len(SCENARIOS) == len(every), "no seed twice"
    few = shop_jobs_for(TrainSettings(scenes=usual.scenes // 8))
    assert [job.scenario for job in few] == [*SCENARIOS] * (len(few) // len(SCENARIOS)) and len(few) in (104, 112)
    assert {job.extra for job in few} == {0}


def test_a_scene_as_a_shops_is_the_photograph_that_samples_writes(monkeypatch, tmp_path):
    """Pixel by pixel, kept in a folder or not; a scene that is not saved differs."""
    small = render_scene(60_003, "sound", SceneSettings(width_px=800))
    for module in ("desk.samples", "desk.training_set"):
        monkeypatch.setattr(f"{module}.render_scene", lambda *_: small)
    file = make_samples(tmp_path, 1, 60_003, scenario="sound")[0]
    written = read_photo(file).bgr
    for folder in (None, str(tmp_path)):
        photo, truth = SceneJob("sound", 60_003, folder, saved=True).load()
        assert np.array_equal(photo.bgr, written) and truth.photo == file.name
    # pictures that another state of the scenes' code made of the same seed are left alone
    other = render_scene(60_004, "sound", SceneSettings(width_px=800))
    for module in ("desk.samples", "desk.training_set"):
        monkeypatch.setattr(f"{module}.render_scene", lambda *_: other)
    monkeypatch.setattr("desk.training_set.edition", lambda: "scenes-of-later")
    assert not np.array_equal(SceneJob("sound", 60_003, str(tmp_path), saved=True).load()[0].bgr, written)
    assert not np.array_equal(SceneJob("sound", 60_003).load()[0].bgr, written)


def test_a_seed_whose_scenes_would_begin_before_nought_is_refused(tmp_path):
    """Before anything is made: the line says from which seed on it goes."""
    with pytest.raises(DeskError, match=r"--seed: expected at least 8 for 80 scenes .*, got 7"):
        retrain_from_samples(scenes=80, seed=7, output=tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("seed", [60_000, 60_005, 59_990])
def test_a_seed_whose_scenes_the_finder_is_to_see_for_the_first_time_later_is_refused(tmp_path, seed):
    """Before anything is made; 59990 takes ten seeds of scenes and more for the eye."""
    with pytest.raises(DeskError, match="--seed: expected scenes other than those of seeds 60000 to 600"):
        retrain_from_samples(scenes=80, seed=seed, output=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_scenes_without_a_class_cannot_teach_it():
    """Cells of one class alone: refused, naming what is missing."""
    lesson = CellLesson(("u",), np.zeros((4, 2)), np.zeros((4, 1), np.float32), np.zeros(4, int), np.zeros((4, 1), int))
    with pytest.raises(DeskError, match=r"got none of wire, covering.*use more scenes"):
        fit_passes([lesson] * (2 * len(SCENARIOS)), TrainSettings())
    assert CELL_CLASSES[0] == "ground"
