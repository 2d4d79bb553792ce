"""Cracks in plastic: jagged, tapering, branching lines with whitened edges, and their true length."""

from __future__ import annotations

import cv2
import numpy as np

from sample_images.parts_canvas import Canvas, fixed_point
from sample_images.sprites import DAMAGE_CRACK

STEP_MM = 0.05  # sampling of the lines when they are drawn and measured
CLEARANCE_MM = 2.2  # two cracks keep this distance, so that each keeps its own length
FINE = 4  # supersampling when drawing
CLEAR = 0.38  # severity from which on a crack gapes


def add_cracks(c: Canvas, rng: np.random.Generator, severity: float) -> float:
    """Draw one to three cracks with branches on the part; returns their total arc length in mm."""
    drawn: list[np.ndarray] = []
    lines: list[tuple[np.ndarray, np.ndarray]] = []
    wanted = 1 + int(rng.random() < 0.25 + 0.4 * severity) + int(rng.random() < 0.3 * severity)
    for attempt in range(60):
        if len(lines) >= wanted and attempt:
            break
        tries = 3 if severity > CLEAR else 1
        line = max((_grow(c, rng, severity) for _ in range(tries)), key=_length)
        if _length(line) < 2.5 or not _clear(line, drawn):
            continue
        width = _widths(rng, len(line), severity)
        lines.append((line, width))
        drawn.append(line)
        for branch, w in _branches(c, rng, line, width):
            if _clear(branch[round(CLEARANCE_MM / STEP_MM) :], drawn):
                lines.append((branch, w))
                drawn.append(branch)
    split = severity > CLEAR and rng.random() < 0.5
    _draw(c, rng, lines, split)
    return float(sum(_length(line) for line, _ in lines))


def _length(line: np.ndarray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum()) if len(line) > 1 else 0.0


def _clear(line: np.ndarray, others: list[np.ndarray]) -> bool:
    if not len(line) or not others:
        return bool(len(line))
    rest = np.concatenate(others)[::4]
    gap = np.hypot(*(line[::4, None] - rest[None]).transpose(2, 0, 1)).min()
    return bool(gap > CLEARANCE_MM)


def _inside(c: Canvas, points: np.ndarray) -> np.ndarray:
    px = np.round(c.to_px(points)).astype(int)
    ok = (px >= 0).all(1) & (px < (c.shape[1], c.shape[0])).all(1)
    px = np.clip(px, 0, (c.shape[1] - 1, c.shape[0] - 1))
    return ok & c.mask[px[:, 1], px[:, 0]]


def _sample(points: np.ndarray) -> np.ndarray:
    """Vertices to points every STEP_MM along the line."""
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0, s[-1], max(2, round(s[-1] / STEP_MM) + 1))
    return np.stack([np.interp(at, s, points[:, k]) for k in (0, 1)], 1)


def _walk(rng: np.random.Generator, start: np.ndarray, heading: float, length_mm: float) -> np.ndarray:
    """A zigzag walk of `length_mm` from `start`, sampled."""
    points, sign = [np.asarray(start, float)], rng.choice([-1.0, 1.0])
    coarse = rng.random() < 0.35  # brittle plastic tears in long straight steps, tough plastic in short ones
    stride, zig = (
        (rng.uniform(2.4, 6.0), rng.uniform(0.1, 0.6)) if coarse else (rng.uniform(0.7, 2.6), rng.uniform(0.2, 0.85))
    )
    done, bend = 0.0, heading
    while done < length_mm:
        step = min(stride * rng.uniform(0.4, 1.8), length_mm - done)
        bend += rng.normal(0, 0.13)
        turn = bend + sign * abs(rng.normal(zig, 0.25))
        sign = -sign if rng.random() < 0.8 else sign
        points.append(points[-1] + step * np.array([np.cos(turn), np.sin(turn)]))
        done += step
    return _sample(np.array(points))


def _cut_at_edge(c: Canvas, line: np.ndarray) -> np.ndarray:
    """The part of the line up to where it first leaves the part."""
    outside = ~_inside(c, line)
    return line[: int(np.argmax(outside))] if outside.any() else line


def _grow(c: Canvas, rng: np.random.Generator, severity: float) -> np.ndarray:
    """A crack from the outline (mostly) or from a relief's edge inwards."""
    length = rng.uniform(12, 20 + 28 * severity) if severity > CLEAR else rng.uniform(3, 18)
    body = c.mask & (c.damage != 4) & (c.x > 0)
    if rng.random() < 0.7:
        inner = cv2.erode(body.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        rows, cols = np.nonzero(body & ~inner)
    else:
        slope = np.hypot(cv2.Sobel(c.height, cv2.CV_32F, 1, 0), cv2.Sobel(c.height, cv2.CV_32F, 0, 1))
        rows, cols = np.nonzero(body & (slope > np.quantile(slope[body], 0.93)))
    k = int(rng.integers(len(rows)))
    start = np.array([c.x[0, cols[k]], c.y[rows[k], 0]])
    xs, ys = c.x[0, body.any(0)], c.y[body.any(1), 0]
    aim = np.array([rng.uniform(xs[0], xs[-1]), rng.uniform(ys[0], ys[-1])]) * 0.5 + [xs.mean() / 2, ys.mean() / 2]
    heading = float(np.arctan2(aim[1] - start[1], aim[0] - start[0])) + rng.normal(0, 0.35)
    return _cut_at_edge(c, _walk(rng, start, heading, length))


def _widths(rng: np.random.Generator, n: int, severity: float) -> np.ndarray:
    """(n,) width in mm: wide at the root, a hairline at the tip, uneven between."""
    hair = severity <= CLEAR or rng.random() < 0.1
    gape = 0.6 + 0.8 * severity if rng.random() < 0.65 else 1.2 + 1.4 * severity
    root = rng.uniform(0.12, 0.35) if hair else rng.uniform(0.4, gape)
    root = min(root, 0.1 + 0.06 * n * STEP_MM)  # short cracks do not gape
    s = np.linspace(0, 1, n)
    wave = np.interp(s, np.linspace(0, 1, 12), rng.uniform(0.65, 1.35, 12))
    return np.maximum(0.1 + (root - 0.1) * (1 - s) ** rng.uniform(0.3, 1.1) * wave, 0.1)


def _branches(
    c: Canvas, rng: np.random.Generator, line: np.ndarray, width: np.ndarray
) -> list[tuple[np.ndarray, np.ndarray]]:
    out = []
    for _ in range(rng.choice([0, 1, 2], p=[0.4, 0.38, 0.22])):
        k = int(rng.integers(len(line) // 5, 4 * len(line) // 5))
        ahead = line[min(k + 20, len(line) - 1)] - line[k]
        heading = float(np.arctan2(ahead[1], ahead[0])) + rng.choice([-1, 1]) * rng.uniform(0.7, 1.3)
        b = _cut_at_edge(c, _walk(rng, line[k], heading, _length(line) * rng.uniform(0.25, 0.6)))
        if _length(b) > CLEARANCE_MM + 1:
            out.append((b, np.maximum(0.1, width[k] * np.linspace(0.7, 0.15, len(b)))))
    return out


def _coverage(c: Canvas, rng: np.random.Generator, lines: list[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    """(h, w) float32 0..1: how much of each pixel the cracks cover; the two lips are ragged independently."""
    h, w = c.shape
    fine = np.zeros((h * FINE, w * FINE), np.uint8)
    for line, width in lines:
        ahead = np.gradient(line, axis=0)
        ahead = np.stack([cv2.blur(np.ascontiguousarray(ahead[:, k : k + 1]), (1, 9))[:, 0] for k in (0, 1)], 1)
        normal = np.stack([-ahead[:, 1], ahead[:, 0]], 1) / np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
        rag = [np.interp(np.arange(len(line)), np.arange(0, len(line) + 8, 8), r) for r in _rags(rng, len(line))]
        left = line + normal * (width * 0.5 * rag[0])[:, None]
        right = line - normal * (width * 0.5 * rag[1])[:, None]
        for k in range(len(line) - 1):
            quad = np.array([left[k], left[k + 1], right[k + 1], right[k]])
            px = (c.to_px(quad) + 0.5) * FINE - 0.5
            cv2.fillConvexPoly(fine, fixed_point(px), 255, cv2.LINE_8, 4)
    return cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def _rags(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.uniform(0.6, 1.4, (2, len(np.arange(0, n + 8, 8))))


def _draw(c: Canvas, rng: np.random.Generator, lines: list[tuple[np.ndarray, np.ndarray]], split: bool) -> None:
    cover = _coverage(c, rng, lines) * c.mask
    centre = np.zeros(c.shape, np.uint8)
    for line, _ in lines:
        cv2.polylines(centre, [fixed_point(c.to_px(line))], False, 1, 1, cv2.LINE_8, 4)
    halo = cv2.GaussianBlur(np.maximum(cover, 0.3 * centre), (0, 0), rng.uniform(0.2, 0.45) * c.ppm)
    dim = float(c.albedo[c.mask].mean()) < 0.08  # on dark plastic the edges of a crack catch the light
    halo = np.clip(halo * 2, 0, 1) * (rng.uniform(0.5, 1.0) if dim else rng.uniform(0.3, 0.9)) * c.mask
    pale = np.clip(c.albedo * 1.35 + 0.09, 0, 0.85)
    c.albedo += halo[..., None] * (pale - c.albedo)
    c.height += 0.12 * halo
    dark = np.maximum(cover, centre * 0.55 * c.mask)
    c.albedo *= (1 - rng.uniform(0.85, 0.95) * dark)[..., None]
    c.gloss *= 1 - 0.8 * dark
    depth = np.minimum(0.85 * c.height, 0.8 + 6 * cv2.GaussianBlur(cover, (0, 0), 0.25 * c.ppm))
    c.height -= (dark * depth).astype(np.float32)
    c.damage[((cover > 0.35) | (centre > 0)) & c.mask] = DAMAGE_CRACK
    if split:
        _let_bench_show(c, lines, cover)


def _let_bench_show(c: Canvas, lines: list[tuple[np.ndarray, np.ndarray]], cover: np.ndarray) -> None:
    """Where a wide crack starts at the edge it goes right through: the bench is seen between its lips."""
    near = np.zeros(c.shape, np.uint8)
    for line, width in lines[:1]:
        part = line[: max(2, int(0.4 * len(line)))][width[: max(2, int(0.4 * len(line)))] > 0.55]
        for p in c.to_px(part):
            cv2.circle(near, (round(p[0]), round(p[1])), max(1, round(0.6 * c.ppm)), 1, -1)
    through = (near > 0) & (cover > 0.85) & (c.damage == DAMAGE_CRACK)
    if cv2.connectedComponents((c.mask & ~through).astype(np.uint8), connectivity=4)[0] > 2:
        return  # it would part the housing in two
    c.mask &= ~through
    c.height[through] = 0
