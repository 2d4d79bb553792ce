"""Photographs of printed pages whose camera is known exactly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest

from vision.layout import MatLayout
from vision.layout_raster import raster
from vision.mat_markers import FoundMarker
from vision.mat_pose import FILM_DIAGONAL_MM, solve_pose
from vision.mat_view import MatView
from vision.own_mats import own_layout
from vision.reading import Photo
from vision.sheets import Place

_FINE = 2


@dataclass(frozen=True, eq=False)
class Shot:
    """A photograph and the camera that took it; z of the page's axes points away from the camera."""

    photo: Photo
    K: np.ndarray
    lens: np.ndarray
    rvec: np.ndarray
    tvec: np.ndarray

    def to_px(self, mm: np.ndarray, height_mm: float = 0.0) -> np.ndarray:
        """OpenCV's own projection of page points at a height."""
        points = np.column_stack([mm, np.full(len(mm), -height_mm)])
        return cv2.projectPoints(points, self.rvec, self.tvec, self.K, self.lens)[0].reshape(-1, 2)

    def mm_per_px(self, at_mm: np.ndarray, height_mm: float = 0.0) -> float:
        """Geometric mean over directions, by finite steps."""
        px = self.to_px(at_mm + np.array([[-1.0, 0], [1, 0], [0, -1], [0, 1]]), height_mm)
        (ax, ay), (bx, by) = px[1] - px[0], px[3] - px[2]
        return 2 / float(np.sqrt(abs(ax * by - ay * bx)))


def take(layout: MatLayout, **options: Any) -> Shot:
    """Photograph a page (or the picture `page` of one, 8 px/mm) lying on a dark table; see `_take` for the options."""
    shot = _take(layout, **options) if "page" in options else _taken_once(layout, tuple(sorted(options.items())))
    return replace(shot, photo=replace(shot.photo, bgr=shot.photo.bgr.copy()))  # tests may draw on it


@lru_cache(maxsize=24)
def _taken_once(layout: MatLayout, options: tuple[tuple[str, Any], ...]) -> Shot:
    return _take(layout, **dict(options))


def _take(
    layout: MatLayout,
    *,
    size: tuple[int, int] = (1000, 750),
    focal_px: float = 780.0,
    distance_mm: float = 300.0,
    tilt_deg: float = 15.0,
    turn_deg: float = 10.0,
    aim_mm: tuple[float, float] | None = None,
    lens: tuple[float, float] = (0.02, -0.01),
    blur_px: float = 0.7,
    light: float = 0.8,
    focal_35mm: float | None = None,
    page: np.ndarray | None = None,
) -> Shot:
    width, height = size
    page = raster(layout, 8.0) if page is None else page
    K = np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1]])
    turn = cv2.Rodrigues(np.array([0, 0, np.radians(turn_deg)]))[0]
    rotation = cv2.Rodrigues(np.array([np.radians(tilt_deg), 0, 0]))[0] @ turn
    aim = np.array([*(aim_mm or (layout.page_mm[0] / 2, layout.page_mm[1] / 2)), 0.0])
    tvec = np.array([0, 0, distance_mm]) - rotation @ aim
    at = _where_on_page(size, K, np.array([*lens, 0, 0]), np.column_stack([rotation[:, :2], tvec])) * 8.0 - 0.5
    bright = cv2.LUT(page, ((np.arange(256) / 255) ** 2.2).astype(np.float32))  # light mixes, encoded values do not
    # a page drawn finer than it is sampled must be smoothed first, or its edges jump from sample to sample
    bright = cv2.GaussianBlur(bright, (0, 0), max(0.3, 0.5 * 8.0 * distance_mm / focal_px / _FINE))
    x, y = (np.ascontiguousarray(at[..., k], np.float32) for k in (0, 1))
    seen = cv2.remap(bright, x, y, cv2.INTER_LINEAR, borderValue=(0.03, 0.04, 0.05))
    seen = cv2.resize(cv2.GaussianBlur(seen, (0, 0), blur_px * _FINE), size, interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(7).normal(0, 1.0, seen.shape)
    bgr = np.clip((seen * light) ** (1 / 2.2) * 255 + noise, 0, 255).astype(np.uint8)
    photo = Photo(bgr, "shot.jpg", "", width, height, None, focal_35mm)
    return Shot(photo, K, np.array([*lens, 0, 0]), cv2.Rodrigues(rotation)[0].ravel(), tvec)


def _where_on_page(size: tuple[int, int], K: np.ndarray, lens: np.ndarray, page_to_view: np.ndarray) -> np.ndarray:
    """(H, W, 2) mm of the page seen by each pixel of the finer picture; exact every 8 px, cubic between."""
    step = 8
    nx, ny = (n * _FINE // step + 5 for n in size)
    gx, gy = np.meshgrid((np.arange(nx) - 2 + 0.5) * step, (np.arange(ny) - 2 + 0.5) * step)
    bent = np.stack([gx.ravel(), gy.ravel()], 1) / _FINE - 0.5
    straight = cv2.undistortPoints(bent.reshape(-1, 1, 2), K, lens).reshape(-1, 2)
    on_page = np.column_stack([straight, np.ones(len(straight))]) @ np.linalg.inv(page_to_view).T
    coarse = (on_page[:, :2] / on_page[:, 2:]).astype(np.float32).reshape(ny, nx, 2)
    fine = cv2.resize(coarse, (nx * step, ny * step), interpolation=cv2.INTER_CUBIC)
    return fine[2 * step : 2 * step + size[1] * _FINE, 2 * step : 2 * step + size[0] * _FINE]


@pytest.fixture(scope="session")
def shoot() -> Callable[..., Shot]:
    """The photographer, as a fixture."""
    return take


PAGE_MM = np.array(own_layout("a4").page_mm)


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    z = 1.959964
    middle, half = hits / n + z * z / 2 / n, z * np.sqrt(hits / n * (1 - hits / n) / n + z * z / 4 / n / n)
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


@dataclass(frozen=True)
class Scene:
    """A camera over a bent page, projected with OpenCV alone."""

    focal: float
    lens: np.ndarray
    turn: np.ndarray
    place: np.ndarray
    shift: np.ndarray
    bend: np.ndarray

    def to_px(self, mm: np.ndarray, height: float = 0.0) -> np.ndarray:
        u, v = ((mm - PAGE_MM / 2) / (PAGE_MM.max() / 2)).T
        points = np.column_stack([mm, self.bend[0] * u * u + self.bend[1] * u * v + self.bend[2] * v * v - height])
        cx, cy = np.array([1999.5, 1499.5]) + self.shift * 4000
        K = np.array([[self.focal, 0, cx], [0, self.focal, cy], [0, 0, 1]])
        return cv2.projectPoints(points, self.turn, self.place, K, np.array([*self.lens, 0, 0]))[0].reshape(-1, 2)

    def mm_per_px(self, at: np.ndarray, height: float) -> float:
        (ax, ay), (bx, by) = (np.diff(self.to_px(at + np.array(d), height), axis=0)[0] for d in (
            [[-0.5, 0], [0.5, 0]], [[0, -0.5], [0, 0.5]],
        ))  # fmt: skip
        return 1 / float(np.sqrt(abs(ax * by - ay * bx)))


def random_scene(rng: np.random.Generator, tilt_deg: tuple[float, float] = (0, 35)) -> Scene:
    """Any roll, tilt within bounds, the page about filling the picture; lens and paper as the priors expect them."""
    focal = 26 / FILM_DIAGONAL_MM * 5000 * np.exp(rng.normal(0, 0.2))
    tilt, towards, roll = np.radians(rng.uniform(*tilt_deg)), rng.uniform(0, 2 * np.pi), rng.uniform(-np.pi, np.pi)
    lean = cv2.Rodrigues(tilt * np.array([np.cos(towards), np.sin(towards), 0]))[0]
    rotation = lean @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
    place = np.array([0, 0, focal * 0.1 * rng.uniform(0.9, 1.4)]) - rotation @ [*(PAGE_MM / 2), 0]
    return Scene(
        focal, rng.normal(0, 0.03, 2), cv2.Rodrigues(rotation)[0].ravel(), place,
        rng.normal(0, 0.005, 2), rng.normal(0, 0.3, 3),
    )  # fmt: skip


def over_join(rng: np.random.Generator, at: Place | None = None) -> Scene:
    """A camera above the common edge of two flat sheets, the second at a place (without one: right of the first)."""
    scene = random_scene(rng)
    rotation = cv2.Rodrigues(scene.turn)[0]
    other = PAGE_MM / 2 + [PAGE_MM[0], 0] if at is None else at.apply(PAGE_MM / 2)[0]
    middle = np.array([*(PAGE_MM / 2 + other) / 2, 0])
    place = np.array([0, 0, scene.focal * 0.2]) - rotation @ middle
    return Scene(scene.focal, scene.lens, scene.turn, place, scene.shift, np.zeros(3))


def sheet_view(
    rng: np.random.Generator, scene: Scene, layout: MatLayout, at: Place, noise: float = 0.12, ripple_mm: float = 0.0
) -> MatView:
    """A sheet lying at a place on the table, seen by a scene's camera (whose own page is the frame).

    ripple_mm : how high its markers lie above the table, standard deviation
    """
    markers = []
    for m in layout.markers:
        px = scene.to_px(at.apply(m.corners_mm()), float(rng.normal(0, ripple_mm)) if ripple_mm else 0.0)
        if ((px > 0) & (px < [3999, 2999])).all() and rng.random() < 0.6:
            markers.append(FoundMarker(m.dictionary, m.id, px + rng.normal(0, noise, (4, 2))))
    mm = np.concatenate([layout.marker_corners_mm[m.dictionary, m.id] for m in markers])
    pose = solve_pose(mm, np.concatenate([m.corners_px for m in markers]), (4000, 3000), None, layout.page_mm)
    assert pose is not None
    return MatView(layout, pose, tuple(markers), 0, 0, 0)


@pytest.fixture(scope="session")
def cameras() -> SimpleNamespace:
    """Cameras over a bent A4 page, drawn as the fit expects them (4000 x 3000 px), and Wilson's interval."""
    return SimpleNamespace(
        Scene=Scene, random_scene=random_scene, over_join=over_join, sheet_view=sheet_view, wilson=wilson
    )
