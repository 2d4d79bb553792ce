"""Fits camera, lens and page to the markers of one view, with the covariance of all of it.

Besides camera and lens it fits how much wider or narrower than printed all black squares appear (ink, blooming, the
camera's tone curve), where the principal point lies and how the paper bends. One least-squares estimate serves every
case from four corners to two hundred: what a view cannot tell (the focal length of a frontal view, the lens seen
through one marker) stays at its prior, and the prior's width reaches the uncertainty. A prior is a bell with long
tails: where the corners clearly say otherwise (a strong lens, a curled page) it gives way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.special import stdtrit

from vision.mat_camera import (
    BEND,
    COUNT,
    FOCAL,
    K1,
    K2,
    RVEC,
    SHIFT,
    SPREAD,
    TVEC,
    Frame,
    camera_matrix,
    lens,
    log_scale,
)  # fmt: skip

FILM_DIAGONAL_MM = 43.27  # 36 x 24 mm, to which EXIF's 35-mm equivalent refers
ASSUMED_FOCAL_35MM = 26.0  # main cameras of phones
_EXIF_SIGMA, _ASSUMED_SIGMA = 0.04, 0.20  # of the log focal length
_K_SIGMA = 0.03
_SPREAD_SIGMA_MM, _SPREAD_SIGMA_PX = 0.05, 0.2
_SHIFT_SIGMA = 0.005
_BEND_SIGMA_MM = 0.3
_TAIL = 3.0
_CORNER_FLOOR_PX = 0.06
_FIRST_DAMPING = 1e-6  # the valley of focal length, shift and tilt is long and narrow: steps must stay nearly whole
_OUTWARD = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
LENS_MODEL_REL = 0.0001
"""What a radial lens of two terms leaves out."""
COVERAGE_FACTOR = 2.0
"""Expanded over standard uncertainty for about 95 % (JCGM 100, 6.3.3)."""


@dataclass(frozen=True, eq=False)
class Pose:
    """A solved view. params: (15,) as in `vision.mat_camera`; covariance: (15, 15)."""

    params: np.ndarray
    covariance: np.ndarray
    frame: Frame
    inliers: np.ndarray
    rms_px: float
    freedom: float = float("inf")  # of the corners' noise

    @property
    def K(self) -> np.ndarray:
        """(3, 3) camera matrix."""
        return camera_matrix(self.params, self.frame)


@dataclass(frozen=True, eq=False)
class _Task:
    """What is fitted: corners on the page and in the picture, outward directions, and the priors."""

    mm: np.ndarray
    px: np.ndarray
    outward: np.ndarray
    basis: np.ndarray
    frame: Frame
    prior: np.ndarray
    sigma: np.ndarray

    def only(self, use: np.ndarray) -> _Task:
        cut = {name: getattr(self, name)[use] for name in ("mm", "px", "outward", "basis")}
        return replace(self, **cut)

    def prior_weights(self, params: np.ndarray) -> np.ndarray:
        """(COUNT,) inverse variances of the priors; beyond one sigma a prior weakens as Student's t does."""
        z = (params - self.prior) / self.sigma
        return np.minimum(1.0, (_TAIL + 1) / (_TAIL + z**2)) / self.sigma**2


def _task(mm: np.ndarray, px: np.ndarray, frame: Frame, size_px: tuple[int, int], focal_35mm: float | None) -> _Task:
    """Priors of this view; pose parameters have none."""
    prior, sigma = np.zeros(COUNT), np.full(COUNT, np.inf)
    focal = (focal_35mm or ASSUMED_FOCAL_35MM) / FILM_DIAGONAL_MM * float(np.hypot(*size_px))
    prior[FOCAL] = np.log(focal)
    mm_per_px = float(np.median(_sides(mm) / _sides(px).clip(1e-6)))
    sigma[FOCAL] = _EXIF_SIGMA if focal_35mm else _ASSUMED_SIGMA
    sigma[[K1, K2]] = _K_SIGMA
    sigma[SPREAD] = np.hypot(_SPREAD_SIGMA_MM, _SPREAD_SIGMA_PX * mm_per_px)
    sigma[SHIFT], sigma[BEND] = _SHIFT_SIGMA, _BEND_SIGMA_MM
    return _Task(mm, px, np.tile(_OUTWARD, (len(mm) // 4, 1)), frame.bend_basis(mm), frame, prior, sigma)


def solve_pose(
    mm: np.ndarray, px: np.ndarray, size_px: tuple[int, int], focal_35mm: float | None, page_mm: tuple[float, float]
) -> Pose | None:
    """Fit a view to markers' corners, (4 n, 2) mm and px, wrong ones left out; None where no camera explains them."""
    width, height = size_px
    frame = Frame(((width - 1) / 2, (height - 1) / 2), page_mm)
    inliers = _consistent(mm, px)
    if inliers.sum() < 4:
        return None
    task = _task(mm, px, frame, size_px, focal_35mm)
    start = _start(task, inliers)
    if start is None:
        return None
    pose = _fit(start, task, inliers)
    error = np.linalg.norm(_errors(pose.params, task)[0].reshape(-1, 2), axis=1)
    kept = error < max(3.5 * float(np.median(error[inliers])), 0.5)
    if kept.sum() >= 4 and (kept != inliers).any():
        pose = _fit(pose.params, task, kept)
    return pose if np.isfinite(pose.params).all() and pose.params[TVEC][2] > 0 else None


def _sides(corners: np.ndarray) -> np.ndarray:
    quads = corners.reshape(-1, 4, 2)
    return np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2)


def _consistent(mm: np.ndarray, px: np.ndarray) -> np.ndarray:
    """Corners that one plane-to-picture map explains within 1 % of their spread (lens distortion stays below that)."""
    if len(mm) <= 4:
        return np.ones(len(mm), bool)
    reach = max(3.0, 0.01 * float(np.ptp(px, axis=0).max()))
    _, mask = cv2.findHomography(mm, px, cv2.RANSAC, reach, maxIters=500)
    return np.zeros(len(mm), bool) if mask is None else mask.ravel().astype(bool)


def _start(task: _Task, use: np.ndarray) -> np.ndarray | None:
    """First parameters from the planar pose solver, the better of its two answers."""
    params = task.prior.copy()
    flat = np.column_stack([task.mm[use], np.zeros(int(use.sum()))])
    K = camera_matrix(params, task.frame)
    found, rvecs, tvecs, errors = cv2.solvePnPGeneric(flat, task.px[use], K, None, flags=cv2.SOLVEPNP_IPPE)
    if not found:
        return None
    best = int(np.argmin(np.ravel(errors)))
    params[RVEC], params[TVEC] = np.ravel(rvecs[best]), np.ravel(tvecs[best])
    return params if params[TVEC][2] > 0 else None


def _fit(start: np.ndarray, whole: _Task, use: np.ndarray) -> Pose:
    """Levenberg-Marquardt on the corners and the priors; the corners' noise is estimated on the way."""
    task = whole.only(use)
    # a small noise first: with a large one a strong lens stays at its prior, and the misfit then confirms the noise
    params, noise, damping = start.copy(), 2 * _CORNER_FLOOR_PX, _FIRST_DAMPING
    for _ in range(4):
        params, damping = _descend(params, task, noise, damping)
        error, _ = _errors(params, task)
        freedom = max(error.size - _told_by_corners(params, task, noise), 4)
        before, noise = noise, max(_CORNER_FLOOR_PX, float(np.sqrt((error**2).sum() / freedom)))
        if abs(noise / before - 1) < 0.01:
            break
    if len(task.mm) < 8:  # one marker's corners say little of the noise
        noise = max(noise, 0.3)
    error, jacobian = _errors(params, task)
    information = jacobian.T @ jacobian / noise**2 + np.diag(task.prior_weights(params))
    rms = float(np.sqrt((error**2).sum() / len(task.mm)))
    freedom = max(error.size - _told_by_corners(params, task, noise), 4.0) if len(task.mm) >= 8 else float("inf")
    return Pose(params, np.linalg.inv(information), task.frame, use, rms, freedom)


def _told_by_corners(params: np.ndarray, task: _Task, noise: float) -> float:
    """How many parameters the corners determine, those half told by a prior counted half."""
    _, jacobian = _errors(params, task)
    information = jacobian.T @ jacobian / noise**2
    whole = information + np.diag(task.prior_weights(params))
    return float(np.trace(np.linalg.solve(whole, information)))


def _errors(params: np.ndarray, task: _Task) -> tuple[np.ndarray, np.ndarray]:
    """(2N,) px errors and their (2N, COUNT) derivatives."""
    K = camera_matrix(params, task.frame)
    # the bend is that of the printed place: a spread of some hundredths of a mm does not change it
    points = np.column_stack([task.mm + params[SPREAD] * task.outward, task.basis @ params[BEND]])
    projected, raw = cv2.projectPoints(points, params[RVEC], params[TVEC], K, lens(params))
    jacobian = np.zeros((2 * len(points), COUNT))
    jacobian[:, FOCAL] = (raw[:, 6] + raw[:, 7]) * K[0, 0]
    jacobian[:, [K1, K2]] = raw[:, 10:12]
    jacobian[:, 3:9] = raw[:, 0:6]
    # moving a point along the page's axes moves it in the camera by the same amount along those axes
    rotation = cv2.Rodrigues(params[RVEC])[0]
    by_move = raw[:, 3:6].reshape(-1, 2, 3) @ rotation
    jacobian[:, SPREAD] = (by_move[:, :, :2] @ task.outward[:, :, None]).ravel()
    jacobian[:, SHIFT] = raw[:, 8:10] * task.frame.long_px
    jacobian[:, BEND] = (by_move[:, :, 2:] * task.basis[:, None, :]).reshape(-1, 3)
    return (projected.reshape(-1, 2) - task.px).ravel(), jacobian


def _descend(params: np.ndarray, task: _Task, noise: float, damping: float) -> tuple[np.ndarray, float]:
    """Some damped steps downhill at a fixed noise and fixed weights of the priors."""
    weights = task.prior_weights(params)

    def cost(p: np.ndarray, error: np.ndarray) -> float:
        return float((error**2).sum() / noise**2 + (weights * (p - task.prior) ** 2).sum())

    error, jacobian = _errors(params, task)
    now = cost(params, error)
    for _ in range(60):
        hessian = jacobian.T @ jacobian / noise**2 + np.diag(weights)
        slope = jacobian.T @ error / noise**2 + weights * (params - task.prior)
        there = params - np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), slope)
        error_there, jacobian_there = _errors(there, task)
        then = cost(there, error_there)
        if then >= now or not np.isfinite(then):
            damping *= 10
            if damping > 1e8:
                break
            continue
        params, error, jacobian = there, error_there, jacobian_there
        damping, gain, now = max(damping / 100, 1e-12), now - then, then
        if gain < 1e-9 * (1 + now):
            break
    return params, min(damping, _FIRST_DAMPING)


def slope_of(of: Callable[[np.ndarray], np.ndarray], params: np.ndarray) -> np.ndarray:
    """(..., COUNT) derivatives of a function of the parameters, by central differences."""
    columns = []
    for i in range(COUNT):
        step = np.zeros(COUNT)
        step[i] = 1e-4
        columns.append((np.asarray(of(params + step)) - np.asarray(of(params - step))) / 2e-4)
    return np.stack(columns, -1)


def coverage_factor(freedom: float) -> float:
    """Expanded over standard uncertainty for 95 %: Student's t where few corners tell their noise, 2 at least."""
    return max(COVERAGE_FACTOR, float(stdtrit(freedom, 0.975)))


def scale_u95_rel(pose: Pose, at_mm: np.ndarray, height_mm: float = 5.0) -> float:
    """Relative expanded uncertainty (95 %) of the scale at bundle height, from corners and priors, of a true print."""
    slope = slope_of(lambda p: np.array(log_scale(p, pose.frame, at_mm, height_mm)), pose.params)
    variance = float(slope @ pose.covariance @ slope)
    return coverage_factor(pose.freedom) * float(np.sqrt(max(variance, 0.0) + LENS_MODEL_REL**2))
