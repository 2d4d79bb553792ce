"""Follows the wire under a point both ways and says how its colour goes on: drift, breaks, interruptions."""

from __future__ import annotations

import cv2
import numpy as np

STEP_MM = 2.0
STEPS = 19
_SIDE_MM = np.array([-0.35, 0.0, 0.35], np.float32)
_SIDE_COST_PER_MM = 6.0
_OUTSIDE_COST = 40.0
_LIGHT_WEIGHT = 0.6
"""Lightness counts less than colour when two places of a wire are compared: a round wire's shading lives there."""
_TIGHT = 0.85
_NO_MATCH = -60.0
_COPPER_HUE = (0.55, 3.0)
"""b against a: up to where tan insulation (3.7) begins, less what a camera's colours are off without white paper."""
_MAP_WIDTH, _MAP_ROWS = 256, 8192
"""Positions are sampled as a picture this wide, at most so high: cv2.remap is slow on narrow ones."""
_AT_ONCE = 256
"""Lanes described at once: what is reckoned on them stays in the processor's cache."""


def sample(img: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Bilinear samples of a float32 img at (..., 2) positions, edges repeated."""
    shape = xy.shape[:-1]
    flat = np.ascontiguousarray(xy, np.float32).reshape(-1, 2)
    rows = max(1, -(-len(flat) // _MAP_WIDTH))
    out = np.empty((rows * _MAP_WIDTH, *img.shape[2:]), np.float32)
    for i in range(0, rows, _MAP_ROWS):
        part = flat[i * _MAP_WIDTH : (i + _MAP_ROWS) * _MAP_WIDTH]
        places = np.zeros((min(_MAP_ROWS, rows - i) * _MAP_WIDTH, 2), np.float32)
        places[: len(part)] = part
        grid = places.reshape(-1, _MAP_WIDTH, 2)
        x, y = grid[..., 0].copy(), grid[..., 1].copy()
        found = cv2.remap(img, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        out[i * _MAP_WIDTH : i * _MAP_WIDTH + len(places)] = found.reshape(-1, *img.shape[2:])
    return out[: len(flat)].reshape(*shape, *img.shape[2:])


def copper_like(light: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(...) bool: hue and lightness of bare copper, from polished to dull."""
    low, high = _COPPER_HUE
    return (a > 7) & (b > 8) & (b < high * a) & (b > low * a) & (light > 25) & (light < 92)


def distance3(difference: np.ndarray) -> np.ndarray:
    """Lengths of (..., 3) vectors."""
    square = difference * difference
    total = square[..., 0] + square[..., 1]
    total += square[..., 2]
    return np.sqrt(total)


def follow(
    picture: np.ndarray, field: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Following each point's wire one way: (STEPS, N, 3) colours, (STEPS, N) on the assembly, (STEPS, N, 2) places.

    picture : (h, w, 4) float32, smoothed CIELAB and the share of assembly, 0..1; field : (h/2, w/2, 2) cosine and sine
    of twice the direction along the wires; xy : (N, 2) px; along : (N, 2) first heading, float32. The course follows
    the direction field; sideways it yields only a little, to where the colour goes on best.
    """
    step, side = np.float32(STEP_MM * px_per_mm), _SIDE_MM * np.float32(px_per_mm)
    here, heading = xy.astype(np.float32), along.astype(np.float32)
    colour = sample(picture, here)[:, :3]
    first = len(_SIDE_MM) * np.arange(len(xy))
    usual = np.float32(_SIDE_COST_PER_MM) * np.abs(_SIDE_MM)
    colours = np.empty((STEPS, len(xy), 3), np.float32)
    insides = np.empty((STEPS, len(xy)), bool)
    places = np.empty((STEPS, len(xy), 2), np.float32)
    for k in range(STEPS):
        across = np.stack([-heading[:, 1], heading[:, 0]], axis=1)
        ahead = here + step * heading
        at = ahead[:, None, :] + side[None, :, None] * across[:, None, :]
        there = sample(picture, at)
        inside = there[..., 3] > 0.5
        cost = distance3(there[..., :3] - colour[:, None, :])
        cost += usual + np.float32(_OUTSIDE_COST) * ~inside
        best = first + cost.argmin(axis=1)
        here, colour = at.reshape(-1, 2).take(best, axis=0), there.reshape(-1, 4).take(best, axis=0)[:, :3]
        colours[k], insides[k], places[k] = colour, inside.reshape(-1).take(best), here
        heading = _turned(heading, sample(field, (here + np.float32(0.5)) / 2 - np.float32(0.5)))
    return colours, insides, places


def _turned(heading: np.ndarray, double: np.ndarray) -> np.ndarray:
    """(N, 2) headings turned into the field's direction, given as (cos, sin) of its double; sharp turns are not taken.

    A sharp turn is another wire crossing: the course is held.
    """
    size = np.maximum(np.sqrt(double[:, 0] ** 2 + double[:, 1] ** 2), np.float32(1e-20))
    cosine = double[:, 0] / size
    turned = np.sqrt(np.stack([np.maximum(1 + cosine, 0), np.maximum(1 - cosine, 0)], axis=1) * np.float32(0.5))
    turned[:, 1] = np.copysign(turned[:, 1], double[:, 1])
    same = (turned * heading).sum(axis=1)
    turned *= np.where(same < 0, np.float32(-1), np.float32(1))[:, None]
    return np.where((np.abs(same) > 0.8)[:, None], turned, heading)


def both_ways(
    picture: np.ndarray, field: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The lane through each point, its middle: colours, on the assembly, places, each (N, 2 STEPS + 1, ...)."""
    count = len(xy)
    xy, along = xy.astype(np.float32), along.astype(np.float32)
    colours, insides, places = follow(picture, field, np.tile(xy, (2, 1)), np.concatenate([-along, along]), px_per_mm)
    middle = (sample(picture, xy)[:, :3], np.ones(count, bool), xy)
    lanes = [
        np.moveaxis(np.concatenate([part[::-1, :count], here[None], part[:, count:]]), 0, 1).copy()
        for part, here in zip((colours, insides, places), middle, strict=True)
    ]
    return lanes[0], lanes[1], lanes[2]


def course(lane: np.ndarray, inside: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """How the colour goes along the lane as a whole: spread, drift, sharp ends, and the middle against the rest."""
    n = STEPS
    here = lane[:, n]
    weight = inside.astype(np.float32)
    count = np.maximum(weight.sum(axis=1), 1)
    mean = (weight[:, None] @ lane)[:, 0] / count[:, None]
    spread = np.sqrt((weight[:, None] @ (lane - mean[:, None]) ** 2)[:, 0] / count[:, None])
    out["lane_light_spread"] = spread[:, 0]
    out["lane_colour_spread"] = np.hypot(spread[:, 1], spread[:, 2])
    pair = weight[:, 1:] * weight[:, :-1]
    steps = distance3(lane[:, 1:] - lane[:, :-1]) * pair
    out["lane_step_mean"] = steps.sum(axis=1) / np.maximum(pair.sum(axis=1), 1)
    near = steps[:, n - 5 : n + 5]
    out["lane_step_10mm"] = near.mean(axis=1)
    out["lane_step_far_min"] = np.minimum(steps[:, :n].max(axis=1), steps[:, n:].max(axis=1))
    out["lane_step_far_max"] = np.maximum(steps[:, :n].max(axis=1), steps[:, n:].max(axis=1))
    out["lane_step_near"] = steps[:, n - 2 : n + 2].max(axis=1)
    middle = _median_inside(lane, inside)
    light = lane[..., 0]
    brightest = np.where(inside, light, np.float32(-1e9)).max(axis=1)
    darkest = np.where(inside, light, np.float32(1e9)).min(axis=1)
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


def _median_inside(lane: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """(N, 3) medians over the places of each lane that lie on the assembly (the middle one always does)."""
    ordered = np.where(inside[:, None, :], np.moveaxis(lane, 2, 1), np.float32(np.inf))
    ordered.sort(axis=2)
    count = inside.sum(axis=1)[:, None, None]
    low = np.take_along_axis(ordered, (count - 1) // 2 + np.zeros((1, 3, 1), int), axis=2)
    high = np.take_along_axis(ordered, count // 2 + np.zeros((1, 3, 1), int), axis=2)
    return (0.5 * (low + high))[..., 0]


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
    own = _middle_of_three(scaled[:, n - 1], scaled[:, n], scaled[:, n + 1])
    # a place is two steps wide, so that one odd sample is none
    pairs = np.float32(0.5) * (scaled[:, 1:] + scaled[:, :-1])
    both_in = inside[:, 1:] & inside[:, :-1]
    left, left_in = pairs[:, n - 2 :: -1], both_in[:, n - 2 :: -1]
    right, right_in = pairs[:, n + 1 :], both_in[:, n + 1 :]
    left_off, right_off = left - own[:, None], right - own[:, None]
    left_square, right_square = (np.einsum("nlk,nlk->nl", d, d) for d in (left_off, right_off))
    apart = left_square[:, :, None] + right_square[:, None, :] - 2 * (left_off @ np.swapaxes(right_off, 1, 2))
    np.sqrt(np.maximum(apart, 0, out=apart), out=apart)
    # places off the assembly lose against every other
    to_left = np.where(left_in, np.sqrt(left_square), np.float32(-1e4))
    to_right = np.where(right_in, np.sqrt(right_square), np.float32(-1e4))
    score = np.minimum(to_left[:, :, None], to_right[:, None, :])
    score -= apart
    np.maximum(score, np.float32(_NO_MATCH), out=score)
    k = score.shape[1]
    flat = score.reshape(count, -1)
    best = flat.max(axis=1)
    reach = (np.arange(k)[:, None] + np.arange(k)[None, :]).ravel().astype(np.float32)
    far = (flat < np.where(best > 0, np.float32(_TIGHT) * best, best)[:, None]) * np.float32(1e4)
    far += reach
    chosen = far.argmin(axis=1)
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


def _middle_of_three(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


def _piece(lane: np.ndarray, i: np.ndarray, j: np.ndarray, out: dict[str, np.ndarray]) -> None:
    """What lies between the two places: evenness, copper, char, and how sharp its ends are."""
    n = STEPS
    number = np.arange(2 * n + 1)[None, :]
    within = ((number > n - 1 - i[:, None]) & (number < n + 1 + j[:, None])).astype(np.float32)
    total = within.sum(axis=1)
    mean = (within[:, None] @ lane)[:, 0] / total[:, None]
    spread = np.sqrt((within[:, None] @ (lane - mean[:, None]) ** 2)[:, 0] / total[:, None])
    out["piece_light"], out["piece_chroma"] = mean[:, 0], np.hypot(mean[:, 1], mean[:, 2])
    out["piece_light_spread"], out["piece_colour_spread"] = spread[:, 0], np.hypot(spread[:, 1], spread[:, 2])
    out["piece_copper_share"] = (copper_like(lane[..., 0], lane[..., 1], lane[..., 2]) * within).sum(axis=1) / total
    out["piece_dark_share"] = ((lane[..., 0] < 28) * within).sum(axis=1) / total
    steps = distance3(lane[:, 1:] - lane[:, :-1])
    rows = np.arange(len(lane))
    ends = []
    for edge in (n - 1 - i, n + j):  # number of the step that leaves the piece
        around = np.stack([steps[rows, np.clip(edge + d, 0, 2 * n - 1)] for d in (-1, 0, 1)])
        ends.append(around.max(axis=0))
    out["piece_end_step_min"], out["piece_end_step_max"] = np.minimum(*ends), np.maximum(*ends)


def describe_lanes(
    picture: np.ndarray, field: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """All features of the lanes through (N, 2) points, each (N,); the lanes' places, px; whether on the assembly."""
    lane, inside, places = both_ways(picture, field, xy, along, px_per_mm)
    parts: list[dict[str, np.ndarray]] = []
    for start in range(0, len(lane), _AT_ONCE):
        cut = slice(start, start + _AT_ONCE)
        parts.append({})
        course(lane[cut], inside[cut], parts[-1])
        interruption(lane[cut], inside[cut], parts[-1])
    return {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}, places, inside
