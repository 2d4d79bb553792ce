"""One photograph of an assembly over two mat sheets: one canvas, wires and distances across the join."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from desk.assess import findings_of, model_in_use
from desk.batch import Entry, Run
from desk.report import report_html
from models.repair import load_rules
from sample_images.scene import SceneError, SceneSettings, render_scene
from sample_images.truth import Truth
from vision.layout import builtin_layouts
from vision.reading import read_photo
from vision.sight import FirstLook, first_look

JOIN_MM = 297.0


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FirstLook, Truth]:
    """A bundle that runs over two sheets with a gap of 2.5 mm between them, the table showing through."""
    picture, truth = render_scene(3, "rodent", SceneSettings(width_px=2400, mat="bench-a4-1", closeup=False, sheets=2))
    path = tmp_path_factory.mktemp("two") / "two.png"
    cv2.imwrite(str(path), picture)
    return path, first_look(read_photo(path), builtin_layouts()), truth


def _on_canvas(look: FirstLook, mm: np.ndarray) -> np.ndarray:
    return np.rint((mm - look.canvas.origin_mm) * look.canvas.px_per_mm).astype(int)


def test_the_canvas_holds_both_sheets_in_the_first_ones_millimetres(case: tuple[Path, FirstLook, Truth]):
    """A place on the second sheet is where the camera of the truth saw it, to a pixel."""
    _, look, truth = case
    assert look.sheets is not None and [layout.name for layout, _ in look.sheets.mats] == ["bench-a4-1", "bench-a4-2"]
    height, width = look.canvas.ground.shape
    assert width > 2 * 0.95 * JOIN_MM * look.canvas.px_per_mm and height < 1.1 * 210 * look.canvas.px_per_mm
    assert truth.camera is not None
    mm = np.array([[120.0, 100.0], [320.0, 60.0], [450.0, 140.0], [560.0, 40.0]])
    K, R, t = (np.array(v, float) for v in (truth.camera.K, truth.camera.R, truth.camera.t))
    points = np.column_stack([mm, np.zeros(len(mm))])
    lens = np.array([truth.camera.k1, truth.camera.k2, 0, 0])
    seen = cv2.projectPoints(points, cv2.Rodrigues(R)[0], t, K, lens)[0].reshape(-1, 2)
    px = (mm - look.canvas.origin_mm) * look.canvas.px_per_mm
    assert np.abs(look.canvas.to_photo_px(px) - seen).max() < 1.0


def test_the_line_between_the_sheets_is_no_part_of_the_assembly(case: tuple[Path, FirstLook, Truth]):
    """Away from the bundle nothing stands on the join; over it the bundle runs on unbroken."""
    _, look, truth = case
    line = np.concatenate([np.array(w.centreline_mm) for w in truth.wires])
    near = line[np.abs(line[:, 0] - JOIN_MM - 1.5) < 12]
    low, high = near[:, 1].min(), near[:, 1].max()
    y, x = np.mgrid[8:202:0.5, JOIN_MM - 2 : JOIN_MM + 5 : 0.5]
    at = _on_canvas(look, np.column_stack([x.ravel(), y.ravel()]))
    solid = look.foreground.filled[at[:, 1], at[:, 0]].reshape(y.shape)
    ground = look.canvas.ground[at[:, 1], at[:, 0]].reshape(y.shape)
    away = (y < low - 15) | (y > high + 15)
    assert solid[away].mean() < 0.01
    assert ground[~away].mean() > 0.99
    middle = (low + high) / 2
    across = _on_canvas(look, np.column_stack([np.arange(JOIN_MM - 6, JOIN_MM + 9, 0.4), np.full(38, middle)]))
    assert look.foreground.filled[across[:, 1], across[:, 0]].all()


def test_wires_are_followed_over_the_join_and_the_report_says_which_sheets(case: tuple[Path, FirstLook, Truth]):
    """Traces that begin 20 mm before the join and end 20 mm behind it; their U95 carries the fit of both sheets."""
    path, look, _ = case
    findings = findings_of(look, model_in_use(None), load_rules())
    assert [sheet.mat for sheet in findings.sheets] == ["bench-a4-1", "bench-a4-2"]
    assert findings.sheets[1].x_mm == pytest.approx(299.5, abs=1.5)
    over = [w for w in findings.wires if w.centreline_mm and _span(w.centreline_mm, JOIN_MM, 20.0)]
    assert over
    for wire in over:
        assert wire.length_mm is not None
        assert {"print scale", "marker fit", "where it ends"} <= {s.name for s in wire.length_mm.sources}
    area = np.array(findings.sheets[0].looked_at_mm)
    assert area[:, 0].max() > 1.8 * JOIN_MM
    entry = Entry(path, findings, None, 0.0)
    assert "on 2 mat sheets as one: bench-a4-1, bench-a4-2" in report_html(Run((entry,), None))


def _span(ring: list[tuple[float, float]], x_mm: float, beyond_mm: float) -> bool:
    x = [p[0] for p in ring]
    return min(x) < x_mm - beyond_mm and max(x) > x_mm + beyond_mm


def test_a_mat_of_one_sheet_cannot_be_laid_out_long():
    """Expected, got, what to do."""
    with pytest.raises(SceneError, match="a mat of several sheets"):
        render_scene(1, "sound", SceneSettings(mat="corner-a3", sheets=2))
    with pytest.raises(SceneError, match="1 to 3, got 4"):
        SceneSettings(sheets=4)
