"""Measures wire tracing on photographs with truth: `python tests/benchmarks/wires_accuracy.py FOLDER [EVERY]`.

The scene is built from the truth, as if the finder had erred nowhere, so that only the tracing is measured. EVERY
takes each so many-th photograph. Of several traces on one wire the longest counts, as in `loomtriage evaluate`.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

import cv2
import numpy as np

from desk.cell_truth import CELL_CLASSES, cell_classes
from desk.evaluate_match import dense, match_wires
from desk.foreign_truth import read_truth
from sample_images.truth import Truth
from vision.findings import Wire
from vision.layout import builtin_layouts
from vision.reading import list_photos, read_photo
from vision.recognise import Scene, recognise
from vision.regions import GrowSettings
from vision.sight import FirstLook, first_look
from vision.wire_counts import count_crossing
from vision.wires import TracedWire, trace_wires


def _scene(path: Path, truth: Truth) -> tuple[FirstLook, Scene]:
    look = first_look(read_photo(path), builtin_layouts())
    classes = cell_classes(truth, look.canvas.to_photo_px(look.cells.xy))
    sure = np.full((len(classes), len(CELL_CLASSES)), 0.001, np.float32)
    sure[np.arange(len(sure)), np.maximum(classes, 0)] = 0.99
    return look, recognise(look, sure, CELL_CLASSES, GrowSettings())


def _findings(traced: list[TracedWire], look: FirstLook) -> list[Wire]:
    found = []
    for wire in traced:
        px = [(float(x), float(y)) for x, y in look.canvas.to_photo_px(wire.centreline_px)]
        found.append(
            Wire(
                id=wire.id, colour=wire.colour, diameter_mm=wire.diameter_mm if look.canvas.mm_known else None,
                size_candidates_mm2=[], centreline_mm=None, centreline_px=px, length_mm=None, ends=list(wire.ends),
            )
        )  # fmt: skip
    return found


def _false(truth: Truth, wires: list[Wire]) -> int:
    """Traces of which less than half lies on any one true wire."""
    on = np.zeros((truth.height_px // 4 + 1, truth.width_px // 4 + 1, len(truth.wires)), bool)
    for k, true in enumerate(truth.wires):
        drawn = np.zeros(on.shape[:2], np.uint8)
        points = np.rint(dense(true.centreline_px, 4.0) / 4).astype(np.int32)
        width = max(1, round((true.diameter_mm + 0.4) / truth.mm_per_px_centre / 4))
        cv2.polylines(drawn, [points], False, 1, width)
        on[..., k] = drawn > 0
    count = 0
    for wire in wires:
        x, y = np.clip((dense(wire.centreline_px, 4.0) / 4).astype(int), 0, [on.shape[1] - 1, on.shape[0] - 1]).T
        count += bool(on[y, x].mean(axis=0).max() < 0.5)
    return count


def _counted(truth: Truth, scene: Scene, traced: list[TracedWire], look: FirstLook) -> list[tuple[int, int, int, int]]:
    """(true, counted, low, high) wires of every damage whose label is the only one of its kind."""
    rows = []
    for candidate in scene.wire_candidates:
        same = [r for r in truth.regions if r.label == candidate.region.hint]
        if len(same) == 1 and sum(c.region.hint == same[0].label for c in scene.wire_candidates) == 1:
            cells = look.cells.xy[candidate.region.cells]
            count = count_crossing(traced, cells, scene.graph, look.canvas.px_per_mm).count
            rows.append((same[0].wires_affected, count.value, count.low, count.high))
    return rows


def main(folder: str, every: int) -> None:
    """Print the figures of one folder."""
    cv2.setNumThreads(1)
    paths = [p for p in list_photos(folder) if p.with_suffix(".json").is_file()][::every]
    true = matched = traces = false = 0
    errors: list[tuple[float, float]] = []
    colours: list[tuple[str, str]] = []
    counts: list[tuple[int, int, int, int]] = []
    times: list[float] = []
    for path in paths:
        truth = read_truth(path.with_suffix(".json"))
        look, scene = _scene(path, truth)
        start = time.process_time()
        traced = trace_wires(look, scene)
        times.append(time.process_time() - start)
        wires = _findings(traced, look)
        pairs = match_wires(truth, wires)
        true, matched, traces = true + len(truth.wires), matched + len(pairs), traces + len(wires)
        false += _false(truth, wires)
        colours += [(truth.wires[i].colour, wires[j].colour) for i, j in pairs]
        for i, j in pairs:
            measured = wires[j].diameter_mm
            if measured is not None:
                errors.append((measured.value - truth.wires[i].diameter_mm, measured.u95))
        counts += _counted(truth, scene, traced, look)
    share = matched / max(true, 1)
    print(f"{len(paths)} photographs, {true} wires, found {matched} = {share:.3f}, {traces} traces, false {false}")
    _print(np.array(errors), colours, np.array(counts).reshape(-1, 4))
    print(f"time ms: median {1e3 * np.median(times):.0f}, worst {1e3 * max(times):.0f}")


def _print(errors: np.ndarray, colours: list[tuple[str, str]], counts: np.ndarray) -> None:
    if len(errors):
        size = np.abs(errors[:, 0])
        print(f"diameter mm, {len(errors)} wires: median error {np.median(size):.3f}")
        within = np.mean(size <= errors[:, 1])
        print(f"  90 % {np.percentile(size, 90):.2f}, bias {np.median(errors[:, 0]):+.3f}, within u95 {within:.3f}")
    base = [(a.split("/")[0], b.split("/")[0]) for a, b in colours]
    right = np.mean([a == b for a, b in base])
    print(f"colour: base right {right:.3f}, whole code right {np.mean([a == b for a, b in colours]):.3f}")
    print("taken for another:", Counter(f"{a} for {b}" for b, a in base if a != b).most_common(8))
    if len(counts):
        known, value, low, high = counts.T
        within = np.mean((low <= known) & (known <= high))
        print(f"wires at a damage, {len(counts)}: within the interval {within:.3f}, {np.mean(high - low):.1f} wide")
        print(f"  value within one {np.mean(np.abs(known - value) <= 1):.3f}")


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3) or not Path(sys.argv[1]).is_dir():
        sys.exit("expected one folder of photographs with truth files, got something else; name the folder")
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) == 3 else 1)
