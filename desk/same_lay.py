"""Whether an assembly lay still between two photographs: its traces coincide wherever both looked."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from vision.findings import PhotoFindings
from vision.sheets import Place

STEP_MM = 2.0
APART_MM = 4.0
"""What lies some millimetres above the mat appears up to this far apart from two sides."""
_REACH_MM = 6.0
_RIM_MM = 8.0
_LEAST_POINTS = 30
_COINCIDE = 0.85
_SLIDES = 0.03  # sine squared of the angle through which the traces must turn to show a pull along them
_END_MM = 8.0
_SAME_FACE = 0.5
_OWN_MM = 2.0
_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class Drawn:
    """What one photograph shows of an assembly, in a frame shared with others.

    xy, along : (N, 2) points every `STEP_MM` of the traces and the unit tangents there; colour : (N,) base code
    ends : (M, 2) terminations, cut ends left out; looked_at : (K, 2) corners of the convex part that was searched
    """

    xy: np.ndarray
    along: np.ndarray
    colour: np.ndarray
    ends: np.ndarray
    looked_at: np.ndarray


@dataclass(frozen=True)
class Still:
    """It lay still. apart_mm : how far its traces lie apart all the same; same_face : the colours run alike too."""

    apart_mm: float
    same_face: bool


@dataclass(frozen=True)
class NotStill:
    """Why the two photographs cannot be joined. moved : it surely did not lie still; else nobody can tell."""

    reason: str
    moved: bool = False


def drawn(photo: PhotoFindings, place: Place) -> Drawn | None:
    """A photograph's traces and terminations where its mat lies; None where nothing was traced in millimetres."""
    lines, colours = [], []
    for wire in photo.wires:
        if wire.centreline_mm is not None and len(wire.centreline_mm) > 1:
            lines.append(even(place.apply(at_axis(photo, np.array(wire.centreline_mm)))))
            colours += [wire.colour.split("/")[0]] * len(lines[-1])
    area = photo.sheets[0].looked_at_mm if photo.sheets else None
    if not lines or area is None:
        return None
    along = np.concatenate([tangents(line) for line in lines])
    ends = [t.position_mm for t in photo.terminations if t.position_mm is not None and t.kind != "cut_end"]
    return Drawn(
        np.concatenate(lines), along, np.array(colours),
        place.apply(at_axis(photo, np.array(ends))) if ends else np.zeros((0, 2)), place.apply(np.array(area)),
    )  # fmt: skip


AXIS_MM, AXIS_LIMIT_MM = 4.0, 4.0
"""How high wires of a bundle lie above the mat, and how far from that they may: half of usual bundles, our estimate."""


def at_axis(photo: PhotoFindings, mm: np.ndarray) -> np.ndarray:
    """(N, 2) places on the mat's plane as places `AXIS_MM` above it: what lies higher appears away from the camera."""
    camera = photo.sheets[0].camera_mm if photo.sheets else None
    points = np.asarray(mm, float).reshape(-1, 2)
    if camera is None or camera[2] <= 5 * AXIS_MM:
        return points
    return np.asarray(points + (np.array(camera[:2]) - points) * (AXIS_MM / camera[2]))


def even(line: np.ndarray) -> np.ndarray:
    """(N, 2) points at steps of about `STEP_MM` along a polyline."""
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0, way[-1], max(2, round(way[-1] / STEP_MM) + 1))
    return np.column_stack([np.interp(at, way, line[:, k]) for k in (0, 1)])


def tangents(line: np.ndarray) -> np.ndarray:
    """(N, 2) unit tangents of a polyline."""
    step = np.gradient(line, axis=0)
    return np.asarray(step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9))


def same_lay(a: Drawn, b: Drawn) -> Still | NotStill:
    """Whether the assembly lay still between two photographs whose mats have places in one frame.

    Wherever both looked, the traces must lie upon each other, in a pattern that no pull along them leaves as it is:
    they bend, or a termination is seen by both.
    """
    mine, theirs = (_inside(p.xy, q.looked_at) for p, q in ((a, b), (b, a)))
    if min(mine.sum(), theirs.sum()) < _LEAST_POINTS:
        seen = STEP_MM * min(mine.sum(), theirs.sum())
        return NotStill(
            f"both show only {seen:.0f} mm of the same traces ({STEP_MM * _LEAST_POINTS:.0f} mm are needed); "
            "photograph with more overlap"
        )
    share = min(_near(a.xy[mine], b.xy), _near(b.xy[theirs], a.xy))
    if share < _COINCIDE:
        return NotStill(
            f"their traces coincide over {share:.0%} of what both show ({_COINCIDE:.0%} are needed): the assembly "
            "was moved or turned over between them",
            moved=True,
        )
    apart, held = _apart(a, b, mine)
    if apart > APART_MM:
        return NotStill(f"their traces lie {apart:.0f} mm apart: the assembly was moved between them", moved=True)
    ends = _ends_meet(a, b)
    if ends is False:
        return NotStill("they show its terminations at different places: the assembly was moved between them", True)
    if not held and ends is None:
        return NotStill(
            "the bundle runs straight where both show it, so that nobody can tell whether it was pulled along; "
            "photograph with a bend or a termination in the overlap"
        )
    return Still(apart, _same_face(a, b, mine))


def _inside(points: np.ndarray, corners: np.ndarray, margin_mm: float = _RIM_MM) -> np.ndarray:
    """(N,) bool: well inside a convex polygon."""
    ahead = np.roll(corners, -1, axis=0) - corners
    long = np.linalg.norm(ahead, axis=1)
    ahead, base = ahead[long > 1e-6] / long[long > 1e-6, None], corners[long > 1e-6]
    to = points[:, None] - base[None]
    side = ahead[None, :, 0] * to[..., 1] - ahead[None, :, 1] * to[..., 0]
    turn = 1.0 if cv2.contourArea(corners.astype(np.float32), oriented=True) > 0 else -1.0
    return np.asarray((side * turn).min(axis=1) > margin_mm)


def _near(points: np.ndarray, others: np.ndarray) -> float:
    gap, _ = cKDTree(others).query(points)
    return float((gap <= _REACH_MM).mean())


def _pairs(a: Drawn, b: Drawn, mine: np.ndarray, reach_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of points of `a` and the nearest of `b` of the same colour; of any colour where too few have one."""
    found = []
    numbers = np.flatnonzero(mine)
    for code in np.unique(a.colour[mine]):
        of_a, of_b = numbers[a.colour[numbers] == code], np.flatnonzero(b.colour == code)
        if len(of_b):
            gap, k = cKDTree(b.xy[of_b]).query(a.xy[of_a])
            found.append((of_a[gap <= reach_mm], of_b[k[gap <= reach_mm]]))
    same = tuple(np.concatenate(v) for v in zip(*found, strict=True)) if found else (numbers[:0], numbers[:0])
    if len(same[0]) >= max(_LEAST_POINTS, 0.4 * len(numbers)):
        return same[0], same[1]
    gap, k = cKDTree(b.xy).query(a.xy[numbers])
    return numbers[gap <= reach_mm], k[gap <= reach_mm]


def _apart(a: Drawn, b: Drawn, mine: np.ndarray) -> tuple[float, bool]:
    """How far a rigid move would have to carry the traces to lie upon each other, and whether they tell it whole.

    Nearest points on lines, far ones counting less; a move along straight traces shows in none and is held at nothing.
    """
    moved, middle = a.xy.copy(), a.xy[mine].mean(axis=0)
    reach = float(np.linalg.norm(a.xy[mine] - middle, axis=1).max())
    total, held = np.eye(3), False
    for _ in range(_ROUNDS):
        i, j = _pairs(Drawn(moved, a.along, a.colour, a.ends, a.looked_at), b, mine, _REACH_MM)
        normal = np.column_stack([-b.along[j, 1], b.along[j, 0]])
        off = ((moved[i] - b.xy[j]) * normal).sum(axis=1)
        weight = 1.0 / (1.0 + off**2)
        arm = moved[i] - middle
        rows = np.column_stack([normal, (normal[:, 1] * arm[:, 0] - normal[:, 0] * arm[:, 1]) / max(reach, 1.0)])
        gram = (rows * weight[:, None]).T @ rows / weight.sum()
        held = bool(np.linalg.eigvalsh(gram[:2, :2])[0] >= _SLIDES)
        step = -np.linalg.solve(gram + 1e-3 * np.eye(3), (rows * (weight * off)[:, None]).sum(axis=0) / weight.sum())
        move = _rigid(step, middle, max(reach, 1.0))
        moved = moved @ move[:2, :2].T + move[:2, 2]
        total = move @ total
        if np.abs(step).max() < 0.02:
            break
    start = a.xy[mine]
    return float(np.linalg.norm(start @ total[:2, :2].T + total[:2, 2] - start, axis=1).max()), held


def _rigid(step: np.ndarray, middle: np.ndarray, reach: float) -> np.ndarray:
    """(3, 3) a turn about the middle, then a shift."""
    c, s = np.cos(step[2] / reach), np.sin(step[2] / reach)
    turn = np.array([[c, -s], [s, c]])
    move = np.eye(3)
    move[:2, :2], move[:2, 2] = turn, middle - turn @ middle + step[:2]
    return move


def _ends_meet(a: Drawn, b: Drawn) -> bool | None:
    """Whether terminations where both looked lie at one place in both; None where not both show one."""
    of_a, of_b = a.ends[_inside(a.ends, b.looked_at)], b.ends[_inside(b.ends, a.looked_at)]
    if not len(of_a) or not len(of_b):
        return None
    gap, _ = cKDTree(of_b).query(of_a)
    return bool(gap.min() <= _END_MM)


def _same_face(a: Drawn, b: Drawn, mine: np.ndarray) -> bool:
    """Wires of one colour lie upon each other: turned about its own axis, a bundle shows them in another order."""
    i, j = _pairs(a, b, mine, _OWN_MM)
    same = a.colour[i] == b.colour[j]
    several = len(np.unique(a.colour[mine])) > 1
    return several and bool(same.sum() >= _SAME_FACE * mine.sum())
