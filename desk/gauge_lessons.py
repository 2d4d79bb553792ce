"""Fits the gauges of all measures, and which termination damaged wires end at, on the candidates of a training run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sklearn.model_selection import GroupKFold

from desk.errors import DeskError
from desk.training_set import CandidateLesson, SceneLesson
from models.damage.counts import CountGauge, fit_counts
from models.damage.gauges import (
    Ending,
    Gauge,
    GaugeError,
    distance_inputs,
    distance_names,
    fit_ending,
    fit_gauge,
)
from vision.measure import gauge_inputs, input_names
from vision.ways import WAY_SIGNS
from vision.wire_counts import COUNT_SIGNS

FLOORS = {
    "length_mm": 5.0,
    "area_mm2": 20.0,
    "exposed_copper_mm": 5.0,
    "fused_length_mm": 5.0,
    "shell_length_mm": 5.0,
    "shell_area_mm2": 20.0,
    "crack_length_mm": 5.0,
    "missing_area_mm2": 20.0,
}
"""Below these, in each measure's unit, relative errors do not count."""
_COVERING_FLOOR_MM, _WAY_FLOOR_MM = 5.0, 20.0
_RIGHT_MM, _RIGHT_SHARE = 12.0, 0.06
_FOLDS = 5


@dataclass(frozen=True)
class _Example:
    names: tuple[str, ...]
    x: np.ndarray
    raw: float
    truth: float
    scene: int
    usual: bool


def fit_gauges(found: Sequence[SceneLesson], seed: int) -> tuple[dict[str, Gauge], Ending, CountGauge]:
    """All gauges by measure, the ending, and the gauge of wires. Raises DeskError where examples are too few."""
    gauges = {name: _fitted(name, _examples(found, name), floor, seed) for name, floor in FLOORS.items()}
    coverings = [
        _Example((), np.zeros(0), raw, true, number, scene.usual)
        for number, scene in enumerate(found)
        for raw, true in scene.coverings
    ]
    gauges["covering_length_mm"] = _fitted("covering_length_mm", coverings, _COVERING_FLOOR_MM, seed)
    ending, distances = _distances(found, seed)
    gauges["to_termination_mm"] = _fitted("to_termination_mm", distances, _WAY_FLOOR_MM, seed)
    return gauges, ending, _counts(found, seed)


def _fitted(name: str, examples: Sequence[_Example], floor: float, seed: int) -> Gauge:
    names = examples[0].names if examples else ()
    raw, truth = (np.array([getattr(e, field) for e in examples]) for field in ("raw", "truth"))
    x = np.array([e.x for e in examples], float).reshape(len(examples), -1)
    groups, usual = np.array([e.scene for e in examples]), np.array([e.usual for e in examples], bool)
    try:
        return fit_gauge(names, x, raw, truth, groups, usual, floor, seed)
    except GaugeError as error:
        raise DeskError(f"retrain: {name}: {error}: use more scenes (--scenes)") from error


def _examples(found: Sequence[SceneLesson], name: str) -> list[_Example]:
    out = []
    for number, scene in enumerate(found):
        for lesson in scene.candidates:
            raw, true = lesson.raw.get(name), lesson.truth.get(name)
            if raw is not None and true is not None:
                x = gauge_inputs(lesson.vector, lesson.raw)
                out.append(_Example(input_names(lesson.names, lesson.raw), x, raw, true, number, scene.usual))
    return out


def _counts(found: Sequence[SceneLesson], seed: int) -> CountGauge:
    """Wires that damages touch, from what was counted and how the damage looks: char and melted insulation hide wires
    that are there, and a damage's place in its bundle tells which of those counted it reaches."""
    lessons = [
        (number, scene.usual, lesson, *lesson.counted)
        for number, scene in enumerate(found)
        for lesson in scene.candidates
        if lesson.counted is not None
    ]
    names = (*COUNT_SIGNS, *lessons[0][2].names) if lessons else ()
    signs = np.array([np.append(counted, lesson.vector) for _, _, lesson, _, counted, _ in lessons], float)
    reckoned, truth, groups = (np.array([row[k] for row in lessons]) for k in (3, 5, 0))
    usual, hides = (
        np.array(flags, bool)
        for flags in ([row[1] for row in lessons], [row[2].label == "external_heat" for row in lessons])
    )
    try:
        return fit_counts(names, signs, reckoned, truth, groups, usual, hides, seed)
    except GaugeError as error:
        raise DeskError(f"retrain: wires_affected: {error}: use more scenes (--scenes)") from error


def _distances(found: Sequence[SceneLesson], seed: int) -> tuple[Ending, list[_Example]]:
    """The ending from all ways; the distances as examples, each with shares that other scenes gave."""
    cases = [
        (number, scene.usual, lesson, float(true))
        for number, scene in enumerate(found)
        for lesson in scene.candidates
        if (true := lesson.truth.get("to_termination_mm")) is not None and len(lesson.ways)
    ]
    signs = (
        np.concatenate([lesson.ways[:, 1:] for _, _, lesson, _ in cases]) if cases else np.zeros((0, len(WAY_SIGNS)))
    )
    right = np.concatenate([_right(lesson, true) for _, _, lesson, true in cases]) if cases else np.zeros(0, bool)
    scenes = np.repeat([number for number, _, _, _ in cases], [len(lesson.ways) for _, _, lesson, _ in cases])
    try:
        ending = fit_ending(WAY_SIGNS, signs, right, seed)
        shares = _held_out_shares(cases, signs, right, scenes, seed)
    except GaugeError as error:
        raise DeskError(f"retrain: to_termination_mm: {error}: use more scenes (--scenes)") from error
    examples = []
    for (number, usual, lesson, true), share in zip(cases, shares, strict=True):
        x = distance_inputs(lesson.vector, lesson.ways[:, 1:], lesson.ways[:, 0], share)
        raw = float(lesson.ways[share.argmax(), 0])
        examples.append(_Example(distance_names(lesson.names, WAY_SIGNS), x, raw, true, number, usual))
    return ending, examples


def _right(lesson: CandidateLesson, true: float) -> np.ndarray:
    """(W,) bool, the way whose length agrees best with the truth, where one agrees."""
    error = np.abs(lesson.ways[:, 0] - true)
    return (error == error.min()) & (error < _RIGHT_MM + _RIGHT_SHARE * true)


def _held_out_shares(
    cases: Sequence[tuple[int, bool, CandidateLesson, float]],
    signs: np.ndarray,
    right: np.ndarray,
    scenes: np.ndarray,
    seed: int,
) -> list[np.ndarray]:
    folds = min(_FOLDS, len(np.unique(scenes)))
    if folds < 2:
        raise GaugeError(f"expected ways on two scenes or more, got {folds}")
    starts = np.cumsum([0, *(len(lesson.ways) for _, _, lesson, _ in cases)])
    out: list[np.ndarray] = [np.zeros(0)] * len(cases)
    for train, test in GroupKFold(folds).split(signs, groups=scenes):
        ending, held = fit_ending(WAY_SIGNS, signs[train], right[train], seed), set(test.tolist())
        for k in range(len(cases)):
            if int(starts[k]) in held:
                out[k] = ending.shares(signs[starts[k] : starts[k + 1]])
    return out
