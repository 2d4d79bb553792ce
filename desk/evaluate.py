"""Holds answers against truth: reads the cases of a folder, assesses them and gathers every figure."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from desk.assess import AssessSettings, model_in_use
from desk.batch import Entry, assess_all
from desk.errors import DeskError
from desk.evaluate_figures import Figure, all_figures, calibration, confusion
from desk.evaluate_scoring import Score, score
from desk.evaluate_sets import LabelSets, SelectivePoint, doubt_as_dict, label_sets, selective_curve
from desk.foreign_truth import TruthError, read_truth
from desk.parallel import pool_map
from desk.statistics import CalibrationBin, f1_by_label
from desk.truth_findings import findings_from_truth, knowing_all
from desk.wording import say_route
from models.repair import decide, leading_label
from sample_images.truth import Truth
from vision.findings import LABELS, PhotoFindings

SCHEMA = "evaluation/1"


@dataclass(frozen=True)
class Case:
    """A photograph with its truth, before it is assessed."""

    path: Path
    truth: Truth


@dataclass(frozen=True)
class Answered:
    """A case with its answer; `error` says why the photograph could not be read, `score` is None then."""

    case: Case
    truth_findings: PhotoFindings  # with the true decision and the true leading label
    findings: PhotoFindings | None
    error: str | None
    score: Score


@dataclass(frozen=True)
class Evaluation:
    """All figures of a folder of photographs."""

    folder: str
    answers: tuple[Answered, ...]
    figures: tuple[Figure, ...]

    @property
    def unread(self) -> list[Answered]:
        """Cases whose photograph could not be read."""
        return [answer for answer in self.answers if answer.error is not None]

    @property
    def scores(self) -> list[Score]:
        """The scores in the order of the cases."""
        return [answer.score for answer in self.answers]

    @property
    def rows(self) -> list[Figure]:
        """The figures of a table for people: no row for a share that stands in the row of its count."""
        return [figure for figure in self.figures if not figure.in_count]

    @property
    def unsafe_names(self) -> list[str]:
        """Photographs answered with a milder route than the truth, with both routes in words."""
        return [_routes_of(score, say_route) for score in self.scores if score.unsafe]

    @property
    def too_grave_names(self) -> list[str]:
        """Photographs answered with a graver route than the truth, with both routes in words."""
        return [_routes_of(score, say_route) for score in self.scores if score.too_grave]

    @property
    def calibration_bins(self) -> list[CalibrationBin]:
        """The bins of the calibration curve."""
        return calibration(self.scores)

    @property
    def selective_points(self) -> list[SelectivePoint]:
        """Error among the answered against the share answered."""
        return selective_curve(self.scores)

    @property
    def label_sets(self) -> list[LabelSets]:
        """The sets of labels given to found regions, by true label."""
        return label_sets(self.scores)

    def worst(self, count: int = 8) -> list[Answered]:
        """The most costly mistakes first: unsafe routes, unread, wrong labels said surely, missed and false regions."""
        wrong = [answer for answer in self.answers if answer.score.cost > 0]
        return sorted(wrong, key=lambda answer: -answer.score.cost)[:count]

    def to_json(self, shift: dict[str, Any] | None = None) -> str:
        """Every figure, interval and mistake as JSON text; the same numbers as the table and the page."""
        labels, rows = confusion(self.scores)
        models = {a.findings.model.version for a in self.answers if a.findings is not None}
        data = {
            "schema": SCHEMA,
            "folder": self.folder,
            "photographs": len(self.answers),
            "models": sorted(models),
            "figures": [figure.as_dict() for figure in self.figures],
            "f1_by_label": f1_by_label([(s.true_label, s.label) for s in self.scores if s.measurable]),
            "confusion": {"answered": labels, "rows": {true: counts for true, counts in rows}},
            "calibration": [asdict(b) for b in self.calibration_bins],
            "doubt": doubt_as_dict(self.scores),
            **({} if shift is None else {"shift": shift}),
            "unsafe_routes": [_routes_of(score) for score in self.scores if score.unsafe],
            "too_grave_routes": [_routes_of(score) for score in self.scores if score.too_grave],
            "unread": [answer.error for answer in self.unread],
            "photos": [s.as_dict() for s in self.scores],
        }
        return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def _routes_of(score: Score, say: Callable[[str | None], object] = lambda route: route) -> str:
    """One line; routes by their ids, as programs read them, unless they are to be said."""
    return f"{score.name}: answered {say(score.route)}, the truth is {say(score.true_route)}"


def find_cases(folder: Path) -> tuple[list[Case], list[str]]:
    """Photographs in `folder` with a truth file beside them, and one line per truth file that cannot be used."""
    if not folder.is_dir():
        raise DeskError(f"evaluate: expected a folder, got {folder}: name the folder with photographs and truth files")
    cases, mistakes = [], []
    for file in sorted(folder.glob("*.json")):
        try:
            truth = read_truth(file)
        except TruthError as error:
            mistakes.append(str(error))
            continue
        cases.append(Case(folder / truth.photo, truth))
    if not cases and not mistakes:
        raise DeskError(
            f"evaluate: expected photographs with truth files (NAME.jpg, NAME.json), got {folder} with no .json: "
            "make some with loomtriage samples"
        )
    return cases, mistakes


def not_known(labels: Iterable[str]) -> list[str]:
    """Those of the labels that the model in use cannot answer, in order of the alphabet."""
    return sorted(set(labels) - {*LABELS, *model_in_use().labels})


def evaluate_folder(
    folder: Path,
    cases: Sequence[Case],
    settings: AssessSettings,
    on_progress: Callable[[], None] | None = None,
    workers: int = 1,
) -> Evaluation:
    """Assess every case and compute the figures; `on_progress` is called after each photograph. workers : processes
    that assess; their number changes nothing but the seconds."""
    answers = []
    for answer in pool_map(partial(_answer, settings=settings), cases, workers, 1):
        answers.append(answer)
        if on_progress:
            on_progress()
    scores = [answer.score for answer in answers]
    return Evaluation(folder.name, tuple(answers), tuple(all_figures(scores)))


def _answer(case: Case, settings: AssessSettings) -> Answered:
    entry = assess_all([case.path], settings).entries[0]
    return judge(case, _of_the_size_told(case, entry), settings)


def _of_the_size_told(case: Case, entry: Entry) -> Entry:
    """The entry, or an error in its place where the photograph is not the one that the truth tells of."""
    if entry.findings is None:
        return entry
    got = (entry.findings.photo.width_px, entry.findings.photo.height_px)
    told = (case.truth.width_px, case.truth.height_px)
    if got == told:
        return entry
    line = f"expected {case.path.name} of {told[0]} x {told[1]} px as its truth says, got {got[0]} x {got[1]} px"
    return replace(entry, findings=None, error=f"{line}; use the original")


def judge(case: Case, entry: Entry, settings: AssessSettings) -> Answered:
    """Hold one answer against its truth."""
    true = true_findings(case.truth, settings)
    decode = _decode_seconds(case.path) if entry.findings is not None else None
    scored = score(case.truth, true, entry.findings, entry.seconds, decode)
    return Answered(case, true, entry.findings, entry.error, scored)


def true_findings(truth: Truth, settings: AssessSettings) -> PhotoFindings:
    """The truth as findings, with the leading label by the worst route and the decision that follows from it."""
    plain = findings_from_truth(truth)
    label = leading_label(plain, settings.rules) or "sound"
    decision = decide([plain], knowing_all(settings.answers), settings.rules)
    return plain.model_copy(update={"label": label, "probabilities": {label: 1.0}, "decision": decision})


def _decode_seconds(path: Path) -> float | None:
    """Seconds that OpenCV needs to decode the file without turning it; None for a format it does not decode."""
    import cv2
    import numpy as np

    data = np.fromfile(path, np.uint8)
    start = time.perf_counter()
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    return time.perf_counter() - start if decoded is not None else None
