"""Turns bench photographs with truth into what the models learn from: cells with classes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from desk.cell_truth import cell_classes
from sample_images.truth import Truth
from vision.cells import Cells
from vision.grid import CellGrid
from vision.layout import MatLayout
from vision.reading import Photo
from vision.sight import FirstLook, first_look


@dataclass(frozen=True)
class TaughtScene:
    """One photograph's cells and what they really lie on.

    classes : (N,) index into CELL_CLASSES, -1 not taught
    """

    cells: Cells
    grid: CellGrid
    classes: np.ndarray


def teach_cells(photo: Photo, truth: Truth, layouts: Sequence[MatLayout]) -> tuple[FirstLook, TaughtScene]:
    """Look at a photograph and label its cells from the truth."""
    look = first_look(photo, layouts)
    photo_xy = look.canvas.to_photo_px(look.cells.xy) if len(look.cells.xy) else np.zeros((0, 2))
    return look, TaughtScene(look.cells, look.grid, cell_classes(truth, photo_xy))
