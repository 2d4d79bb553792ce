"""Measures mat finding on photographs whose camera is known: `python tests/benchmarks/mat_accuracy.py FOLDER`.

Every NAME.jpg needs a NAME.json with `mat` (null: none), `page_mm` and `camera` {K, dist_k1_k2, R_world_to_cam, t_mm}
of a world whose origin is the page's middle, x right, y up on the page, z away from it.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vision.layout import builtin_layouts
from vision.mat import MatView, find_mat, rectify
from vision.quality import judge_quality, usable
from vision.reading import Photo, list_photos, read_photo

HEIGHTS_MM = (0.0, 5.0, 10.0)


@dataclass(frozen=True)
class _Camera:
    """The true camera."""

    truth: dict[str, Any]

    def to_px(self, mm: np.ndarray, height_mm: float) -> np.ndarray:
        camera, (width, height) = self.truth["camera"], self.truth["page_mm"]
        world = np.column_stack([mm[:, 0] - width / 2, height / 2 - mm[:, 1], np.full(len(mm), height_mm)])
        seen = world @ np.array(camera["R_world_to_cam"]).T + camera["t_mm"]
        lens = np.array([*camera["dist_k1_k2"], 0, 0])
        return cv2.projectPoints(seen, np.zeros(3), np.zeros(3), np.array(camera["K"]), lens)[0].reshape(-1, 2)

    def mm_per_px(self, at_mm: np.ndarray, height_mm: float) -> float:
        steps = np.array([[-0.5, 0], [0.5, 0], [0, -0.5], [0, 0.5]])
        px = self.to_px(at_mm + steps, height_mm)
        return 1 / float(np.sqrt(abs(np.cross(np.append(px[1] - px[0], 0), np.append(px[3] - px[2], 0))[2])))


def _positions(view: MatView, camera: _Camera, photo: Photo, height_mm: float) -> np.ndarray:
    """Distances in mm between a grid over the visible page and where the view puts its pixels."""
    width, height = camera.truth["page_mm"]
    grid = np.stack(np.meshgrid(np.linspace(0, width, 15), np.linspace(0, height, 11)), -1).reshape(-1, 2)
    px = camera.to_px(grid, height_mm)
    inside = ((px > 0) & (px < [photo.width_px - 1, photo.height_px - 1])).all(1)
    return np.linalg.norm(view.to_mm(px[inside], height_mm) - grid[inside], axis=1)


def _wilson(hits: int, n: int) -> str:
    p, z = hits / n, 1.96
    middle = (p + z * z / 2 / n) / (1 + z * z / n)
    half = z / (1 + z * z / n) * np.sqrt(p * (1 - p) / n + z * z / 4 / n / n)
    return f"{hits}/{n} = {p:.3f} ({middle - half:.3f} to {middle + half:.3f})"


def main(folder: str) -> None:
    """Print the figures of one folder."""
    cv2.setNumThreads(1)
    layouts = builtin_layouts()
    found = with_mat = false = unusable = 0
    rows: list[tuple[float, ...]] = []
    errors: dict[float, list[np.ndarray]] = {h: [] for h in HEIGHTS_MM}
    times: list[float] = []
    for path in (p for p in list_photos(folder) if p.with_suffix(".json").is_file()):
        truth = json.loads(path.with_suffix(".json").read_text())
        photo, camera = read_photo(path), _Camera(truth)
        start = time.process_time()
        view = find_mat(photo, layouts)
        times.append(time.process_time() - start)
        seen = isinstance(view, MatView)
        with_mat += truth["mat"] is not None
        found += seen and truth["mat"] is not None
        false += seen and truth["mat"] is None
        unusable += not usable(judge_quality(photo, view if isinstance(view, MatView) else None))
        if not isinstance(view, MatView) or truth["mat"] is None:
            continue
        middle = view.middle_mm
        scale = [view.mm_per_px_at(middle, h) / camera.mm_per_px(middle, h) - 1 for h in (0.0, 5.0)]
        rows.append((*scale, view.u95_rel, view.residual_mm, view.tilt_deg - truth["camera"]["tilt_deg"]))
        for h in HEIGHTS_MM:
            errors[h].append(_positions(view, camera, photo, h))
        rectify(photo, view, 5.0)
    print(f"mats found {_wilson(found, with_mat)}, found where there is none {false}, judged unusable {unusable}")
    _print_scale(np.array(rows))
    for h in HEIGHTS_MM:
        _print_errors(f"position error mm at {h:g} mm", np.concatenate(errors[h]))
    print(f"search ms: median {1e3 * np.median(times):.0f}, worst {1e3 * max(times):.0f}")


def _print_errors(name: str, values: np.ndarray) -> None:
    size = np.abs(values)
    print(f"{name}: median {np.median(size):.5f}, 95 % {np.percentile(size, 95):.5f}, worst {size.max():.5f}")


def _print_scale(table: np.ndarray) -> None:
    """Columns: scale error on the page and 5 mm above, u95, residual mm, tilt error."""
    _print_errors("residual mm", table[:, 3])
    _print_errors("scale error on the page", table[:, 0])
    _print_errors("scale error 5 mm above", table[:, 1])
    _print_errors("u95 of the scale", table[:, 2])
    _print_errors("tilt error deg", table[:, 4])
    print(f"scale 5 mm above within u95: {_wilson(int((np.abs(table[:, 1]) <= table[:, 2]).sum()), len(table))}")
    ratio = table[:, 1] / (table[:, 2] / 1.96)
    print(f"scale error over standard uncertainty: rms {np.sqrt((ratio**2).mean()):.2f}")


if __name__ == "__main__":
    if len(sys.argv) != 2 or not Path(sys.argv[1]).is_dir():
        sys.exit("expected one folder of photographs with truth files, got something else; name the folder")
    main(sys.argv[1])
