"""Pose, focal length and lens of one view of a flat page, with the uncertainty of its scale.

Besides camera and lens it fits how much wider or narrower than printed all black squares appear (ink, blooming, the
camera's tone curve): `spread_mm`, outwards at every edge. One least-squares estimate serves every case from four
corners to two hundred: what a view cannot tell (the focal length of a frontal view, the lens seen through one marker)
stays at its prior, and the prior's width reaches the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

FILM_DIAGONAL_MM = 43.27  # 36 x 24 mm, to which EXIF's 35-mm equivalent refers
ASSUMED_FOCAL_35MM = 26.0  # main cameras of phones
_EXIF_SIGMA, _ASSUMED_SIGMA = 0.04, 0.20  # of the log focal length
_K1_SIGMA, _K2_SIGMA = 0.05, 0.05
_SPREAD_SIGMA_MM, _SPREAD_SIGMA_PX = 0.05, 0.2
_CORNER_FLOOR_PX = 0.06
_OUTWARD = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
_LENS_MODEL_REL = 0.0003


@dataclass(frozen=True, eq=False)
class Pose:
    """A solved view. params: log focal px, k1, k2, rvec (3), tvec (3), spread mm; covariance: (10, 10)."""

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


@dataclass(frozen=True, eq=False)
class _Task:
    """What is fitted: corners on the page and in the picture, outward directions, and the priors."""

    mm: np.ndarray
    px: np.ndarray
    outward: np.ndarray
    centre: tuple[float, float]
    prior: np.ndarray
    sigma: np.ndarray

    def only(self, use: np.ndarray) -> _Task:
        return replace(self, mm=self.mm[use], px=self.px[use], outward=self.outward[use])


_WITH_PRIOR = np.array([0, 1, 2, 9])


def solve_pose(mm: np.ndarray, px: np.ndarray, size_px: tuple[int, int], focal_35mm: float | None) -> Pose | None:
    """Fit a view to markers' corners, (4 n, 2) mm and px, wrong ones left out; None where no camera explains them."""
    width, height = size_px
    centre = ((width - 1) / 2, (height - 1) / 2)
    focal = (focal_35mm or ASSUMED_FOCAL_35MM) / FILM_DIAGONAL_MM * float(np.hypot(width, height))
    inliers = _consistent(mm, px)
    if inliers.sum() < 4:
        return None
    start = _start(mm[inliers], px[inliers], focal, centre)
    if start is None:
        return None
    mm_per_px = float(np.median(_sides(mm) / _sides(px).clip(1e-6)))
    spread = float(np.hypot(_SPREAD_SIGMA_MM, _SPREAD_SIGMA_PX * mm_per_px))
    sigma = np.array([_EXIF_SIGMA if focal_35mm else _ASSUMED_SIGMA, _K1_SIGMA, _K2_SIGMA, spread])
    task = _Task(mm, px, np.tile(_OUTWARD, (len(mm) // 4, 1)), centre, np.array([np.log(focal), 0, 0, 0]), sigma)
    pose = _fit(start, task, inliers)
    error = np.linalg.norm(_errors(pose.params, task)[0].reshape(-1, 2), axis=1)
    kept = error < max(3.5 * float(np.median(error[inliers])), 0.5)
    if kept.sum() >= 4 and (kept != inliers).any():
        pose = _fit(pose.params, task, kept)
    return pose if np.isfinite(pose.params).all() and pose.params[8] > 0 else None


def _sides(corners: np.ndarray) -> np.ndarray:
    quads = corners.reshape(-1, 4, 2)
    return np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2)


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
    params = np.array([np.log(focal), 0, 0, 0, 0, 0, 0, 0, 1.0, 0])
    K = camera_matrix(params, centre)
    found, rvecs, tvecs, errors = cv2.solvePnPGeneric(_flat(mm), px, K, None, flags=cv2.SOLVEPNP_IPPE)
    if not found:
        return None
    best = int(np.argmin(np.ravel(errors)))
    params[3:6], params[6:9] = np.ravel(rvecs[best]), np.ravel(tvecs[best])
    return params if params[8] > 0 else None


def _fit(start: np.ndarray, whole: _Task, use: np.ndarray) -> Pose:
    """Levenberg-Marquardt on the corners and the priors; the corners' noise is estimated on the way."""
    task = whole.only(use)
    params, noise, damping = start.copy(), 1.0, 1e-3
    for _ in range(4):
        params, damping = _descend(params, task, noise, damping)
        error, _ = _errors(params, task)
        freedom = max(error.size - len(params), 4)
        noise = max(_CORNER_FLOOR_PX, float(np.sqrt((error**2).sum() / freedom)))
    if len(task.mm) < 8:  # one marker's corners say little of the noise
        noise = max(noise, 0.3)
    error, jacobian = _errors(params, task)
    information = jacobian.T @ jacobian / noise**2
    information[_WITH_PRIOR, _WITH_PRIOR] += 1 / task.sigma**2
    rms = float(np.sqrt((error**2).sum() / len(task.mm)))
    return Pose(params, np.linalg.inv(information), task.centre, use, rms)


def _errors(params: np.ndarray, task: _Task) -> tuple[np.ndarray, np.ndarray]:
    """(2N,) px errors and their (2N, 10) derivatives."""
    K, lens = camera_matrix(params, task.centre), np.array([params[1], params[2], 0, 0])
    points = _flat(task.mm + params[9] * task.outward)
    projected, raw = cv2.projectPoints(points, params[3:6], params[6:9], K, lens)
    focal = (raw[:, 6] + raw[:, 7]) * K[0, 0]
    # moving a point along the page moves it in the camera by the same amount along the page's axes
    axes = cv2.Rodrigues(params[3:6])[0][:, :2]
    spread = (raw[:, 3:6].reshape(-1, 2, 3) @ (task.outward @ axes.T)[:, :, None]).ravel()
    jacobian = np.column_stack([focal, raw[:, 10:12], raw[:, 0:6], spread])
    return (projected.reshape(-1, 2) - task.px).ravel(), jacobian


def _descend(params: np.ndarray, task: _Task, noise: float, damping: float) -> tuple[np.ndarray, float]:
    """Some damped steps downhill at a fixed noise."""

    def cost(p: np.ndarray) -> float:
        error, _ = _errors(p, task)
        return float((error**2).sum() / noise**2 + (((p[_WITH_PRIOR] - task.prior) / task.sigma) ** 2).sum())

    now = cost(params)
    for _ in range(25):
        error, jacobian = _errors(params, task)
        hessian, slope = jacobian.T @ jacobian / noise**2, jacobian.T @ error / noise**2
        hessian[_WITH_PRIOR, _WITH_PRIOR] += 1 / task.sigma**2
        slope[_WITH_PRIOR] += (params[_WITH_PRIOR] - task.prior) / task.sigma**2
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
    slope = np.zeros(len(pose.params))
    for i in range(len(slope)):
        step = np.zeros(len(slope))
        step[i] = 1e-4
        up, down = (log_scale(pose.params + s, pose.centre_px, at_mm, height_mm) for s in (step, -step))
        slope[i] = (up - down) / 2e-4
    variance = float(slope @ pose.covariance @ slope)
    return 1.96 * float(np.sqrt(max(variance, 0.0) + _LENS_MODEL_REL**2))
