"""Prints the project's bench mats and pocket scale at true scale, as PDF or PNG."""

from __future__ import annotations

import io
import os
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from fpdf import FPDF
from fpdf.prefs import ViewerPreferences
from PIL import Image

from vision.layout import Box, MatLayout, Rgb, Text
from vision.layout_raster import marker_outlines_mm, raster
from vision.own_mats import CAUTIONS, CHECK_BAR_MM, PAPERS, SHEETS, own_layout

PNG_DPI = 300
_HELVETICA_CAP = 0.718  # of the font size, Adobe's metrics
_PT_PER_MM = 72 / 25.4
_CARD_SHEET_MM = (210.0, 279.4)  # fits both A4 and letter at 100 %
_CARD_AT_MM = (62.2, 40.0)
_INK: Rgb = (90, 90, 90)


class MatPrintError(ValueError):
    """A mat that cannot be written: expected, got, what to do."""


def write_mat(paper: str, sheet: int, path: str | Path) -> Path:
    """Write the mat of a paper and sheet number as PDF or PNG by the path's suffix; nothing half-written is left."""
    path = Path(path)
    if paper not in PAPERS:
        raise MatPrintError(f"expected --paper {', '.join(PAPERS)}, got {paper!r}; choose one of these")
    if sheet not in SHEETS:
        raise MatPrintError(f"expected --sheet 1 to {SHEETS[-1]}, got {sheet}; choose one of these")
    suffix = path.suffix.lower()
    if suffix not in (".pdf", ".png"):
        raise MatPrintError(f"expected a file name ending in .pdf or .png, got {path.name!r}; rename it")
    page = printed_page(paper, sheet)
    _write_whole(path, _pdf(page) if suffix == ".pdf" else _png(page))
    return path


def printed_page(paper: str, sheet: int) -> MatLayout:
    """What is on the paper: the mat itself, or the pocket scale on a sheet with check bars and a line to cut along."""
    layout = own_layout(paper, sheet)
    return layout if layout.kind == "mat" else _card_sheet(layout)


def _card_sheet(card: MatLayout) -> MatLayout:
    x, y = _CARD_AT_MM
    w, h = card.page_mm
    return MatLayout(
        name=f"{card.name}-sheet",
        kind="card",
        page_mm=_CARD_SHEET_MM,
        background_srgb=(255, 255, 255),
        markers=tuple(replace(m, centre_mm=(m.centre_mm[0] + x, m.centre_mm[1] + y)) for m in card.markers),
        patches=tuple(
            replace(p, rect_mm=(p.rect_mm[0] + x, p.rect_mm[1] + y, p.rect_mm[2], p.rect_mm[3])) for p in card.patches
        ),
        boxes=(*_cut_marks(x, y, w, h), *_bars(55.0, 160.0)),
        rulers=tuple(replace(r, start_mm=(r.start_mm[0] + x, r.start_mm[1] + y)) for r in card.rulers),
        texts=(*(replace(t, at_mm=(t.at_mm[0] + x, t.at_mm[1] + y)) for t in card.texts), *_card_words()),
    )


def _cut_marks(x: float, y: float, w: float, h: float) -> list[Box]:
    """Two short lines at each corner, outside the card."""
    line, length, gap = 0.2, 5.0, 1.5
    across = [
        (cx - (gap + length if cx == x else -gap), cy - line / 2, length, line)
        for cx in (x, x + w)
        for cy in (y, y + h)
    ]
    down = [
        (cx - line / 2, cy - (gap + length if cy == y else -gap), line, length)
        for cx in (x, x + w)
        for cy in (y, y + h)
    ]
    return [Box(rect, _INK) for rect in across + down]


def _bars(x: float, y: float) -> list[Box]:
    """The check bars of both axes, 100 mm between outer edges."""
    line, tick, bar = 0.4, 4.0, CHECK_BAR_MM
    rects = [(x, y - line / 2, bar, line), (x - 8 - line / 2, y, line, bar)]
    rects += [(x + end, y - tick / 2, line, tick) for end in (0.0, bar - line)]
    rects += [(x - 8 - tick / 2, y + end, tick, line) for end in (0.0, bar - line)]
    return [Box(rect, _INK) for rect in rects]


def _card_words() -> list[Text]:
    lines = [
        "Pocket scale for work in the vehicle. Print at 100 % (actual size, no fitting).",
        "Both check bars must measure 100 mm from end to end, within 0.5 mm.",
        "Cut along the marks, glue the card on something stiff and flat, lay it beside the damage",
        "as high as the wires, and photograph from straight above with the whole card in view.",
        "",
        *CAUTIONS,
    ]
    cap, pitch = 1.75, 4.2
    words = [Text((22.0, 108.0 + i * pitch), cap, line, (40, 40, 40)) for i, line in enumerate(lines) if line]
    return [
        *words,
        Text((60.0, 166.0), cap, "check bar: 100 mm", _INK),
        Text((60.0, 200.0), cap, "check bar: 100 mm", _INK),
    ]


def _pdf(page: MatLayout) -> bytes:
    """Vector PDF of exactly the page's size; viewers are told not to scale it."""
    pdf = FPDF(unit="mm", format=page.page_mm)
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.set_title(page.name)
    pdf.add_page()
    if page.pattern:
        pdf.set_fill_color(*page.pattern.srgb)
        for x, y in page.pattern.centres_mm():
            pdf.circle(float(x), float(y), page.pattern.radius_mm, style="F")
    boxes = [Box(p.rect_mm, p.srgb) for p in page.patches] + page.printed_boxes()
    for box in boxes:
        pdf.set_fill_color(*box.srgb)
        pdf.rect(*box.rect_mm, style="F")
    _draw_markers(pdf, page)
    for text in page.texts:
        pdf.set_font("Helvetica", size=text.cap_mm / _HELVETICA_CAP * _PT_PER_MM)
        pdf.set_text_color(*text.srgb)
        pdf.text(*text.at_mm, text.text)
    return bytes(pdf.output())


def _draw_markers(pdf: FPDF, page: MatLayout) -> None:
    """Each marker as one path with holes: viewers move single rectangles to whole pixels, paths they do not."""
    for marker in page.markers:
        with pdf.new_path() as path:
            path.style.fill_color = "#000000"
            path.style.stroke_color = None
            path.style.intersection_rule = "evenodd"
            for loop in marker_outlines_mm(marker):
                path.move_to(*map(float, loop[0]))
                for point in loop[1:]:
                    path.line_to(*map(float, point))
                path.close()


def _png(page: MatLayout) -> bytes:
    """Picture of the page with its resolution noted, so that it prints at true scale."""
    rgb = cv2.cvtColor(raster(_on_white(page), PNG_DPI / 25.4), cv2.COLOR_BGR2RGB)
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(rgb)).save(out, "PNG", dpi=(PNG_DPI, PNG_DPI), optimize=False)
    return out.getvalue()


def _on_white(page: MatLayout) -> MatLayout:
    """Paper brings its own white: nothing is printed for the background."""
    return replace(page, background_srgb=(255, 255, 255))


def _write_whole(path: Path, data: bytes) -> None:
    """Write beside the target and move into place."""
    beside = ""
    try:
        handle, beside = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.chmod(beside, 0o644)
        os.replace(beside, path)
    except OSError as error:
        if beside and os.path.exists(beside):
            os.unlink(beside)
        raise MatPrintError(
            f"expected a place to write the mat, got {path} ({error.strerror}); choose a folder you may write to"
        ) from error
