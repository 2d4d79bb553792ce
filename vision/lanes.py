"""Follows the wire under a point both ways and says how its colour goes on: drift, breaks, interruptions."""

from __future__ import annotations

import cv2
import numpy as np

STEP_MM = 2.0
STEPS = 19
_SIDE_MM = np.array([-0.35, 0.0, 0.35])
_SIDE_COST_PER_MM = 6.0
_OUTSIDE_COST = 40.0
_LIGHT_WEIGHT = 0.6
"""Lightness counts less than colour when two places of a wire are compared: a round wire's shading lives there."""
_TIGHT = 0.85
_COPPER_HUE = (0.55, 2.4)


def sample(img: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Bilinear samples of img at (..., 2) positions, edges repeated."""
    shape = xy.shape[:-1]
    x, y = (np.ascontiguousarray(xy[..., k], np.float32).reshape(-1, 1) for k in (0, 1))
    out = np.empty((len(x), *img.shape[2:]), np.float32)
    step = 30000  # cv2.remap takes at most 32767 rows
    for i in range(0, len(x), step):
        part = cv2.remap(img, x[i : i + step], y[i : i + step], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        out[i : i + step] = part.reshape(-1, *img.shape[2:])
    return out.reshape(*shape, *img.shape[2:])


def copper_like(lab: np.ndarray) -> np.ndarray:
    """(...) bool: hue and lightness of bare copper, from polished to dull."""
    light, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    low, high = _COPPER_HUE
    return (a > 7) & (b > 8) & (b < high * a) & (b > low * a) & (light > 25) & (light < 92)


def follow(
    fine: np.ndarray, solid: np.ndarray, field: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Following each point's wire one way: (N, STEPS, 3) colours, (N, STEPS) on the assembly, (N, STEPS, 2) places.

    fine : (h, w, 3) smoothed CIELAB; solid : (h, w) float 0..1; field : (h/4, w/4, 2) cosine and sine of twice the
    direction along the wires; xy : (N, 2) px; along : (N, 2) first heading. The course follows the direction field;
    sideways it yields only a little, to where the colour goes on best.
    """
    s = px_per_mm
    here, heading = xy.copy(), along.copy()
    colour = sample(fine, here)
    rows = np.arange(len(xy))
    colours, insides, places = [], [], []
    for _ in range(STEPS):
        across = np.stack([-heading[:, 1], heading[:, 0]], axis=1)
        ahead = here + STEP_MM * s * heading
        at = ahead[:, None, :] + (_SIDE_MM * s)[None, :, None] * across[:, None, :]
        there = sample(fine, at)
        inside = sample(solid, at) > 0.5
        cost = np.linalg.norm(there - colour[:, None, :], axis=2)
        cost += _SIDE_COST_PER_MM * np.abs(_SIDE_MM) + np.where(inside, 0.0, _OUTSIDE_COST)
        best = cost.argmin(axis=1)
        here, colour = at[rows, best].astype(np.float32), there[rows, best]
        colours.append(colour)
        insides.append(inside[rows, best])
        places.append(here)
        double = sample(field, (here + 0.5) / 4 - 0.5)
        angle = 0.5 * np.arctan2(double[:, 1], double[:, 0])
        turned = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        turned *= np.where((turned * heading).sum(axis=1, keepdims=True) < 0, -1, 1)
        # a sharp turn is another wire crossing: hold the course
        keep = (turned * heading).sum(axis=1, keepdims=True) > 0.8
        heading = np.where(keep, turned, heading)
    return np.stack(colours, axis=1), np.stack(insides, axis=1), np.stack(places, axis=1)


def both_ways(
    fine: np.ndarray, solid: np.ndarray, field: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The lane through each point, its middle: colours, on the assembly, places, each (N, 2 STEPS + 1, ...)."""
    here = sample(fine, xy)
    along = along.astype(np.float32)
    back, ahead = (follow(fine, solid, field, xy, sign * along, px_per_mm) for sign in (-1.0, 1.0))
    lane = np.concatenate([back[0][:, ::-1], here[:, None, :], ahead[0]], axis=1)
    inside = np.concatenate([back[1][:, ::-1], np.ones((len(xy), 1), bool), ahead[1]], axis=1)
    places = np.concatenate([back[2][:, ::-1], xy[:, None, :], ahead[2]], axis=1)
    return lane, inside, places


def course(lane: np.ndarray, inside: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """How the colour goes along the lane as a whole: spread, drift, sharp ends, and the middle against the rest."""
    n = STEPS
    here = lane[:, n]
    weight = inside.astype(np.float32)
    count = np.maximum(weight.sum(axis=1), 1)
    mean = (lane * weight[..., None]).sum(axis=1) / count[:, None]
    spread = np.sqrt((((lane - mean[:, None]) ** 2) * weight[..., None]).sum(axis=1) / count[:, None])
    out["lane_light_spread"] = spread[:, 0]
    out["lane_colour_spread"] = np.hypot(spread[:, 1], spread[:, 2])
    pair = weight[:, 1:] * weight[:, :-1]
    steps = np.linalg.norm(np.diff(lane, axis=1), axis=2) * pair
    out["lane_step_mean"] = steps.sum(axis=1) / np.maximum(pair.sum(axis=1), 1)
    near = steps[:, n - 5 : n + 5]
    out["lane_step_10mm"] = near.mean(axis=1)
    out["lane_step_far_min"] = np.minimum(steps[:, :n].max(axis=1), steps[:, n:].max(axis=1))
    out["lane_step_far_max"] = np.maximum(steps[:, :n].max(axis=1), steps[:, n:].max(axis=1))
    out["lane_step_near"] = steps[:, n - 2 : n + 2].max(axis=1)
    filled = np.where(inside[..., None], lane, np.nan)
    with np.errstate(all="ignore"):
        middle = np.nanmedian(filled, axis=1)
        brightest = np.nanmax(filled[..., 0], axis=1)
        darkest = np.nanmin(filled[..., 0], axis=1)
    out["lane_own_light"] = here[:, 0] - middle[:, 0]
    out["lane_own_colour"] = np.hypot(here[:, 1] - middle[:, 1], here[:, 2] - middle[:, 2])
    out["lane_light_range"] = brightest - darkest
    end_mean = np.concatenate([lane[:, :4], lane[:, -4:]], axis=1).mean(axis=1)
    out["lane_end_light"] = here[:, 0] - end_mean[:, 0]
    out["lane_end_colour"] = np.hypot(here[:, 1] - end_mean[:, 1], here[:, 2] - end_mean[:, 2])
    out["lane_drift"] = np.linalg.norm(lane[:, :7].mean(axis=1) - lane[:, -7:].mean(axis=1), axis=1)
    dark = (lane[..., 0] < 30) * weight
    out["lane_dark_share"] = dark.sum(axis=1) / count
    chroma = np.hypot(lane[..., 1], lane[..., 2])
    brown = ((lane[..., 0] < 48) & (lane[..., 1] > 3) & (lane[..., 2] > 3) & (chroma < 40)) * weight
    out["lane_brown_share"] = brown.sum(axis=1) / count
    out["lane_chroma_drop"] = chroma.max(axis=1) - chroma[:, n]
    out["lane_inside_share"] = weight.mean(axis=1)


def interruption(lane: np.ndarray, inside: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """Whether the point lies on a piece between two places of the wire that match each other but not the piece.

    A sleeve, a worn or bitten place and a burnt stretch interrupt a wire; a highlight or a neighbour that leaves does
    so rarely. For each way the place where the wire goes on is searched from one step to the lane's end; the score is
    the smaller contrast of the piece to the two places, less their own difference (CIELAB units, lightness at 0.6).
    Of the best places the nearest two bound the piece.
    """
    n = STEPS
    count = len(lane)
    rows = np.arange(count)
    scaled = lane * np.array([_LIGHT_WEIGHT, 1.0, 1.0], np.float32)
    own = np.median(scaled[:, n - 1 : n + 2], axis=1)
    # a place is two steps wide, so that one odd sample is none
    pairs = 0.5 * (scaled[:, 1:] + scaled[:, :-1])
    both_in = inside[:, 1:] & inside[:, :-1]
    left, left_in = pairs[:, n - 2 :: -1], both_in[:, n - 2 :: -1]
    right, right_in = pairs[:, n + 1 :], both_in[:, n + 1 :]
    to_left = np.where(left_in, np.linalg.norm(left - own[:, None], axis=2), 0.0)
    to_right = np.where(right_in, np.linalg.norm(right - own[:, None], axis=2), 0.0)
    apart = np.linalg.norm(left[:, :, None] - right[:, None, :], axis=3)
    score = np.minimum(to_left[:, :, None], to_right[:, None, :]) - apart
    score = np.where(left_in[:, :, None] & right_in[:, None, :], score, -60.0)
    k = score.shape[1]
    flat = score.reshape(count, -1)
    best = flat.max(axis=1)
    reach = (np.arange(k)[:, None] + np.arange(k)[None, :]).ravel()
    good = flat >= np.where(best > 0, _TIGHT * best, best)[:, None]
    chosen = np.where(good, reach[None, :], 10_000).argmin(axis=1)
    i, j = chosen // k, chosen % k
    out["interruption"] = best
    out["interruption_mm"] = (i + j + 2) * STEP_MM
    out["interruption_side_mm"] = np.minimum(i + 1, j + 1) * STEP_MM
    outer = 0.5 * (left[rows, i] + right[rows, j])
    own_chroma, outer_chroma = np.hypot(own[:, 1], own[:, 2]), np.hypot(outer[:, 1], outer[:, 2])
    out["interruption_light"] = (own[:, 0] - outer[:, 0]) / _LIGHT_WEIGHT
    out["interruption_chroma"] = own_chroma - outer_chroma
    out["interruption_a"], out["interruption_b"] = own[:, 1] - outer[:, 1], own[:, 2] - outer[:, 2]
    _piece(lane, i, j, out)


def _piece(lane: np.ndarray, i: np.ndarray, j: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """What lies between the two places: evenness, copper, char, and how sharp its ends are."""
    n = STEPS
    number = np.arange(2 * n + 1)[None, :]
    within = ((number > n - 1 - i[:, None]) & (number < n + 1 + j[:, None])).astype(np.float32)
    total = within.sum(axis=1)
    mean = (lane * within[..., None]).sum(axis=1) / total[:, None]
    spread = np.sqrt((((lane - mean[:, None]) ** 2) * within[..., None]).sum(axis=1) / total[:, None])
    out["piece_light"], out["piece_chroma"] = mean[:, 0], np.hypot(mean[:, 1], mean[:, 2])
    out["piece_light_spread"], out["piece_colour_spread"] = spread[:, 0], np.hypot(spread[:, 1], spread[:, 2])
    out["piece_copper_share"] = (copper_like(lane) * within).sum(axis=1) / total
    out["piece_dark_share"] = ((lane[..., 0] < 28) * within).sum(axis=1) / total
    steps = np.linalg.norm(np.diff(lane, axis=1), axis=2)
    rows = np.arange(len(lane))
    ends = []
    for edge in (n - 1 - i, n + j):  # number of the step that leaves the piece
        around = np.stack([steps[rows, np.clip(edge + d, 0, 2 * n - 1)] for d in (-1, 0, 1)])
        ends.append(around.max(axis=0))
    out["piece_end_step_min"], out["piece_end_step_max"] = np.minimum(*ends), np.maximum(*ends)


def describe_lanes(
    fine: np.ndarray, solid: np.ndarray, field: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """All features of the lanes through (N, 2) points, each (N,); the lanes' places, px; whether on the assembly."""
    lane, inside, places = both_ways(fine, solid, field, xy, along, px_per_mm)
    out: dict[str, np.ndarray] = {}
    course(lane, inside, out)
    interruption(lane, inside, out)
    return out, places, inside
