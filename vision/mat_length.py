"""The length of a line seen over the mat, with what the camera's fit and the print leave uncertain of it."""

from __future__ import annotations

import numpy as np

from vision.mat_camera import unproject
from vision.mat_pose import LENS_MODEL_REL, slope_of
from vision.mat_view import MatView
from vision.uncertainty import MARKER_FIT, PRINT_SCALE, Budget, Source


def path_length(view: MatView, px: np.ndarray, height_mm: float = 0.0) -> Budget:
    """Length of the line through (N, 2) px whose points lie at a height above the mat.

    The camera's covariance goes through every point of it: on a line over several sheets the scale is not known alike
    at both ends, and the errors of one end are not those of the other (JCGM 100, 5.2).
    """
    px = np.asarray(px, float).reshape(-1, 2)
    if len(px) < 2:
        raise ValueError(f"expected a line of two points or more, got {len(px)}; give both ends")

    def length(params: np.ndarray) -> np.ndarray:
        mm = unproject(params, view.pose.frame, px, height_mm)
        return np.asarray(np.linalg.norm(np.diff(mm, axis=0), axis=1).sum())

    value = float(length(view.pose.params))
    slope = slope_of(length, view.pose.params)
    fit = float(np.sqrt(max(slope @ view.pose.covariance @ slope, 0.0) + (LENS_MODEL_REL * value) ** 2))
    sources = (
        Source(MARKER_FIT, fit, view.pose.freedom),
        Source(PRINT_SCALE, view.layout.print_u95_rel / 2 * value),
    )
    return Budget(value, sources)
