"""Pose, focal length and lens of one view of a flat page, with the uncertainty of its scale.

One least-squares estimate serves every case from four corners to two hundred: what a view cannot tell (the focal length
of a frontal view, the lens seen through one marker) stays at its prior, and the prior's width reaches the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

FILM_DIAGONAL_MM = 43.27  # 36 x 24 mm, to which EXIF's 35-mm equivalent refers
ASSUMED_FOCAL_35MM = 26.0  # main cameras of phones
_EXIF_SIGMA, _ASSUMED_SIGMA = 0.04, 0.20  # of the log focal length
_K1_SIGMA, _K2_SIGMA = 0.05, 0.05
_CORNER_FLOOR_PX = 0.06
_LENS_MODEL_REL = 0.0003


@dataclass(frozen=True, eq=False)
class Pose:
    """A solved view. params: log focal px, k1, k2, rvec (3), tvec (3); covariance: (9, 9)."""

    params: np.ndarray
    covariance: np.ndarray
    centre_px: tuple[float, float]
    inliers: np.ndarray
    rms_px: float

    @property
    def K(self) -> np.ndarray:
        """(3, 3) camera matrix."""
        return camera_matrix(self.params, self.centre_px)


def camera_matrix(params: np.ndarray, centre_px: tuple[float, float]) -> np.ndarray:
    """(3, 3): square pixels, principal point at the picture's middle."""
    focal = float(np.exp(params[0]))
    return np.array([[focal, 0, centre_px[0]], [0, focal, centre_px[1]], [0, 0, 1.0]])


def project(params: np.ndarray, centre_px: tuple[float, float], points: np.ndarray) -> np.ndarray:
    """(N, 3) mm with z INTO the page to (N, 2) px."""
    lens = np.array([params[1], params[2], 0, 0])
    px, _ = cv2.projectPoints(points, params[3:6], params[6:9], camera_matrix(params, centre_px), lens)
    return px.reshape(-1, 2)


def solve_pose(mm: np.ndarray, px: np.ndarray, size_px: tuple[int, int], focal_35mm: float | None) -> Pose | None:
    """Fit a view to (N, 2) mm and (N, 2) px corners, wrong ones left out; None where no camera explains them."""
    width, height = size_px
    centre = ((width - 1) / 2, (height - 1) / 2)
    focal = (focal_35mm or ASSUMED_FOCAL_35MM) / FILM_DIAGONAL_MM * float(np.hypot(width, height))
    sigma = _EXIF_SIGMA if focal_35mm else _ASSUMED_SIGMA
    inliers = _consistent(mm, px)
    if inliers.sum() < 4:
        return None
    start = _start(mm[inliers], px[inliers], focal, centre)
    if start is None:
        return None
    prior = (np.array([np.log(focal), 0, 0]), np.array([sigma, _K1_SIGMA, _K2_SIGMA]))
    pose = _fit(start, mm, px, inliers, centre, prior)
    error = np.linalg.norm(project(pose.params, centre, _flat(mm)) - px, axis=1)
    kept = error < max(3.5 * float(np.median(error[inliers])), 0.5)
    if kept.sum() >= 4 and (kept != inliers).any():
        pose = _fit(pose.params, mm, px, kept, centre, prior)
    return pose if np.isfinite(pose.params).all() and pose.params[8] > 0 else None


def _flat(mm: np.ndarray) -> np.ndarray:
    return np.column_stack([mm, np.zeros(len(mm))])


def _consistent(mm: np.ndarray, px: np.ndarray) -> np.ndarray:
    """Corners that one plane-to-picture map explains within 1 % of their spread (lens distortion stays below that)."""
    if len(mm) <= 4:
        return np.ones(len(mm), bool)
    reach = max(3.0, 0.01 * float(np.ptp(px, axis=0).max()))
    _, mask = cv2.findHomography(mm, px, cv2.RANSAC, reach, maxIters=500)
    return np.zeros(len(mm), bool) if mask is None else mask.ravel().astype(bool)


def _start(mm: np.ndarray, px: np.ndarray, focal: float, centre: tuple[float, float]) -> np.ndarray | None:
    """First parameters from the planar pose solver, the better of its two answers."""
    params = np.array([np.log(focal), 0, 0, 0, 0, 0, 0, 0, 1.0])
    K = camera_matrix(params, centre)
    found, rvecs, tvecs, errors = cv2.solvePnPGeneric(_flat(mm), px, K, None, flags=cv2.SOLVEPNP_IPPE)
    if not found:
        return None
    best = int(np.argmin(np.ravel(errors)))
    params[3:6], params[6:9] = np.ravel(rvecs[best]), np.ravel(tvecs[best])
    return params if params[8] > 0 else None


def _fit(
    start: np.ndarray, mm: np.ndarray, px: np.ndarray, use: np.ndarray, centre: tuple[float, float],
    prior: tuple[np.ndarray, np.ndarray],
) -> Pose:  # fmt: skip
    """Levenberg-Marquardt on the corners and the priors; the corners' noise is estimated on the way."""
    points, seen = _flat(mm[use]), px[use]
    params, noise, damping = start.copy(), 1.0, 1e-3
    for _ in range(4):
        params, damping = _descend(params, points, seen, centre, prior, noise, damping)
        error, _ = _errors(params, points, seen, centre)
        freedom = max(error.size - 9, 4)
        noise = max(_CORNER_FLOOR_PX, float(np.sqrt((error**2).sum() / freedom)))
    if len(points) < 8:  # two corners' worth of freedom says little of the noise
        noise = max(noise, 0.3)
    error, jacobian = _errors(params, points, seen, centre)
    information = jacobian.T @ jacobian / noise**2
    information[:3, :3] += np.diag(1 / prior[1] ** 2)
    return Pose(params, np.linalg.inv(information), centre, use, float(np.sqrt((error**2).sum() / len(points))))


def _errors(
    params: np.ndarray, points: np.ndarray, seen: np.ndarray, centre: tuple[float, float]
) -> tuple[np.ndarray, np.ndarray]:
    """(2N,) px errors and their (2N, 9) derivatives."""
    K, lens = camera_matrix(params, centre), np.array([params[1], params[2], 0, 0])
    projected, raw = cv2.projectPoints(points, params[3:6], params[6:9], K, lens)
    focal = (raw[:, 6] + raw[:, 7]) * K[0, 0]
    jacobian = np.column_stack([focal, raw[:, 10:12], raw[:, 0:6]])
    return (projected.reshape(-1, 2) - seen).ravel(), jacobian


def _descend(
    params: np.ndarray, points: np.ndarray, seen: np.ndarray, centre: tuple[float, float],
    prior: tuple[np.ndarray, np.ndarray], noise: float, damping: float,
) -> tuple[np.ndarray, float]:  # fmt: skip
    """Some damped steps downhill at a fixed noise."""

    def cost(p: np.ndarray) -> float:
        error, _ = _errors(p, points, seen, centre)
        return float((error**2).sum() / noise**2 + (((p[:3] - prior[0]) / prior[1]) ** 2).sum())

    now = cost(params)
    for _ in range(25):
        error, jacobian = _errors(params, points, seen, centre)
        hessian, slope = jacobian.T @ jacobian / noise**2, jacobian.T @ error / noise**2
        hessian[:3, :3] += np.diag(1 / prior[1] ** 2)
        slope[:3] += (params[:3] - prior[0]) / prior[1] ** 2
        step = -np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), slope)
        then = cost(params + step)
        if then >= now:
            damping *= 10
            if damping > 1e8:
                break
            continue
        params, damping, gain, now = params + step, max(damping / 10, 1e-9), now - then, then
        if gain < 1e-7 * (1 + now):
            break
    return params, min(damping, 1e-3)


def log_scale(params: np.ndarray, centre: tuple[float, float], at_mm: np.ndarray, height_mm: float) -> float:
    """Log of mm per px around a point of the plane `height_mm` above the page."""
    d = 0.5
    shifts = np.array([[-d, 0, 0], [d, 0, 0], [0, -d, 0], [0, d, 0]])
    px = project(params, centre, np.array([at_mm[0], at_mm[1], -height_mm]) + shifts)
    dx, dy = px[1] - px[0], px[3] - px[2]
    return -0.5 * float(np.log(abs(dx[0] * dy[1] - dx[1] * dy[0]))) + float(np.log(2 * d))


def scale_u95_rel(pose: Pose, at_mm: np.ndarray, height_mm: float = 5.0) -> float:
    """Relative expanded uncertainty (95 %) of the scale at bundle height, from corners and priors."""
    slope = np.zeros(9)
    for i in range(9):
        step = np.zeros(9)
        step[i] = 1e-4
        up, down = (log_scale(pose.params + s, pose.centre_px, at_mm, height_mm) for s in (step, -step))
        slope[i] = (up - down) / 2e-4
    variance = float(slope @ pose.covariance @ slope)
    return 1.96 * float(np.sqrt(max(variance, 0.0) + _LENS_MODEL_REL**2))
