"""Smooth paths on the page, by integrating a heading that wanders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[Any]
STEP_MM = 1.0


@dataclass(frozen=True)
class Path:
    """A path in the plane, sampled every millimetre: xy (N,2) mm, heading (N,) rad."""

    xy: Floats
    heading: Floats

    @property
    def length_mm(self) -> float:
        return (len(self.xy) - 1) * STEP_MM

    def at(self, u_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Points (M,2), tangents (M,2) and left normals (M,2) at arc lengths `u_mm`; straight on beyond the ends."""
        u = np.asarray(u_mm, float)
        inside = np.clip(u, 0, self.length_mm) / STEP_MM
        i = np.arange(len(self.xy))
        a = np.interp(inside, i, self.heading)
        tangent = np.stack([np.cos(a), np.sin(a)], axis=-1)
        xy = np.stack([np.interp(inside, i, self.xy[:, k]) for k in (0, 1)], axis=-1)
        beyond = u - np.clip(u, 0, self.length_mm)
        return xy + tangent * beyond[..., None], tangent, np.stack([-tangent[..., 1], tangent[..., 0]], axis=-1)


def wander(
    rng: np.random.Generator, start: Floats, heading: float, length_mm: float, bend: float, turn: float = 0.0
) -> Path:
    """A path from `start`; `bend` is the deviation of curvature in rad per 100 mm, `turn` a change taken over 35 mm."""
    n = max(3, int(length_mm / STEP_MM) + 1)
    white = rng.standard_normal(n + 120)
    curve = gaussian_filter1d(white, 28)[60 : 60 + n]
    curve = curve / 0.1 * bend / 100 * STEP_MM  # smoothing by 28 leaves a deviation of 0.1
    curve = np.clip(curve, -0.024, 0.024)
    ease = np.clip(np.arange(n) / 35.0, 0, 1)
    angle = heading + np.cumsum(curve) + turn * ease * ease * (3 - 2 * ease)
    steps = np.stack([np.cos(angle), np.sin(angle)], axis=1) * STEP_MM
    xy = np.asarray(start, float) + np.vstack([[0.0, 0.0], np.cumsum(steps[:-1], axis=0)])
    return Path(xy, angle)


def outside_mm(path: Path, box: tuple[float, float, float, float]) -> float:
    """How far the path leaves the box x0, y0, x1, y1; 0 when it stays inside."""
    low = np.array(box[:2]) - path.xy
    high = path.xy - np.array(box[2:])
    return float(np.maximum(np.maximum(low, high), 0).max())


def fold_mm(path: Path) -> float:
    """Smallest distance between parts of the path that are more than 60 mm apart along it."""
    few = path.xy[::6]
    gap = np.linalg.norm(few[:, None] - few[None], axis=2)
    far = np.abs(np.subtract.outer(np.arange(len(few)), np.arange(len(few)))) > 10
    return float(gap[far].min()) if far.any() else 1e3
