"""Follows wires over crossings, three ways in one run: `python tests/benchmarks/crossings.py FOLDER [EVERY]`.

The wire tracer, the plain branches of the skeleton, and those branches joined where they bend least. Scenes are built
from truth, as in `wires_accuracy.py`. A crossing counts where two true wires cross at 20 degrees or more and both lie
open to view 8 mm to either side; each wire is followed right (one trace on both sides), wrong (its trace goes on along
the other wire), left open, or not traced on one side.
"""

from __future__ import annotations

import sys
from collections import Counter
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial import cKDTree
from wires_accuracy import _scene

from desk.evaluate_match import dense
from desk.foreign_truth import read_truth
from sample_images.truth import Truth
from vision.reading import list_photos
from vision.recognise import Scene
from vision.sight import FirstLook
from vision.strips import graph_paths
from vision.wires import trace_wires

ARM_MM = 8.0
LEAST_ANGLE = 20.0
KINDS = ("right", "wrong", "open", "not traced")
_NEAR_MM = 0.9
_SHARPEST = 60.0

Place = tuple[np.ndarray, np.ndarray]


def crossings(truth: Truth) -> list[tuple[Place, Place]]:
    """For each crossing, of either wire the two places (2,) px, `ARM_MM` before and behind."""
    step = 0.25 / truth.mm_per_px_centre
    lines = [dense(wire.centreline_px, step) for wire in truth.wires]
    arm = round(ARM_MM / 0.25)
    found = []
    for i, j in combinations(range(len(lines)), 2):
        gap, nearest = cKDTree(lines[j]).query(lines[i])
        last = -arm
        for k in np.flatnonzero((gap <= step) & (gap <= np.minimum(np.roll(gap, 1), np.roll(gap, -1)))):
            n = int(nearest[k])
            if k - last < arm:
                continue
            last = int(k)
            if min(k, n, len(lines[i]) - 1 - k, len(lines[j]) - 1 - n) < arm:
                continue
            a, b = lines[i][k + arm] - lines[i][k - arm], lines[j][n + arm] - lines[j][n - arm]
            cosine = abs(float(a @ b)) / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-9)
            if np.degrees(np.arccos(min(1.0, cosine))) >= LEAST_ANGLE:
                found.append(((lines[i][k - arm], lines[i][k + arm]), (lines[j][n - arm], lines[j][n + arm])))
    return found


def least_bend(scene: Scene) -> list[np.ndarray]:
    """Skeleton branches, at every node joined in pairs that bend least, sharper bends than `_SHARPEST` not at all."""
    points = scene.graph.points
    paths = graph_paths(scene.graph)
    ends = [(k, side, int(p[0 if side == 0 else -1])) for k, p in enumerate(paths) for side in (0, 1)]
    pairs = []
    for (k, a, node), (m, b, other) in combinations(ends, 2):
        if node == other and (k, a) != (m, b):
            out = [_direction(points[paths[q]] if s == 0 else points[paths[q]][::-1]) for q, s in ((k, a), (m, b))]
            bend = float(np.degrees(np.arccos(np.clip(-(out[0] @ out[1]), -1, 1))))
            pairs.append((bend, (k, a), (m, b)))
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for bend, one, two in sorted(pairs):
        if bend <= _SHARPEST and one not in partner and two not in partner:
            partner[one], partner[two] = two, one
    return _strung(paths, partner, points)


def _direction(line: np.ndarray) -> np.ndarray:
    """Of a branch away from its node, over its first points."""
    way = line[min(12, len(line) - 1)] - line[0]
    return np.asarray(way / max(float(np.linalg.norm(way)), 1e-9))


def _strung(
    paths: list[np.ndarray], partner: dict[tuple[int, int], tuple[int, int]], points: np.ndarray
) -> list[np.ndarray]:
    used: set[int] = set()
    lines = []
    starts = [(k, s) for k in range(len(paths)) for s in (0, 1) if (k, s) not in partner]
    for start in [*starts, *((k, 0) for k in range(len(paths)))]:
        pieces, here = [], start
        while here[0] not in used:
            used.add(here[0])
            path = paths[here[0]]
            pieces.append(points[path] if here[1] == 0 else points[path][::-1])
            following = partner.get((here[0], 1 - here[1]))
            if following is None:
                break
            here = following
        if pieces:
            lines.append(np.concatenate(pieces))
    return lines


def judged(lines: list[np.ndarray], found: list[tuple[Place, Place]], look: FirstLook, truth: Truth) -> Counter[str]:
    """How many wires of the crossings are followed right, wrong, or left open by a method's traces (canvas px)."""
    count: Counter[str] = Counter()
    if not found:
        return count
    reach = _NEAR_MM / truth.mm_per_px_centre
    in_photo = [look.canvas.to_photo_px(line) for line in lines if len(line) > 1]
    trees = [cKDTree(dense([(float(x), float(y)) for x, y in line], 1.0)) for line in in_photo]

    def on(place: np.ndarray) -> set[int]:
        return {k for k, tree in enumerate(trees) if tree.query(place)[0] <= reach}

    for crossing in found:
        sides = [[on(place) for place in wire] for wire in crossing]
        for mine, other in (sides, sides[::-1]):
            if mine[0] & mine[1]:
                count["right"] += 1
            elif (mine[0] | mine[1]) & (other[0] | other[1]):
                count["wrong"] += 1
            else:
                count["open" if mine[0] and mine[1] else "not traced"] += 1
    return count


def main(folder: str, every: int) -> None:
    """Print a line for each method."""
    cv2.setNumThreads(1)
    totals: dict[str, Counter[str]] = {}
    for path in [p for p in list_photos(folder) if p.with_suffix(".json").is_file()][::every]:
        truth = read_truth(path.with_suffix(".json"))
        look, scene = _scene(path, truth)
        view = _View(truth, look, scene)
        found = [c for c in crossings(truth) if all(view.open(place) for wire in c for place in wire)]
        methods = {
            "wire tracer": [wire.centreline_px for wire in trace_wires(look, scene)],
            "skeleton branches": [scene.graph.points[p] for p in graph_paths(scene.graph)],
            "branches, least bend": least_bend(scene),
        }
        for name, lines in methods.items():
            totals.setdefault(name, Counter()).update(judged(lines, found, look, truth))
    for name, count in totals.items():
        n = max(sum(count.values()), 1)
        shares = ", ".join(f"{kind} {count[kind] / n:.3f}" for kind in KINDS)
        print(f"{name:22} {n} wires at crossings: {shares}")


class _View:
    """What lies open: every wire's centre line in steps of a quarter of a millimetre, with its height."""

    def __init__(self, truth: Truth, look: FirstLook, scene: Scene) -> None:
        step = 0.25 / truth.mm_per_px_centre
        lines = [dense(wire.centreline_px, step) for wire in truth.wires]
        heights = [
            np.interp(np.linspace(0, 1, len(line)), np.linspace(0, 1, len(wire.height_mm)), wire.height_mm)
            for wire, line in zip(truth.wires, lines, strict=True)
        ]
        self.points, self.heights = np.concatenate(lines), np.concatenate(heights)
        radii = [wire.diameter_mm / 2 / truth.mm_per_px_centre for wire in truth.wires]
        self.radius = np.repeat(radii, [len(line) for line in lines])
        self.tree = cKDTree(self.points)
        covered = np.zeros(scene.body.shape, bool)
        for part in scene.coverings:
            if part.mask is not None:
                covered |= part.mask
        at = np.argwhere(covered)[::5, ::-1].astype(float)
        self.coverings = cKDTree(look.canvas.to_photo_px(at)) if len(at) else None
        self.size = (truth.width_px, truth.height_px)

    def open(self, place: np.ndarray) -> bool:
        """Whether a wire's centre there is in the picture, under no covering and under no higher wire."""
        if not ((place > 0) & (place < self.size)).all():
            return False
        if self.coverings is not None and self.coverings.query(place)[0] < 2:
            return False
        own = int(self.tree.query(place)[1])
        near = np.array(self.tree.query_ball_point(place, 2 * float(self.radius.max())))
        apart = np.linalg.norm(self.points[near] - place, axis=1)
        above = self.heights[near] > self.heights[own] + 0.5
        return not bool((above & (apart < self.radius[near])).any())


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3) or not Path(sys.argv[1]).is_dir():
        sys.exit("expected one folder of photographs with truth files, got something else; name the folder")
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) == 3 else 1)
