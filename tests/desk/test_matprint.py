"""Printed mats: true scale of PDF and PNG, what they say, and how bad requests are refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdfium_c
import pytest
from PIL import Image

from desk.matprint import MatPrintError, printed_page, write_mat
from vision.layout import builtin_layouts
from vision.mat import MatView, find_mat
from vision.own_mats import PAPERS, own_layout
from vision.reading import Photo, read_photo


def _rasterised(path: Path, dpi: float = 300) -> np.ndarray:
    """(H, W, 3) BGR of the first page at exactly this resolution (the plain call stretches to whole pixels)."""
    document = pdfium.PdfDocument(path)
    page = document[0]
    scale = dpi / 72
    width, height = (int(np.ceil(side * scale - 1e-6)) for side in page.get_size())
    bitmap = pdfium.PdfBitmap.new_native(width, height, pdfium_c.FPDFBitmap_BGR)
    bitmap.fill_rect((255, 255, 255, 255), 0, 0, width, height)
    matrix, clip = pdfium_c.FS_MATRIX(scale, 0, 0, scale, 0, 0), pdfium_c.FS_RECTF(0, 0, width, height)
    pdfium_c.FPDF_RenderPageBitmapWithMatrix(bitmap, page, matrix, clip, 0)
    pixels = np.ascontiguousarray(bitmap.to_numpy())
    document.close()
    return pixels


@pytest.mark.parametrize("paper", PAPERS)
def test_the_pdf_found_again_at_300_dpi_is_the_layout(tmp_path: Path, paper: str):
    """Rasterised by PDFium and found by the mat finder, each marker corner lies within 0.02 mm of the layout."""
    bgr = _rasterised(write_mat(paper, 1, tmp_path / "mat.pdf"))
    view = find_mat(Photo(bgr, "mat.png", "", bgr.shape[1], bgr.shape[0]), builtin_layouts())
    assert isinstance(view, MatView)
    layout = own_layout(paper)
    assert view.layout == layout and len(view.markers) == len(layout.markers)
    on_paper = {m.id: m.corners_mm() for m in printed_page(paper, 1).markers}
    for marker in view.markers:
        found_mm = (marker.corners_px + 0.5) * 25.4 / 300
        assert np.linalg.norm(found_mm - on_paper[marker.id], axis=1).max() < 0.02
    for marker in layout.markers:
        fitted_mm = (view.to_px(marker.corners_mm()) + 0.5) * 25.4 / 300
        assert np.linalg.norm(fitted_mm - on_paper[marker.id], axis=1).max() < 0.02


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (297, 210)), ("tabloid", (431.8, 279.4))])
def test_the_pdf_page_has_the_papers_size_and_asks_for_no_scaling(tmp_path: Path, paper: str, size_mm: tuple):
    """Page box in points of 1/72 inch; the viewer preference PrintScaling is None."""
    path = write_mat(paper, 1, tmp_path / "mat.pdf")
    document = pdfium.PdfDocument(path)
    assert np.allclose(np.array(document[0].get_size()) * 25.4 / 72, size_mm, atol=0.01)
    document.close()
    assert b"/PrintScaling /None" in path.read_bytes()


@pytest.mark.parametrize("paper", PAPERS)
def test_the_print_says_how_to_use_it_safely(tmp_path: Path, paper: str):
    """Scale instruction and cautions stand on every page, and no letter is lost."""
    document = pdfium.PdfDocument(write_mat(paper, 2, tmp_path / "mat.pdf"))
    text = " ".join(document[0].get_textpage().get_text_bounded().split())
    document.close()
    for phrase in ("Print at 100 %", "must measure 100 mm", "Disconnect the battery", "maker's procedure", "mask",
                   "30 min", "5 min", "never sweep or vacuum"):  # fmt: skip
        assert phrase in text


@pytest.mark.parametrize("paper", PAPERS)
def test_check_bars_measure_100_mm_on_the_rasterised_page(tmp_path: Path, paper: str):
    """Dark runs of 100 mm exist along both axes of the rasterised page, and no longer ones."""
    dark = _rasterised(write_mat(paper, 1, tmp_path / "mat.pdf"), 254)[..., 0] < 200
    for lines in (dark, dark.T):
        longest = max(_longest_run(line) for line in lines[lines.sum(1) > 900])
        assert longest == pytest.approx(1000, abs=1.5)


def _longest_run(line: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def test_the_png_carries_its_resolution_and_sheet(tmp_path: Path):
    """300 dpi in the file, the page's size in pixels, and the sheet's own markers."""
    path = write_mat("a4", 3, tmp_path / "mat.png")
    with Image.open(path) as image:
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert image.size == (round(297 / 25.4 * 300), round(210 / 25.4 * 300))
    view = find_mat(read_photo(path), builtin_layouts())
    assert isinstance(view, MatView) and view.layout.name == "bench-a4-3"
    assert view.mm_per_px == pytest.approx(25.4 / 300, rel=1e-3)


@pytest.mark.parametrize(
    ("paper", "sheet", "name", "says"),
    [
        ("a5", 1, "mat.pdf", "--paper a4, a3, letter, tabloid, card, got 'a5'"),
        ("a4", 0, "mat.pdf", "--sheet 1 to 8, got 0"),
        ("a4", 9, "mat.pdf", "--sheet 1 to 8, got 9"),
        ("a4", 1, "mat.svg", "ending in .pdf or .png, got 'mat.svg'"),
        ("a4", 1, "gone/mat.pdf", "No such file"),
    ],
)
def test_a_bad_request_is_one_clear_line_and_leaves_nothing(
    tmp_path: Path, paper: str, sheet: int, name: str, says: str
):
    """Expected, got, what to do; nothing half-written lies about."""
    with pytest.raises(MatPrintError) as caught:
        write_mat(paper, sheet, tmp_path / name)
    assert says in str(caught.value) and "\n" not in str(caught.value)
    assert str(caught.value).startswith("expected ")
    assert list(tmp_path.iterdir()) == []


def test_a_place_taken_by_a_folder_is_refused_and_nothing_is_left(tmp_path: Path):
    """The temporary file is removed when the last step fails."""
    (tmp_path / "mat.pdf").mkdir()
    with pytest.raises(MatPrintError, match="choose a folder you may write to"):
        write_mat("card", 1, tmp_path / "mat.pdf")
    assert [p.name for p in tmp_path.iterdir()] == ["mat.pdf"]
