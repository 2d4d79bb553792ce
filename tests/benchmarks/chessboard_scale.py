"""Measures scale on real photographs of a chessboard: `python tests/benchmarks/chessboard_scale.py FOLDER`.

FOLDER holds left01.jpg ... right14.jpg: 9 x 6 inner corners, squares of 25 mm (OpenCV's sample pictures; Debian's
package opencv-doc puts them into /usr/share/doc/opencv-doc/examples/data). The view is fitted to half of the squares
only, as if they were markers; the known distances between the other half's corners are then measured. Nobody measured
that board's own print: its uncertainty is that of any unchecked print.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

from vision.layout import Marker, MatLayout
from vision.mat import MatView
from vision.mat_pose import scale_u95_rel, solve_pose
from vision.reading import read_photo

COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
PAGE = MatLayout("board", "mat", (250.0, 175.0), (Marker("DICT_4X4_50", 0, (125.0, 87.5), 25.0),), (255, 255, 255))


def _corners_px(grey: np.ndarray) -> np.ndarray | None:
    """(ROWS, COLUMNS, 2) px of the inner corners, None where OpenCV does not find the board."""
    found, corners = cv2.findChessboardCornersSB(grey, (COLUMNS, ROWS), flags=cv2.CALIB_CB_ACCURACY)
    return corners.reshape(ROWS, COLUMNS, 2).astype(float) if found else None


def _squares(grid: np.ndarray, first: int, last: int) -> np.ndarray:
    """(4 n, 2) corners of the squares of one colour whose column lies in [first, last)."""
    found = []
    for j in range(ROWS - 1):
        for i in range(first, last):
            if (i + j) % 2 == 0:
                found += [grid[j, i], grid[j, i + 1], grid[j + 1, i + 1], grid[j + 1, i]]
    return np.array(found)


def main(folder: Path) -> None:
    """Print the figures of one folder."""
    board = np.stack(np.meshgrid(np.arange(1, COLUMNS + 1), np.arange(1, ROWS + 1)), -1) * SQUARE_MM
    errors, covered, by_fit, seen = [], 0, 0, 0
    for path in sorted(p for side in ("left", "right") for p in folder.glob(f"{side}[0-9][0-9].jpg")):
        photo = read_photo(path)
        corners = _corners_px(cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY))
        if corners is None:
            print(f"{path.name}: board not found by OpenCV")
            continue
        size = (photo.width_px, photo.height_px)
        pose = solve_pose(_squares(board, 0, 4), _squares(corners, 0, 4), size, None, PAGE.page_mm)
        if pose is None:
            print(f"{path.name}: no pose")
            continue
        view = MatView(PAGE, pose, (), 0.0, 0.0, 0.0)
        measured = view.to_mm(corners[:, 5:].reshape(-1, 2)).reshape(ROWS, -1, 2)
        spans = np.linalg.norm(measured[-1] - measured[0], axis=1) / ((ROWS - 1) * SQUARE_MM) - 1
        fit = scale_u95_rel(pose, np.array([7 * SQUARE_MM, 3.5 * SQUARE_MM]), 0.0)
        u95 = float(np.hypot(fit, PAGE.print_u95_rel))
        errors.append(float(np.median(spans)))
        covered += abs(errors[-1]) <= u95
        by_fit += abs(errors[-1]) <= fit
        seen += 1
        print(f"{path.name}: scale error {errors[-1]:+.4f}, u95 {u95:.4f}, focal {pose.K[0, 0]:.0f} px")
    if not seen:
        sys.exit("expected left01.jpg ... right14.jpg with a chessboard, got none; see this file's first lines")
    size_of = np.abs(errors)
    print(
        f"{seen} photographs: median {np.median(size_of):.4f}, worst {size_of.max():.4f}, within u95 {covered}/{seen}"
        f" (without the print's uncertainty {by_fit}/{seen})"
    )


if __name__ == "__main__":
    if len(sys.argv) != 2 or not Path(sys.argv[1]).is_dir():
        sys.exit("expected one folder of chessboard photographs, got something else; name the folder")
    main(Path(sys.argv[1]))
