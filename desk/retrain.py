"""Trains the damage model on generated scenes: finder, namers, calibration of the measures, card."""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from desk.cell_truth import CELL_CLASSES
from desk.errors import DeskError
from desk.eye_lessons import eye_lesson, fitted_eye
from desk.files import check_writable, make_folder
from desk.finder_training import fit_passes, kept_in
from desk.gauge_lessons import fit_gauges
from desk.parallel import Progress, counted, pool_map
from desk.shell_lessons import fitted_shell_eye, shell_lessons
from desk.statistics import f1_by_label
from desk.strange_lessons import EVERY, fit_strangeness, strange_lesson
from desk.train_plan import (
    FOLDS,
    USUAL_EYE_SCENES,
    TrainSettings,
    eye_jobs_for,
    eyeless,
    fold_of,
    jobs_for,
    lead_seeds,
    seeds_of,
    shop_jobs_for,
)
from desk.training_set import (
    CandidateLesson,
    CellLesson,
    SceneJob,
    SceneLesson,
    candidate_lessons,
    cell_lesson,
    without_eye,
)
from models.damage.card import CARD_FILE, SHIPPED
from models.damage.finder import Finder
from models.damage.lessons import KINDS, LESSONS_FILE, Lessons, lessons_of, save_lessons
from models.damage.namer import MISCOVERAGE, SHELL_SOUND_MISCOVERAGE, Namer, booster, fit_namer, shell_forest
from models.damage.refit import Steps
from models.damage.store import DamageModel, content_hash, load_model, save_model
from models.damage.strange import Strangeness
from sample_images.scene import SCENARIOS
from vision.cells import FEATURE_VERSION
from vision.findings import LABELS
from vision.layout import MatLayout, builtin_layouts
from vision.recognise import WIRE_DAMAGES

WIRE_LABELS = (*WIRE_DAMAGES, "sound")
SHELL_LABELS = ("connector", "sound")


def train(
    jobs: Sequence[SceneJob],
    settings: TrainSettings,
    on_progress: Progress | None = None,
    record: Callable[[Sequence[SceneLesson]], None] | None = None,
) -> DamageModel:
    """Train on scenes. ``record`` is handed the candidates that the namers learn from.

    Each part of the finder learns on one fold of whole scenes and finds candidates on the other: so the namers and
    every correction learn on all scenes, from candidates found by a finder that never saw them. The whole finder finds
    more, on scenes such as a shop's that no part of it saw.
    """
    # one BLAS thread everywhere: the same sums in the same order, whatever the machine
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1), tempfile.TemporaryFile() as file:
        layouts = builtin_layouts()
        eye_jobs = eye_jobs_for(settings)
        showing = pool_map(partial(eye_lesson, layouts=layouts), eye_jobs, settings.workers)
        shown = counted(showing, len(eye_jobs), "looking at patches", on_progress)
        eye, eye_figures = fitted_eye(
            shown, settings.eye, USUAL_EYE_SCENES, settings.seed, on_progress, settings.workers
        )
        leads = lead_seeds(settings)
        cutting = pool_map(partial(shell_lessons, layouts=layouts), leads, settings.workers)
        housings = counted(cutting, len(leads), "looking at housings", on_progress)
        shell_eye, shell_figures = fitted_shell_eye(
            housings, settings.shell_eye, settings.leads, settings.seed, on_progress, settings.workers
        )
        more_jobs = jobs_for(eyeless(settings))
        every = list(dict.fromkeys((*more_jobs, *jobs)))  # most are in both: each is rendered and looked at once
        looking = pool_map(partial(cell_lesson, layouts=layouts, eye=eye), every, settings.workers)
        cells = dict(
            zip(every, kept_in(file, counted(looking, len(every), "looking at cells", on_progress)), strict=True)
        )
        looked = [cells[job] for job in jobs]
        plain = [without_eye(cells[job], eye) for job in more_jobs]
        names = next(s.names for s in looked if len(s.classes))
        folds = [fold_of(i) for i in range(len(jobs))]
        networks = 2 * len(FOLDS) * (2 * settings.first_members + settings.second_members)
        steps = Steps(networks, partial(on_progress, "fitting the finder") if on_progress else None)
        parts = []
        for k in FOLDS:
            alone = fit_passes(_of_fold(plain, k), eyeless(settings), steps.step)
            parts.append(fit_passes(_of_fold(looked, k), settings, steps.step, alone))
        finder = Finder(CELL_CLASSES, names, tuple(parts), eye, shell_eye)
        some = range(0, len(jobs), EVERY)
        laying = pool_map(partial(strange_lesson, layouts=layouts, eye=eye), [jobs[i] for i in some], settings.workers)
        odd = list(counted(laying, len(some), "looking at strange matter", on_progress))
        strangeness = fit_strangeness(
            looked, odd, (folds, [folds[i] for i in some]), [job.extra == 0 for job in jobs], settings.seed
        )
        other = {k: finder.part(1 - k) for k in FOLDS}
        work = partial(_candidates, layouts=layouts, finders=other)
        naming = pool_map(work, [*zip(jobs, folds, strict=True)], settings.workers)
        found = list(counted(naming, len(jobs), "naming candidates", on_progress))
        shop = shop_jobs_for(settings)
        finding = pool_map(partial(candidate_lessons, layouts=layouts, finder=finder), shop, settings.workers)
        found += counted(finding, len(shop), "finding as at work", on_progress)
        if record:
            record(found)
        return fit_rest(finder, strangeness, found, settings, len(jobs), eye_figures, shell_figures)


def _of_fold(lessons: Sequence[CellLesson], fold: int) -> list[CellLesson]:
    """What was seen of the scenes of one fold."""
    return [lesson for i, lesson in enumerate(lessons) if fold_of(i) == fold]


def _candidates(
    job_and_fold: tuple[SceneJob, int], layouts: Sequence[MatLayout], finders: dict[int, Finder]
) -> SceneLesson:
    job, fold = job_and_fold
    return candidate_lessons(job, layouts, finders[fold])


def fit_rest(
    finder: Finder,
    strangeness: Strangeness,
    found: Sequence[SceneLesson],
    settings: TrainSettings,
    scenes: int,
    eye_figures: dict[str, Any],
    shell_eye_figures: dict[str, Any],
) -> DamageModel:
    """Namers and calibration from candidates on scenes that nothing which found them learnt from."""
    wires, shells = ([c for s in found for c in s.candidates if c.kind == kind] for kind in ("wires", "shell"))
    usual = {s.name for s in found if s.usual}
    # on wires the usual share of damage took as many right finds away as false ones; on housings it does not
    wire_namer, wire_names = _fit_on(wires, WIRE_LABELS, settings, booster, set(), MISCOVERAGE)
    shell_namer, shell_names = _fit_on(shells, SHELL_LABELS, settings, shell_forest, usual, SHELL_SOUND_MISCOVERAGE)
    named = [*zip(wires, wire_names, strict=True), *zip(shells, shell_names, strict=True)]
    first, end = seeds_of(settings)
    shop = shop_jobs_for(settings)
    more = sum(not job.usual for job in shop)
    card: dict[str, Any] = {
        "feature_version": FEATURE_VERSION,
        "trained_on": f"{len(jobs_for(eyeless(settings)))} generated scenes for the finder, {scenes} with its eye, "
        f"crowded ones with uncommon things {settings.crowded_times:g} times as likely, "
        f"{len(eye_jobs_for(settings))} others for the eye, seeds {first} to {end - 1}; "
        f"{len(lead_seeds(settings))} benches of leads for the shell eye, seeds from {settings.lead_seed}; "
        f"{len(shop) - more} scenes as a shop's for names and measures alone, seeds from {settings.shop_seed}, and "
        f"after them {more} with uncommon things {settings.uncommon_times:g} times as likely",
        "seeds": [first, end],
        "shop_seeds": [settings.shop_seed, shop[-1].seed + 1],
        "settings": {k: v for k, v in asdict(settings).items() if k not in ("workers", "folder")},
        "eye": eye_figures,
        "shell_eye": shell_eye_figures,
        "candidates": {kind: dict(Counter(c.label for c in ls)) for kind, ls in (("wires", wires), ("shells", shells))},
        "f1_out_of_fold": {
            kind: f1_by_label([(c.label, name) for c, name in named if c.kind == kind]) for kind in ("wires", "shell")
        },
        "sound_shift": {"wires": wire_namer.sound_shift, "shells": shell_namer.sound_shift},
        "no_region_rates": _no_region_rates([s for s in found if s.usual], named),
    }
    gauges, ending, counts = fit_gauges(found, settings.seed)
    model = DamageModel(finder, wire_namer, shell_namer, gauges, ending, card, strangeness, counts)
    card["version"] = f"samples-{content_hash(model)[:10]}"
    return replace(model, card=card)


def _fit_on(
    lessons: list[CandidateLesson],
    labels: tuple[str, ...],
    settings: TrainSettings,
    kind: Callable[[int], Any],
    usual: set[str],
    sound_miscoverage: float,
) -> tuple[Namer, list[str]]:
    """A namer, and the label that folds not trained on gave each lesson. usual : names of scenes."""
    x = np.stack([c.vector for c in lessons])
    y = np.array([labels.index(c.label) for c in lessons])
    scenes = {name: i for i, name in enumerate(dict.fromkeys(c.scene for c in lessons))}
    groups = np.array([scenes[c.scene] for c in lessons])
    try:
        shown = np.array([c.scene in usual for c in lessons])
        namer, held_out = fit_namer(
            labels, lessons[0].names, x, y, groups, settings.seed, kind, shown, sound_miscoverage
        )
    except ValueError as error:
        raise DeskError(f"retrain: {error}") from error
    return namer, [labels[i] for i in held_out.argmax(axis=1)]


def _no_region_rates(found: Sequence[SceneLesson], named: Iterable[tuple[CandidateLesson, str]]) -> dict[str, float]:
    """What photographs without any named damage really showed, as rates that sum to 1 (add-one smoothing).

    named : candidates with the labels that folds not trained on gave them.
    """
    damaged = {lesson.scene for lesson, label in named if label != "sound"}
    counts = Counter({name: 1.0 for name in LABELS})
    counts.update(scene.labels[0] for scene in found if scene.name not in damaged)
    total = sum(counts.values())
    return {name: counts[name] / total for name in LABELS}


def retrain_from_samples(
    scenes: int | None = None,
    seed: int | None = None,
    output: Path | None = None,
    keep: Path | None = None,
    workers: int | None = None,
) -> DamageModel:
    """Render scenes, train on them, and write the model into ``output`` (default: the model in use).

    The same scenes and seed give the same model. ``keep`` : folder for the rendered pictures; those there already
    are not rendered again.
    """
    usual = TrainSettings()
    settings = replace(
        usual,
        scenes=usual.scenes if scenes is None else scenes,
        seed=usual.seed if seed is None else seed,
        workers=workers or min(os.cpu_count() or 1, 8),
        folder=None if keep is None else str(keep),
    )
    if settings.scenes < 10 * len(SCENARIOS):
        raise DeskError(f"retrain: --scenes: expected at least {10 * len(SCENARIOS)}, got {settings.scenes}")
    early = settings.seed - eyeless(settings).seed
    if settings.seed < early:
        raise DeskError(
            f"retrain: --seed: expected at least {early} for {settings.scenes} scenes (so many before it are used), "
            f"got {settings.seed}"
        )
    first, end = seeds_of(settings)
    shop = [job.seed for job in shop_jobs_for(settings)]
    if first <= shop[-1] and shop[0] < end:
        raise DeskError(
            f"retrain: --seed: expected scenes other than those of seeds {shop[0]} to {shop[-1]}, in which the finder "
            f"looks for damage that it never saw, got {settings.seed}, which takes seeds {first} to {end - 1}"
        )
    # before the long work: an answer that cannot be written is no answer
    make_folder(output or SHIPPED, "--output")
    check_writable((output or SHIPPED) / CARD_FILE, "--output")
    if keep is not None:
        make_folder(keep, "--keep")
    from desk.console import training_progress

    found: list[SceneLesson] = []
    with training_progress() as on_progress:
        model = train(jobs_for(settings), settings, on_progress, found.extend)
    folder = output or SHIPPED
    save_model(model, folder)
    save_lessons(recorded(found), content_hash(model), folder / LESSONS_FILE)
    return load_model(folder)


def recorded(found: Sequence[SceneLesson], weight: float = 1.0) -> dict[str, Lessons]:
    """The candidates by kind, as they are kept beside a model."""
    return {
        kind: lessons_of(
            [(c.names, c.vector, c.label, c.scene) for s in found for c in s.candidates if c.kind == kind], weight
        )
        for kind in KINDS
    }
