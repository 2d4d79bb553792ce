"""Trains the damage model on generated scenes: finder, namers, calibration of the measures, card."""

from __future__ import annotations

import os
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import IO, Any

import numpy as np
from sklearn.exceptions import ConvergenceWarning
from sklearn.pipeline import Pipeline

from desk.cell_truth import CELL_CLASSES
from desk.errors import DeskError
from desk.files import check_writable, make_folder
from desk.gauge_lessons import fit_gauges
from desk.parallel import Progress, counted, pool_map
from desk.statistics import f1_by_label
from desk.training_set import CandidateLesson, CellLesson, SceneJob, SceneLesson, candidate_lessons, cell_lesson
from models.damage.finder import Finder, Neighbourhood, TwoPasses, balanced, mean_answer, new_pass, second_pass_input
from models.damage.lessons import KINDS, LESSONS_FILE, Lessons, lessons_of, save_lessons
from models.damage.namer import Namer, fit_namer, forest, shell_forest
from models.damage.store import CARD_FILE, SHIPPED, DamageModel, content_hash, load_model, save_model
from sample_images.scene import SCENARIOS
from vision.cells import FEATURE_VERSION, Cells
from vision.findings import LABELS
from vision.grid import make_grid, surroundings
from vision.layout import MatLayout, builtin_layouts
from vision.recognise import WIRE_DAMAGES

WIRE_LABELS = (*WIRE_DAMAGES, "sound")
SHELL_LABELS = ("connector", "sound")


@dataclass(frozen=True)
class TrainSettings:
    """How the model is trained.

    ``usual_share`` : the last scenes, which show what photographs of a shop show; all before are crowded with
    ``extra`` more damages each, because a damage covers a hundredth of its photograph and many are needed.
    """

    scenes: int = 1280
    seed: int = 20_000
    usual_share: float = 0.2
    extra: int = 4
    hidden: tuple[int, ...] = (192, 64)
    epochs: int = 10
    first_members: int = 1
    second_members: int = 3
    per_class: int = 60_000
    least: int = 6_000
    workers: int = 2
    folder: str | None = None


def jobs_for(settings: TrainSettings) -> list[SceneJob]:
    """The scenes of a training run: every scenario in turn."""
    n = len(SCENARIOS)
    crowded = round(settings.scenes * (1 - settings.usual_share) / n) * n
    return [
        SceneJob(SCENARIOS[i % n], settings.seed + i // n, settings.folder, settings.extra if i < crowded else 0)
        for i in range(settings.scenes)
    ]


def train(
    jobs: Sequence[SceneJob],
    settings: TrainSettings,
    on_progress: Progress | None = None,
    record: Callable[[Sequence[SceneLesson]], None] | None = None,
) -> DamageModel:
    """Train on scenes. ``record`` is handed the candidates that the namers learn from.

    Two finders learn on one fold of whole scenes each and find candidates on the other: so the namers and every
    correction learn on all scenes, from candidates found by a finder that never saw them. The model's own finder
    learns on all.
    """
    # one BLAS thread everywhere: the same sums in the same order, whatever the machine
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1), tempfile.TemporaryFile() as file:
        layouts = builtin_layouts()
        looking = pool_map(partial(cell_lesson, layouts=layouts), jobs, settings.workers)
        looked = kept_in(file, counted(looking, len(jobs), "looking at cells", on_progress))
        names = next(s.names for s in looked if len(s.classes))
        folds = [_fold(i) for i in range(len(jobs))]
        sets = [
            [s for s, fold in zip(looked, folds, strict=True) if fold in wanted and len(s.classes)]
            for wanted in ((1,), (0,), FOLDS)
        ]
        steps = _Steps(len(sets) * (2 * settings.first_members + settings.second_members), on_progress)
        *halves, whole = (Finder(CELL_CLASSES, names, (fit_passes(s, settings, steps),)) for s in sets)
        work = partial(_candidates, layouts=layouts, finders=dict(zip(FOLDS, halves, strict=True)))
        naming = pool_map(work, [*zip(jobs, folds, strict=True)], settings.workers)
        found = list(counted(naming, len(jobs), "naming candidates", on_progress))
        if record:
            record(found)
        return fit_rest(whole, found, settings, len(jobs))


def kept_in(file: IO[bytes], lessons: Iterable[CellLesson]) -> list[CellLesson]:
    """The same lessons, their features moved to a file and read when asked for: together they would fill the memory."""
    held: list[CellLesson] = []
    columns = 0
    for lesson in lessons:
        file.write(lesson.features.astype(np.float32).tobytes())
        columns = max(columns, lesson.features.shape[1])
        held.append(replace(lesson, features=lesson.features[:0]))
    file.flush()
    sizes = [len(lesson.classes) for lesson in held]
    if not sum(sizes):
        return held
    whole = np.memmap(file, np.float32, "r", shape=(sum(sizes), columns))
    ends = np.cumsum(sizes)
    return [replace(s, features=whole[end - n : end]) for s, n, end in zip(held, sizes, ends, strict=True)]


class _Steps:
    """Counts networks fitted and tells of each."""

    def __init__(self, total: int, on_progress: Progress | None) -> None:
        self._done, self._total, self._tell = 0, total, on_progress

    def __call__(self) -> None:
        self._done += 1
        if self._tell:
            self._tell("fitting the finder", self._done, self._total)


FOLDS = (0, 1)


def _fold(number: int) -> int:
    """Fold of the scene with this number: whole rounds of scenarios alternate."""
    return (number // len(SCENARIOS)) % 2


def _candidates(
    job_and_fold: tuple[SceneJob, int], layouts: Sequence[MatLayout], finders: dict[int, Finder]
) -> SceneLesson:
    job, fold = job_and_fold
    return candidate_lessons(job, layouts, finders[fold])


def around(lesson: CellLesson) -> Neighbourhood:
    """What lies around each cell of one photograph, as the second pass sees it."""
    grid = make_grid(Cells(lesson.xy, lesson.features, lesson.names, lesson.xy, lesson.lanes))
    return partial(surroundings, grid, lesson.lanes)


def fit_passes(
    lessons: Sequence[CellLesson], settings: TrainSettings, on_step: Callable[[], None] | None = None
) -> TwoPasses:
    """Both passes; the second learns from first-pass answers on scenes that the first did not see."""
    rng = np.random.default_rng(settings.seed)
    # the members of every pass hold all classes, or their answers could not be averaged;
    # halves of whole rounds of scenarios
    half = (np.arange(len(lessons)) // len(SCENARIOS)) % 2
    parts = [[s for s, h in zip(lessons, half, strict=True) if h == k] for k in (0, 1)]
    for part in parts:
        absent = set(range(len(CELL_CLASSES))) - {int(c) for s in part for c in np.unique(s.classes)}
        if absent:
            names = ", ".join(CELL_CLASSES[i] for i in sorted(absent))
            raise DeskError(f"retrain: expected cells of every class, got none of {names}: use more scenes (--scenes)")

    def fit(part: Sequence[CellLesson], sees: Callable[[int], np.ndarray], members: int) -> tuple[Pipeline, ...]:
        y = np.concatenate([s.classes for s in part])
        taught = np.flatnonzero(y >= 0)
        rows = [taught[balanced(y[taught], settings.per_class, settings.least, rng)] for _ in range(members)]
        out = []
        for k, x in enumerate(gathered(sees, [len(s.classes) for s in part], rows)):
            with warnings.catch_warnings():
                # a fixed number of epochs is meant: stopping there is the regularisation
                warnings.simplefilter("ignore", ConvergenceWarning)
                out.append(new_pass(settings.hidden, settings.seed + k, settings.epochs).fit(x, y[rows[k]]))
            if on_step:
                on_step()
        return tuple(out)

    def alone(part: Sequence[CellLesson]) -> Callable[[int], np.ndarray]:
        return lambda number: part[number].features

    firsts = [fit(part, alone(part), settings.first_members) for part in parts]

    def both(number: int) -> np.ndarray:
        lesson = lessons[number]
        answer = mean_answer(firsts[1 - half[number]], lesson.features)
        return second_pass_input(lesson.features, answer, around(lesson))

    return TwoPasses((*firsts[0], *firsts[1]), fit(lessons, both, settings.second_members))


def gathered(sees: Callable[[int], np.ndarray], sizes: Sequence[int], rows: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Rows of many inputs as if they were one array, in the order asked; all of it together would fill the memory.

    sees(k) : (sizes[k], F) the k-th input, asked for once; rows : several choices of rows
    """
    starts = np.cumsum([0, *sizes])
    which = [np.searchsorted(starts, mine, side="right") - 1 for mine in rows]
    out: list[np.ndarray] = []
    for number in range(len(sizes)):
        wanted = [np.flatnonzero(w == number) for w in which]
        if not any(map(len, wanted)):
            continue
        x = sees(number)
        if not out:
            out = [np.empty((len(mine), x.shape[1]), np.float32) for mine in rows]
        for there, mine, at in zip(out, rows, wanted, strict=True):
            there[at] = x[mine[at] - starts[number]]
    return out


def fit_rest(finder: Finder, found: Sequence[SceneLesson], settings: TrainSettings, scenes: int) -> DamageModel:
    """Namers and calibration from candidates that a part of the finder found on scenes it did not see."""
    wires, shells = ([c for s in found for c in s.candidates if c.kind == kind] for kind in ("wires", "shell"))
    wire_namer, wire_names = _fit_on(wires, WIRE_LABELS, settings, forest)
    shell_namer, shell_names = _fit_on(shells, SHELL_LABELS, settings, shell_forest)
    named = [*zip(wires, wire_names, strict=True), *zip(shells, shell_names, strict=True)]
    card: dict[str, Any] = {
        "feature_version": FEATURE_VERSION,
        "trained_on": f"{scenes} generated scenes, seeds from {settings.seed}",
        "settings": {k: v for k, v in vars(settings).items() if k not in ("workers", "folder")},
        "candidates": {kind: dict(Counter(c.label for c in ls)) for kind, ls in (("wires", wires), ("shells", shells))},
        "f1_out_of_fold": {
            kind: f1_by_label([(c.label, name) for c, name in named if c.kind == kind]) for kind in ("wires", "shell")
        },
        "no_region_rates": _no_region_rates([s for s in found if s.usual], named),
    }
    gauges, ending = fit_gauges(found, settings.seed)
    model = DamageModel(finder, wire_namer, shell_namer, gauges, ending, card)
    card["version"] = f"samples-{content_hash(model)[:10]}"
    return replace(model, card=card)


def _fit_on(
    lessons: list[CandidateLesson],
    labels: tuple[str, ...],
    settings: TrainSettings,
    kind: Callable[[int], Any],
) -> tuple[Namer, list[str]]:
    """A namer, and the label that folds not trained on gave each lesson."""
    x = np.stack([c.vector for c in lessons])
    y = np.array([labels.index(c.label) for c in lessons])
    scenes = {name: i for i, name in enumerate(dict.fromkeys(c.scene for c in lessons))}
    groups = np.array([scenes[c.scene] for c in lessons])
    try:
        namer, held_out = fit_namer(labels, lessons[0].names, x, y, groups, settings.seed, kind)
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
