"""Fits the shell eye to housings of rendered leads."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from scipy.interpolate import LinearNDInterpolator
from sklearn.metrics import roc_auc_score

from desk.errors import DeskError
from desk.parallel import Progress
from desk.training_set import as_photo
from models.damage.refit import Steps
from models.damage.shell_eye import BROKEN_CLASSES, SHELL_CLASSES, ShellEye
from models.damage.shell_eye_training import ShellEyeSettings, fit_shell_eye
from models.damage.shell_windows import ShellLesson
from sample_images.leads import SCENARIO, render_leads
from sample_images.truth import Truth, TruthHousing
from vision.canvas import Canvas, Mapping
from vision.lay import inside_photo, lay_on_mat, lay_without_mat
from vision.layout import MatLayout
from vision.light import even_light
from vision.mat import MatView, find_mat
from vision.reading import Photo
from vision.shell import outline_axis
from vision.shell_picture import STEP_MM, shell_picture

_PX_PER_MM = 1 / STEP_MM
_MARGIN_MM = 14.0
_LONGEST_PX = 480
_LEAST_OWN_PX = 480
_PAPER = (97.0, 0.0, 0.0)
_HOLLOW_PX = 13
"""What is broken and wider than this is the hollow of a lock: cracks and fractured edges are narrow."""
_HELD_OUT_EVERY = 12
"""One scene in so many is not taught, but tells how well the eye sees."""
_FEWEST_STEPS = 60
_PLAIN_PX = 12
"""A housing with more broken pixels than this counts as broken in that figure; with none as whole."""
_FRACTURE, _HOLLOW, _PIECE, _TERMINAL = (SHELL_CLASSES.index(name) for name in BROKEN_CLASSES)


def shell_lessons(seed: int, layouts: Sequence[MatLayout]) -> list[ShellLesson]:
    """Render leads, and cut their housings out as they are seen: laid flat, in even light."""
    bgr, truth = render_leads(seed)
    photo = as_photo(bgr, f"{SCENARIO}_{seed:05d}")
    view = find_mat(photo, layouts)
    # on a bare bench the housings would have no size
    canvas = lay_on_mat(photo, view) if isinstance(view, MatView) else lay_without_mat(photo, truth.mm_per_px_centre)
    lab = even_light(canvas.bgr, canvas.bare, canvas.white_ground).lab
    rasters = _Rasters(truth)
    lessons = (_lesson(housing, rasters, photo, canvas, lab) for housing in truth.housings if housing.rings_px)
    return [lesson for lesson in lessons if lesson is not None]


class _Rasters:
    """(H, W) uint8, 0 or 1, of the photograph: what is broken, every housing."""

    def __init__(self, truth: Truth) -> None:
        self.shape = (truth.height_px, truth.width_px)
        self.broken, self.housing = np.zeros(self.shape, np.uint8), np.zeros(self.shape, np.uint8)
        for region in truth.regions:
            self.fill(self.broken, region.rings_px)
            for ring in region.rings_px:
                cv2.polylines(self.broken, [_corners(ring)], True, 1)
        for housing in truth.housings:
            self.fill(self.housing, housing.rings_px)

    def fill(self, raster: np.ndarray, rings: Iterable[Sequence[tuple[float, float]]]) -> None:
        for ring in rings:
            cv2.fillPoly(raster, [_corners(ring)], 1)


def _corners(ring: Sequence[tuple[float, float]]) -> np.ndarray:
    return np.round(np.asarray(ring)).astype(np.int32)


def _lesson(
    housing: TruthHousing, rasters: _Rasters, photo: Photo, canvas: Canvas, lab: np.ndarray
) -> ShellLesson | None:
    """One housing with its surroundings; None where too little of it was seen."""
    s, shape = canvas.px_per_mm, canvas.ground.shape
    outline = np.concatenate([np.asarray(ring) for ring in housing.rings_px])
    if len(outline) < 4:
        return None
    on_canvas = _to_canvas(canvas.to_photo_px, shape, outline)
    low, high = on_canvas.min(axis=0) - _MARGIN_MM * s, on_canvas.max(axis=0) + _MARGIN_MM * s
    columns, rows = np.minimum(np.ceil((high - low) / s * _PX_PER_MM).astype(int), _LONGEST_PX)
    x, y = np.meshgrid(
        (np.arange(columns) + 0.5) / _PX_PER_MM * s + low[0] - 0.5,
        (np.arange(rows) + 0.5) / _PX_PER_MM * s + low[1] - 0.5,
    )
    at = (x.astype(np.float32), y.astype(np.float32))
    picture = cv2.remap(lab, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=_PAPER)
    seen = cv2.remap(inside_photo(canvas.to_photo_px, shape, photo, 0).astype(np.uint8), *at, cv2.INTER_NEAREST) > 0
    picture[~seen] = _PAPER
    there = canvas.to_photo_px(np.stack([x.ravel(), y.ravel()], axis=1)).astype(np.float32).reshape(*x.shape, 2)
    mine = np.zeros(rasters.shape, np.uint8)
    rasters.fill(mine, housing.rings_px)
    broken, housings, own = (
        cv2.remap(raster, there[..., 0], there[..., 1], cv2.INTER_NEAREST)
        for raster in (rasters.broken, rasters.housing, mine)
    )
    if own.sum() < _LEAST_OWN_PX or (seen & (own > 0)).sum() < 0.5 * own.sum():
        return None
    kinds = broken_kinds(broken, housings, own if housing.displaced_terminals else np.zeros_like(own))
    shown = np.clip(np.rint(picture), -128, 127).astype(np.int8)
    return ShellLesson(shown, kinds, housings > 0, own > 0, outline_axis(own > 0, _PX_PER_MM))


def broken_kinds(broken: np.ndarray, housing: np.ndarray, terminals: np.ndarray) -> np.ndarray:
    """(h, w) uint8 index into `SHELL_CLASSES` of what is broken, 0 elsewhere, from rasters of 0 and 1.

    terminals : where all that is broken is terminals pushed out
    """
    rim = np.ones((5, 5), np.uint8)
    on_housing = broken & cv2.dilate(housing, rim)
    core = cv2.morphologyEx(
        on_housing, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_HOLLOW_PX, _HOLLOW_PX))
    )
    hollow = cv2.dilate(core, np.ones((_HOLLOW_PX, _HOLLOW_PX), np.uint8)) & on_housing
    kinds = np.where(broken > 0, _PIECE, 0).astype(np.uint8)
    kinds[on_housing > 0] = _FRACTURE
    kinds[hollow > 0] = _HOLLOW
    kinds[(on_housing & terminals) > 0] = _TERMINAL
    return kinds


def _to_canvas(to_photo: Mapping, shape: tuple[int, ...], photo_px: np.ndarray) -> np.ndarray:
    """(N, 2) px of the photograph to canvas px, between the knots of a lattice; beyond it the nearest knot."""
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, 60), np.linspace(0, shape[0] - 1, 60))
    knots = np.stack([x.ravel(), y.ravel()], axis=1)
    known = to_photo(knots)
    found = LinearNDInterpolator(known, knots)(photo_px)
    for k in np.flatnonzero(~np.isfinite(found).all(axis=1)):
        found[k] = knots[((known - photo_px[k]) ** 2).sum(axis=1).argmin()]
    return found


def fitted_shell_eye(
    lessons: Iterable[Sequence[ShellLesson]],
    settings: ShellEyeSettings,
    usual_scenes: int,
    seed: int,
    on_progress: Progress | None,
    threads: int = 1,
) -> tuple[ShellEye, dict[str, Any]]:
    """The shell eye, and how well it tells broken housings of scenes left out from whole ones.

    lessons : scene by scene; usual_scenes : for how many scenes the steps are meant; of fewer it takes fewer.
    Raises DeskError where no housing is whole, or none broken.
    """
    taught: list[ShellLesson] = []
    held_out: list[ShellLesson] = []
    scenes = 0
    for number, some in enumerate(lessons):
        (held_out if number % _HELD_OUT_EVERY == 0 else taught).extend(some)
        scenes += 1
    count = max(_FEWEST_STEPS, round(settings.steps * min(1.0, scenes / usual_scenes)))
    steps = Steps(count, partial(on_progress, "fitting the shell eye") if on_progress else None)
    try:
        eye = fit_shell_eye(taught, replace(settings, steps=count), seed, threads, steps.step)
    except ValueError as error:
        raise DeskError(f"retrain: {error}; use more scenes (--scenes)") from error
    return eye, {"housings": len(taught), "held_out": len(held_out), **_ranking(eye, held_out)}


def _ranking(eye: ShellEye, lessons: Sequence[ShellLesson]) -> dict[str, float]:
    """Area under the curve of each kind's ten surest places, broken housings against whole ones."""
    near = np.ones((9, 9), np.uint8)
    broken, said = [], []
    for lesson in lessons:
        pixels = int(((cv2.dilate(lesson.own.astype(np.uint8), near) > 0) & (lesson.broken > 0)).sum())
        if 0 < pixels <= _PLAIN_PX:
            continue
        picture = shell_picture(lesson.own, lesson.lab.astype(np.float32), np.ones(lesson.own.shape, bool), _PX_PER_MM)
        places = eye.probabilities(picture.lab)[picture.on_shell]
        broken.append(pixels > 0)
        said.append(np.sort(places, axis=0)[-10:].mean(axis=0))
    if len(set(broken)) < 2:
        return {}
    surest = np.stack(said)
    return {
        name: round(float(roc_auc_score(broken, surest[:, SHELL_CLASSES.index(name)])), 3)
        for name in ("fracture", "hollow", "terminal")
    }
