"""Lengths on and above the mat, each measured at the height of its own axis, with the budget of its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.mat_camera import unproject
from vision.mat_pose import LENS_MODEL_REL, slope_of
from vision.mat_view import MatView
from vision.uncertainty import EDGES, ENDS, MARKER_FIT, PARALLAX, PRINT_SCALE, Budget, Source


@dataclass(frozen=True)
class Height:
    """How high above the mat something lies, and the standard uncertainty of that, mm."""

    mm: float
    standard_mm: float


def axis_height(diameter_mm: float, stack_mm: float | None = None) -> Height:
    """Of the axis of a round wire: half its diameter where it lies on the mat; anywhere within a heap of wires.

    stack_mm : how thick the bundle is that the wire runs in, None for a wire that lies by itself. Insulation gives and
    a wire seldom lies flat all along: a quarter of the diameter stays open, as limits.
    """
    low = diameter_mm / 2
    high = max(low, (stack_mm or diameter_mm) - diameter_mm / 2)
    lift = Source.of_limits(PARALLAX, diameter_mm / 4).standard
    return Height((low + high) / 2, float(np.hypot((high - low) / 12**0.5, lift)))


def lifted_mm(view: MatView, mm: np.ndarray, height_mm: float | np.ndarray) -> np.ndarray:
    """(N, 2) true places of what appears at (N, 2) mm of the page but lies `height_mm` (one, or one each) above it."""
    return view.to_mm(view.to_px(mm), height_mm)


def true_diameter_mm(seen_mm: float, camera_height_mm: float) -> float:
    """Diameter of a wire on the mat from its width as it appears on the page: its axis is half of itself nearer."""
    return seen_mm / (1 + seen_mm / (2 * camera_height_mm))


def path_length(view: MatView, px: np.ndarray, height: Height, edge_px: float = 0.0, end_mm: float = 0.0) -> Budget:
    """Length of the line through (N, 2) px whose points lie at a height above the mat.

    edge_px : standard uncertainty of either end's place in the picture; end_mm : of where the thing itself ends
    """
    px = np.asarray(px, float).reshape(-1, 2)
    if len(px) < 2:
        raise ValueError(f"expected a line of two points or more, got {len(px)}; give both ends")
    params, frame = view.pose.params, view.pose.frame

    def length(p: np.ndarray, height_mm: float = height.mm) -> np.ndarray:
        mm = unproject(p, frame, px, height_mm)
        return np.asarray(np.linalg.norm(np.diff(mm, axis=0), axis=1).sum())

    value = float(length(params))
    slope = slope_of(length, params)
    fit = float(np.sqrt(max(slope @ view.pose.covariance @ slope, 0.0) + (LENS_MODEL_REL * value) ** 2))
    higher, lower = (float(length(params, height.mm + step)) for step in (0.5, -0.5))
    ends = view.to_mm(px[[0, -1]], height.mm)
    at_start, at_end = (view.mm_per_px_at(end, height.mm) for end in ends)
    edge = edge_px * float(np.hypot(at_start, at_end))
    sources = (
        Source(MARKER_FIT, fit),
        Source(PRINT_SCALE, view.layout.print_u95_rel / 2 * value),
        Source(PARALLAX, abs(higher - lower) * height.standard_mm),
        Source(EDGES, edge),
        Source(ENDS, 2**0.5 * end_mm),
    )
    return Budget(value, sources)
