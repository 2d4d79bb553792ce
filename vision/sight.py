"""Seeing one photograph: from pixels to the canvas, the foreground and its dense evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vision.canvas import Canvas
from vision.cells import Cells, describe_cells
from vision.findings import Retake
from vision.grid import CellGrid, make_grid
from vision.lay import lay_on_mat, lay_without_mat
from vision.lay_sheets import lay_on_sheets
from vision.layout import MatLayout
from vision.light import EvenLight, even_light
from vision.mat import MatView, NoMat, find_mat
from vision.quality import judge_quality
from vision.reading import Photo
from vision.segment import Foreground, on_other_ground, on_white_ground
from vision.sheets import SeenSheets, seen_together


@dataclass(frozen=True)
class FirstLook:
    """What is seen before anything is recognised. sheets : None where no mat was found;
    eye : what has looked at the cells since, and added to their features."""

    photo: Photo
    view: MatView | NoMat
    retake: list[Retake]
    canvas: Canvas
    even: EvenLight
    foreground: Foreground
    cells: Cells
    grid: CellGrid
    sheets: SeenSheets | None = None
    eye: object | None = None


def first_look(
    photo: Photo,
    layouts: Sequence[MatLayout],
    mm_per_px: float | None = None,
    assumed_mm_per_px: float | None = None,
) -> FirstLook:
    """Find the mat, lay the photograph flat, separate the assembly and describe its cells.

    mm_per_px : scale stated by a person, used when no mat is found; assumed_mm_per_px : of a pixel where nothing tells
    """
    view = find_mat(photo, layouts)
    found = view if isinstance(view, MatView) else None
    on_screen = isinstance(view, NoMat) and view.on_screen
    sheets = seen_together(found) if found else None
    retake = judge_quality(photo, found, on_screen)
    if sheets is None:
        canvas = lay_without_mat(photo, None if on_screen else mm_per_px, assumed_mm_per_px)
    else:
        view = found = sheets.view
        canvas = lay_on_sheets(photo, sheets) if len(sheets.mats) > 1 else lay_on_mat(photo, found)
    return _described(photo, view, retake, canvas, sheets)


def at_field(look: FirstLook, long_side_mm: float) -> FirstLook:
    """The same photograph, which nothing gives a scale, as if its long side showed so much."""
    photo = look.photo
    canvas = lay_without_mat(photo, None, long_side_mm / max(photo.width_px, photo.height_px))
    return _described(photo, look.view, look.retake, canvas, None)


def _described(
    photo: Photo, view: MatView | NoMat, retake: list[Retake], canvas: Canvas, sheets: SeenSheets | None
) -> FirstLook:
    even = even_light(canvas.bgr, canvas.bare, canvas.white_ground)
    foreground = (
        on_white_ground(even, canvas.ground, canvas.px_per_mm, canvas.printed)
        if canvas.white_ground
        else on_other_ground(even, canvas.ground, canvas.px_per_mm)
    )
    cells = describe_cells(even, foreground, canvas.ground, canvas.px_per_mm)
    return FirstLook(photo, view, retake, canvas, even, foreground, cells, make_grid(cells), sheets)
