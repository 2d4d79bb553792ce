"""The shell of a connector housing: outline, cracks, missing corners, fragments beside it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from skimage.morphology import skeletonize

from vision.light import magnitude

_OFF_AXIS_DEG = 14.0
_OUTLINE_MM = 0.5
"""Smoothing of the outline before its direction is taken: below, the steps of its pixels speak."""
_ALONG_DEG = 20.0
_DIRECTION_MM = 1.0
"""How far to either side of a point a crack's own direction is taken over."""
_FRAGMENTS_MM = 45.0
"""How far from the shell its fragments are looked for."""


@dataclass(frozen=True)
class Shell:
    """A housing's shell as measured.

    mask : (H, W) bool; crack : (H, W) bool, thin dark lines off the housing's own axes;
    missing : (H, W) bool, what the outline lacks to its straightened form; values : named features
    """

    mask: np.ndarray
    crack: np.ndarray
    missing: np.ndarray
    values: dict[str, float]


def refine_outline(rough: np.ndarray, filled: np.ndarray, px_per_mm: float) -> np.ndarray:
    """The housing's mask from its rough cells: grown a little, held inside the foreground, holes closed."""
    radius = round(0.8 * px_per_mm)
    k = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    cut = window(rough, 3 * radius + 2)
    near = rough[cut].astype(np.uint8)
    grown = cv2.dilate(near, k) > 0
    mask = (grown & filled[cut]) | (cv2.erode(near, k) > 0)
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, k)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    if n < 2:
        return rough
    largest = labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    contours, _ = cv2.findContours(largest.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(near.shape, np.uint8)
    cv2.drawContours(out, contours, -1, 1, cv2.FILLED)
    whole = np.zeros(rough.shape, bool)
    whole[cut] = out > 0
    return whole


def window(mask: np.ndarray, margin: int) -> tuple[slice, slice]:
    """Rows and columns of an (H, W) bool mask with ``margin`` px around it, as far as the raster goes."""
    x, y, w, h = cv2.boundingRect(np.ascontiguousarray(mask).view(np.uint8))
    return (
        slice(max(0, y - margin), min(mask.shape[0], y + h + margin)),
        slice(max(0, x - margin), min(mask.shape[1], x + w + margin)),
    )


def examine_shell(mask: np.ndarray, lab: np.ndarray, solid: np.ndarray, entry: np.ndarray, px_per_mm: float) -> Shell:
    """Measure one housing.

    mask : (H, W) bool; lab : (H, W, 3) even light; solid : (H, W) bool foreground; entry : (2,) canvas px
    where the wires enter.
    """
    # room for the outline's rectangle, filters and rims
    cut = window(mask, round(8 * px_per_mm))
    inside, picture = mask[cut], lab[cut]
    start = entry - [cut[1].start, cut[0].start]
    values: dict[str, float] = {}
    missing = _outline_values(inside, start, px_per_mm, values)
    crack = _crack_values(inside, picture, px_per_mm, values)
    _surface_values(inside, picture, px_per_mm, values)
    around = window(mask, round(_FRAGMENTS_MM * px_per_mm))
    _fragment_values(mask[around], lab[around], solid[around], px_per_mm, values)
    whole_crack, whole_missing = np.zeros_like(mask), np.zeros_like(mask)
    whole_crack[cut], whole_missing[cut] = crack, missing
    return Shell(mask, whole_crack, whole_missing, values)


def _outline_values(mask: np.ndarray, entry: np.ndarray, s: float, values: dict[str, float]) -> np.ndarray:
    """Shape of the outline against its hull and its rectangle; the hull's deficit away from the wires."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    area = float(mask.sum())
    hull = cv2.convexHull(contour)
    rect = cv2.minAreaRect(contour)
    sides = sorted(rect[1])
    values["area_mm2"] = area / s**2
    values["short_side_mm"], values["long_side_mm"] = sides[0] / s, sides[1] / s
    values["hull_fill"] = area / max(cv2.contourArea(hull), 1.0)
    values["rect_fill"] = area / max(sides[0] * sides[1], 1.0)
    box = cv2.boxPoints(rect)
    deficits, filled_box = [], np.zeros(mask.shape, np.uint8)
    cv2.fillPoly(filled_box, [np.round(box).astype(np.int32)], 1)
    absent = (filled_box > 0) & ~mask
    opened = cv2.morphologyEx(absent.astype(np.uint8), cv2.MORPH_OPEN, np.ones((round(0.8 * s) | 1,) * 2, np.uint8)) > 0
    yy, xx = np.nonzero(opened)
    reach = 0.5 * sides[0]
    for corner in box:
        near = np.hypot(xx - corner[0], yy - corner[1]) < reach
        deficits.append(float(near.sum()) / s**2)
    from_wires = np.linalg.norm(box - entry, axis=1)
    order = np.argsort(from_wires)
    rear, front = [deficits[i] for i in order[:2]], [deficits[i] for i in order[2:]]
    values["corner_lack_max_mm2"] = max(deficits)
    values["front_corner_lack_mm2"] = max(front)
    values["front_corner_odd_mm2"] = abs(front[0] - front[1])
    values["rear_corner_odd_mm2"] = abs(rear[0] - rear[1])
    worst = box[int(np.argmax(deficits))]
    missing = np.zeros(mask.shape, bool)
    near = np.hypot(xx - worst[0], yy - worst[1]) < reach
    missing[yy[near], xx[near]] = True
    smooth = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 1.5 * s) > 0.5
    values["outline_rough"] = float((mask ^ smooth).sum()) / max(len(contour), 1)
    return missing


def outline_axis(mask: np.ndarray, s: float) -> float:
    """Angle of the housing's two axes (radians, mod 90 degrees): where most of its outline runs, and only that part.

    A break is a side of its own direction: once the axes are roughly known such sides have no say.
    """
    smooth = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), _OUTLINE_MM * s)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    weight, angle = magnitude(gx, gy), np.arctan2(gy, gx)
    axis = _fourfold_mean(angle, weight)
    return _fourfold_mean(angle, weight * (_off_axis(angle, axis) < np.radians(_ALONG_DEG)))


def _fourfold_mean(angle: np.ndarray, weight: np.ndarray) -> float:
    return float(0.25 * np.arctan2((weight * np.sin(4 * angle)).sum(), (weight * np.cos(4 * angle)).sum()))


def _off_axis(angle: np.ndarray, axis: float) -> np.ndarray:
    """How far angles lie from the nearest of four directions at right angles, 0 to pi / 4."""
    return np.abs((angle - axis + np.pi / 4) % (np.pi / 2) - np.pi / 4)


def _edges(picture: np.ndarray, mask: np.ndarray, s: float) -> tuple[np.ndarray, np.ndarray]:
    """How far each slope of lightness points off the housing's own axes (radians), and its strength, L/mm."""
    smooth = cv2.GaussianBlur(picture[..., 0], (0, 0), 0.25 * s)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125 * s)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125 * s)
    return _off_axis(np.arctan2(gy, gx), outline_axis(mask, s)), magnitude(gx, gy)


def _crack_values(mask: np.ndarray, picture: np.ndarray, s: float, values: dict[str, float]) -> np.ndarray:
    """Thin dark lines that do not run along the housing's two axes: cracks run crooked, mould lines straight."""
    core = cv2.erode(mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(1.2 * s) | 1,) * 2)) > 0
    off, strength = _edges(picture, mask, s)
    light = np.minimum(cv2.GaussianBlur(picture[..., 0], (0, 0), 0.15 * s), 105.0)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (round(1.4 * s) | 1,) * 2)
    dark = cv2.morphologyEx(light, cv2.MORPH_BLACKHAT, kernel)
    level = float(np.median(light[core])) if core.any() else 50.0
    contrast = dark / max(level, 12.0)
    crooked = (off > np.radians(_OFF_AXIS_DEG)) & (strength > 0.12 * max(level, 12.0))
    crooked_near = cv2.blur(crooked.astype(np.float32), (round(1.2 * s) | 1,) * 2)
    line = core & (contrast > 0.12) & (crooked_near > 0.3)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(line.astype(np.uint8), connectivity=8)
    spans = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) / s
    keep = spans >= 2.0
    keep[0] = False
    line = keep[labels]
    values["crack_ridge_mm"] = lines_length_px(line, _DIRECTION_MM * s) / s if line.any() else 0.0
    values["crack_longest_mm"] = float(spans[1:].max()) if n > 1 else 0.0
    values["crack_contrast_p99"] = float(np.percentile(contrast[core], 99)) if core.any() else 0.0
    total = float((strength * core).sum()) + 1e-3
    values["crooked_share"] = float((strength * core * (off > np.radians(_OFF_AXIS_DEG))).sum()) / total
    values["edge_density"] = total / max(float(core.sum()), 1.0) / max(level, 12.0)
    return line


def lines_length_px(line: np.ndarray, reach_px: float) -> float:
    """Length of (h, w) bool lines of any width and direction, not empty: of their skeleton, from tip to tip.

    A straight skeleton has one pixel per row or per column, along whichever it runs longer: each pixel is worth the
    inverse of the larger cosine of the direction that the line has over ``reach_px`` to either side. It ends half the
    line's width before the line does.
    """
    line = line[window(line, 1)]
    bones = skeletonize(line)
    one = bones.astype(np.float64)
    neighbours = cv2.boxFilter(one, -1, (3, 3), normalize=False, borderType=cv2.BORDER_CONSTANT) - 1
    tips = bones & (neighbours < 1.5)
    to_rim = cv2.distanceTransform(np.pad(line, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    y, x = np.mgrid[: one.shape[0], : one.shape[1]] - 0.5 * np.array(one.shape)[:, None, None]
    k = 2 * round(reach_px) + 1
    n, sx, sy, sxx, syy, sxy = (
        cv2.boxFilter(one * by, -1, (k, k), normalize=False, borderType=cv2.BORDER_CONSTANT)[one > 0]
        for by in (1.0, x, y, x * x, y * y, x * y)
    )
    xx, yy, xy = sxx - sx * sx / n, syy - sy * sy / n, sxy - sx * sy / n
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    straight = (1 / np.maximum(np.abs(np.cos(angle)), np.abs(np.sin(angle)))).sum()
    # from the middle of the last pixel of the skeleton to that of the first outside; both have half a pixel on the line
    return float(straight + (to_rim[tips] - 1).sum())


def _surface_values(mask: np.ndarray, picture: np.ndarray, s: float, values: dict[str, float]) -> None:
    inside = picture[mask]
    median = np.median(inside, axis=0)
    distance = np.linalg.norm(inside - median, axis=1)
    values["shell_light"], values["shell_chroma"] = float(median[0]), float(np.hypot(median[1], median[2]))
    values["other_colour_share"] = float((np.linalg.norm((inside - median)[:, 1:], axis=1) > 16).mean())
    values["light_spread"] = float(np.percentile(inside[:, 0], 95) - np.percentile(inside[:, 0], 5))
    values["distance_p95"] = float(np.percentile(distance, 95))
    values["dark_share"] = float((inside[:, 0] < 0.45 * median[0]).mean())


def _fragment_values(
    mask: np.ndarray, picture: np.ndarray, body: np.ndarray, s: float, values: dict[str, float]
) -> None:
    """Loose pieces of the shell's colour beside it."""
    colour = np.median(picture[mask], axis=0)
    near = cv2.dilate(mask.astype(np.uint8), np.ones((round(3.0 * s) | 1,) * 2, np.uint8)) > 0
    n, labels, stats, _ = cv2.connectedComponentsWithStats(body.astype(np.uint8), connectivity=8)
    found: list[tuple[float, float]] = []
    for i in range(1, n):
        mm2 = stats[i, cv2.CC_STAT_AREA] / s**2
        if not 0.6 <= mm2 <= 160:
            continue
        x, y, w, h = stats[i, :4]
        piece = labels[y : y + h, x : x + w] == i
        if mm2 > 40 and near[y : y + h, x : x + w][piece].mean() > 0.5:
            continue
        look = np.median(picture[y : y + h, x : x + w][piece], axis=0)
        other = float(np.linalg.norm((look - colour) * [0.5, 1, 1]))
        if other < 15:
            found.append((mm2, other))
    values["fragments"], values["fragment_area_mm2"] = float(len(found)), sum(mm2 for mm2, _ in found)
    # crumbs of insulation are many and small: the largest piece speaks of a shell, and the more the closer its colour
    largest, other = max(found, default=(0.0, 30.0))
    values["fragment_largest_mm2"], values["fragment_other_colour"] = largest, other
    # against the shell's own size: what broke off a small housing is small
    values["fragment_of_shell"] = largest * s**2 / max(float(mask.sum()), 1.0)
