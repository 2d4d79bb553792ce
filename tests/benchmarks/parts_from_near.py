"""Parts photographed from near: `python tests/benchmarks/parts_from_near.py FOLDER WIDTH_MM [EVERY [FIRST]]`.

Of every photograph with truth a part so wide about its first damage (or its wires) is cut out, turned round and
answered as a photograph of its own without a mat or any scale. Prints each answer with the field it was recognised at,
and how many labels are right, and right without doubt.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import numpy as np

from desk.assess import findings_of, model_in_use
from desk.evaluate import find_cases
from desk.training_set import as_photo
from models.repair import load_rules
from sample_images.truth import Truth
from vision.reading import read_photo
from vision.sight import first_look


def part(bgr: np.ndarray, truth: Truth, width_mm: float) -> np.ndarray:
    """The part, 4 : 3, upside down; smaller where the photograph ends."""
    rings = [np.array(ring) for ring in truth.regions[0].rings_px] if truth.regions else []
    points = np.concatenate(rings or [np.array(wire.centreline_px) for wire in truth.wires])
    x, y = (points.min(axis=0) + points.max(axis=0)) / 2 if rings else np.median(points, axis=0)
    across, down = width_mm / truth.mm_per_px_centre / 2, width_mm / truth.mm_per_px_centre * 3 / 8
    cut = bgr[max(0, round(y - down)) : round(y + down), max(0, round(x - across)) : round(x + across)]
    return np.ascontiguousarray(cv2.rotate(cut, cv2.ROTATE_180))


def main(folder: str, width_mm: str, every: str = "1", first: str = "0") -> None:
    """Print the answers and how many are right."""
    cases, mistakes = find_cases(Path(folder))
    assert not mistakes, mistakes
    model, rules = model_in_use(None), load_rules()
    cases = [case for case in cases[int(first) :: int(every)] if case.truth.mm_per_px_centre]
    right = sure = wrong = 0
    for case in cases:
        photo = as_photo(part(read_photo(case.path).bgr, case.truth, float(width_mm)), case.path.name)
        begun = time.perf_counter()
        found = findings_of(first_look(photo, ()), model, rules)
        seconds = time.perf_counter() - begun
        fits, certain = found.label in (case.truth.labels or ["sound"]), not (found.unsure or found.novel)
        right, sure = right + fits, sure + (fits and certain)
        wrong += found.label is not None and not fits and certain
        field = (found.scale.assumed_mm_per_px or 0.0) * max(photo.width_px, photo.height_px)
        doubt = "" if certain else " unsure"
        print(f"{case.path.name}: {found.label}{doubt}, taken for {field:.0f} mm, {seconds:.1f} s", flush=True)
    print(
        f"{len(cases)} parts of {width_mm} mm: right {right}, of them without doubt {sure}; wrong without doubt {wrong}"
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
