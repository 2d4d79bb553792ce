"""Fits the shell eye to housings of rendered leads."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from sklearn.metrics import roc_auc_score

from desk.errors import DeskError
from desk.parallel import Progress
from desk.training_set import as_photo
from models.damage.refit import Steps
from models.damage.shell_eye import SHELL_CLASSES, ShellEye
from models.damage.shell_eye_training import ShellEyeSettings, fit_shell_eye
from models.damage.shell_windows import ShellLesson
from sample_images.leads import SCENARIO, render_leads
from sample_images.sprites import DAMAGE_BROKEN, DAMAGE_CRACK, DAMAGE_FRAGMENT, DAMAGE_HOLLOW, DAMAGE_TERMINAL
from vision.canvas import Canvas
from vision.lay import inside_photo, lay_on_mat, lay_without_mat
from vision.layout import MatLayout
from vision.light import even_light
from vision.mat import MatView, find_mat
from vision.shell import outline_axis, window
from vision.shell_picture import PAPER, STEP_MM, shell_picture

_MARGIN_MM = 14.0
_KNOTS_PX = 8
_LEAST_OWN_MM2 = 30.0
_LEAST_SEEN = 0.5
"""Share of a housing that must lie in the photograph."""
_HELD_OUT_EVERY = 12
"""One scene in so many is not taught, but tells how well the eye sees."""
_FEWEST_STEPS = 60
_PLAIN_MM2 = 0.75
"""A housing on which more is broken counts as broken in that figure, with nothing broken as whole."""
_NEAR_MM = 1.0
_KIND_OF = np.zeros(6, np.uint8)
for _damage, _name in (
    (DAMAGE_CRACK, "fracture"), (DAMAGE_BROKEN, "fracture"), (DAMAGE_FRAGMENT, "piece"),
    (DAMAGE_TERMINAL, "terminal"), (DAMAGE_HOLLOW, "hollow"),
):  # fmt: skip
    _KIND_OF[_damage] = SHELL_CLASSES.index(_name)


def shell_lessons(seed: int, layouts: Sequence[MatLayout]) -> list[ShellLesson]:
    """Render leads, and cut their housings out as they are seen: laid flat, in even light."""
    leads = render_leads(seed)
    photo = as_photo(leads.picture, f"{SCENARIO}_{seed:05d}")
    view = find_mat(photo, layouts)
    # on a bare bench the housings would have no size
    scale = leads.truth.mm_per_px_centre
    canvas = lay_on_mat(photo, view) if isinstance(view, MatView) else lay_without_mat(photo, scale)
    lab = even_light(canvas.bgr, canvas.bare, canvas.white_ground).lab
    seen = inside_photo(canvas.to_photo_px, canvas.ground.shape, photo, 0)
    there = _photo_px(canvas)
    broken = _KIND_OF[_seen_from(there, leads.breaks)]
    names = [housing.id for housing in leads.truth.housings]
    whose = np.zeros(photo.bgr.shape[:2], np.uint8)
    for number, housing in enumerate(leads.truth.housings, 1):
        for ring in housing.rings_px:
            cv2.fillPoly(whose, [np.round(np.asarray(ring)).astype(np.int32)], number)
    whose = _seen_from(there, whose)
    out = []
    for number, name in enumerate(names, 1):
        own = whose == number
        if (own & seen).sum() < max(_LEAST_OWN_MM2 * canvas.px_per_mm**2, _LEAST_SEEN * own.sum()):
            continue
        if name in leads.broken and not broken[own & seen].any():
            continue  # its break lies hidden: it is neither whole nor shows what broke
        out.append(_lesson(own, whose > 0, broken, seen, lab, canvas.px_per_mm))
    return out


def _lesson(
    own: np.ndarray, housing: np.ndarray, broken: np.ndarray, seen: np.ndarray, lab: np.ndarray, px_per_mm: float
) -> ShellLesson:
    """One housing with its surroundings, cut out of the canvas."""
    cut = window(own, round(_MARGIN_MM * px_per_mm))
    picture = lab[cut].copy()
    picture[~seen[cut]] = PAPER
    shown = np.clip(np.rint(picture), -128, 127).astype(np.int8)
    mine = own[cut] & seen[cut]
    return ShellLesson(
        shown,
        np.where(seen[cut], broken[cut], 0).astype(np.uint8),
        housing[cut] & seen[cut],
        mine,
        seen[cut],
        outline_axis(mine, px_per_mm),
        px_per_mm * STEP_MM,
    )


def _photo_px(canvas: Canvas) -> tuple[np.ndarray, np.ndarray]:
    """(H, W) float32 x and y in the photograph of every canvas pixel; exact every 8 px, linear between."""
    height, width = canvas.ground.shape
    rows, columns = -(-height // _KNOTS_PX) + 1, -(-width // _KNOTS_PX) + 1
    x, y = np.meshgrid(np.arange(columns) * _KNOTS_PX, np.arange(rows) * _KNOTS_PX)
    knots = canvas.to_photo_px(np.stack([x.ravel(), y.ravel()], axis=1).astype(float)).reshape(rows, columns, 2)
    at_x, at_y = np.meshgrid(np.arange(width) / _KNOTS_PX, np.arange(height) / _KNOTS_PX)
    to = (at_x.astype(np.float32), at_y.astype(np.float32))
    first, second = (cv2.remap(np.ascontiguousarray(knots[..., k], np.float32), *to, cv2.INTER_LINEAR) for k in (0, 1))
    return first, second


def _seen_from(there: tuple[np.ndarray, np.ndarray], raster: np.ndarray) -> np.ndarray:
    """A raster of the photograph as it lies on the canvas; 0 beyond the photograph."""
    return cv2.remap(raster, *there, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)


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
    broken, said = [], []
    for lesson in lessons:
        px_per_mm = lesson.px_per_window_px / STEP_MM
        rim = np.ones((2 * round(_NEAR_MM * px_per_mm) + 1,) * 2, np.uint8)
        pixels = int(((cv2.dilate(lesson.own.astype(np.uint8), rim) > 0) & (lesson.broken > 0)).sum())
        if 0 < pixels <= _PLAIN_MM2 * px_per_mm**2:
            continue
        picture = shell_picture(lesson.own, lesson.lab.astype(np.float32), lesson.seen, px_per_mm)
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
