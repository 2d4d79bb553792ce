"""Seeing one photograph: from pixels to the canvas, the foreground and its dense evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vision.canvas import Canvas
from vision.cells import Cells, describe_cells
from vision.findings import Retake
from vision.grid import CellGrid, make_grid
from vision.lay import lay_on_mat, lay_without_mat
from vision.layout import MatLayout
from vision.light import EvenLight, even_light
from vision.mat import MatView, NoMat, find_mat
from vision.quality import judge_quality
from vision.reading import Photo
from vision.segment import Foreground, on_other_ground, on_white_ground


@dataclass(frozen=True)
class FirstLook:
    """What is seen before anything is recognised."""

    photo: Photo
    view: MatView | NoMat
    retake: list[Retake]
    canvas: Canvas
    even: EvenLight
    foreground: Foreground
    cells: Cells
    grid: CellGrid


def first_look(photo: Photo, layouts: Sequence[MatLayout], mm_per_px: float | None = None) -> FirstLook:
    """Find the mat, lay the photograph flat, separate the assembly and describe its cells.

    mm_per_px : scale stated by a person, used when no mat is found.
    """
    view = find_mat(photo, layouts)
    found = view if isinstance(view, MatView) else None
    canvas = lay_on_mat(photo, found) if found else lay_without_mat(photo, mm_per_px)
    even = even_light(canvas.bgr, canvas.bare, canvas.white_ground)
    foreground = (
        on_white_ground(even, canvas.ground, canvas.px_per_mm, canvas.printed)
        if canvas.white_ground
        else on_other_ground(even, canvas.ground, canvas.px_per_mm)
    )
    cells = describe_cells(even, foreground, canvas.ground, canvas.px_per_mm)
    return FirstLook(photo, view, judge_quality(photo, found), canvas, even, foreground, cells, make_grid(cells))
