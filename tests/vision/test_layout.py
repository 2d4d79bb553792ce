"""Layout files: what is refused, what is kept, and the project's own mats."""

from __future__ import annotations

import json
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.layout import LayoutError, MatLayout, builtin_layouts, load_layout
from vision.layout_file import data_from_layout, layout_from_data, layout_text
from vision.own_mats import PAPERS, SHEETS, own_layout


def _marker(id: int, x: float, y: float, side: float = 20.0, dictionary: str = "DICT_4X4_50") -> dict:
    return {"dictionary": dictionary, "id": id, "centre_mm": [x, y], "side_mm": side}


def _layout(**changes: object) -> dict:
    return {
        "schema": "mat-layout/1", "name": "bench", "kind": "mat", "page_mm": [200, 100],
        "background_srgb": [250, 250, 250], "markers": [_marker(0, 20, 20), _marker(1, 180, 80)],
    } | changes  # fmt: skip


def _mistakes(data: object) -> tuple[str, ...]:
    with pytest.raises(LayoutError) as caught:
        layout_from_data(data, "bench.json")
    return caught.value.mistakes


def test_every_mistake_of_a_file_is_reported_at_once():
    """Five mistakes of geometry and two of type come in one message, each with its place."""
    grey = {"name": "grey", "srgb": [9, 9, 9]}
    data = _layout(
        markers=[
            _marker(3, 20, 20), _marker(3, 100, 50), _marker(4, 195, 50), _marker(5, 20, 80, side=0),
            _marker(0, 60, 80, dictionary="DICT_9X9_7"), _marker(50, 180, 15), {"id": "six"},
        ],
        patches=[grey | {"rect_mm": [130, 10, 20, 20]}, grey | {"rect_mm": [140, 20, 20, 20]}],
        kind="carpet",
    )  # fmt: skip
    text = "\n".join(_mistakes(data))
    assert "markers[1]: id 3 of DICT_4X4_50 is already used by markers[0]" in text
    assert "markers[2]: lies outside the page of 200 x 100 mm" in text
    assert "markers[3]: side_mm must be positive, got 0" in text
    assert "markers[4]: unknown dictionary 'DICT_9X9_7'" in text
    assert "markers[5]: id must lie in 0 to 49 of DICT_4X4_50, got 50" in text
    assert "markers[6].dictionary: expected text, got nothing" in text
    assert "markers[6].id: expected a whole number, got 'six'" in text
    assert "patches[1] (grey): overlaps patches[0] (grey)" in text
    assert "kind: expected mat or card, got 'carpet'" in text


def test_the_message_says_what_was_expected_what_came_and_what_to_do():
    """One line, with the file's name and the number of mistakes."""
    with pytest.raises(LayoutError) as caught:
        layout_from_data(_layout(markers=[_marker(1, 20, 20), _marker(1, 60, 60)]), "my.json")
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("expected a mat layout (mat-layout/1), got my.json with 1 mistake:")
    assert message.endswith("correct the layout file")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"page_mm": [0, 100]}, "page_mm must be positive"),
        ({"markers": []}, "at least one marker"),
        ({"markers": "none"}, "markers: expected a list"),
        ({"background_srgb": [250, 250, 256]}, "background_srgb: expected three values 0 to 255"),
        ({"background_srgb": [0.5, 250, 250]}, "background_srgb: expected 3 whole numbers"),
        ({"pattern": {"kind": "dots", "rect_mm": [50, 20, 90, 60], "pitch_mm": 2, "radius_mm": 1, "srgb": [9, 9, 9]}},
         "pattern: expected kind dots"),
        ({"boxes": [{"rect_mm": [1, 1, 0, 1], "srgb": [0, 0, 0]}]}, "boxes[0]: width and height must be positive"),
        ({"texts": [{"at_mm": [1, 1], "cap_mm": -1, "text": "x", "srgb": [0, 0, 0]}]}, "texts[0]: cap_mm"),
        ({"schema": "mat-layout/9"}, "schema: expected mat-layout/1"),
        ({"colour": 1}, "unknown field 'colour'"),
        ({"name": " "}, "name must not be empty"),
    ],
)  # fmt: skip
def test_a_wrong_field_is_named(change: dict, says: str):
    """Each single mistake is found where it is."""
    assert any(says in m for m in _mistakes(_layout(**change)))


@pytest.mark.parametrize("data", [[], 7, None, "text"])
def test_something_else_than_an_object_is_refused(data: object):
    """JSON that is no object gives mistakes, not a crash."""
    assert any("expected an object" in m for m in _mistakes(data))


def test_files_that_are_no_layout_are_refused(tmp_path: Path):
    """Missing, binary and non-JSON files name the reason; a missing name lists the built-in layouts."""
    (tmp_path / "a.json").write_text("{not json")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00\x81")
    for name, says in (("a.json", "not JSON"), ("b.json", "not a text file"), ("c.json", "built-in layouts are")):
        with pytest.raises(LayoutError, match=says):
            load_layout(tmp_path / name)
    with pytest.raises(LayoutError, match="corner-a3"):
        load_layout("no-such-mat")


def test_a_layout_that_contradicts_itself_cannot_be_built():
    """The value object refuses what the file reader refuses."""
    with pytest.raises(LayoutError, match="at least one marker"):
        MatLayout("x", "mat", (100.0, 100.0), (), (255, 255, 255))


@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=25, unique=True),
    st.floats(1, 19),
    st.floats(150, 500),
)
def test_a_layout_survives_its_file(places: list[tuple[int, int]], side: float, page: float):
    """Any layout with markers on a grid comes back equal through JSON."""
    markers = [_marker(i, 20 + 25 * x, 20 + 25 * y, side) for i, (x, y) in enumerate(places)]
    layout = layout_from_data(_layout(page_mm=[page, page], markers=markers), "x")
    assert layout_from_data(json.loads(layout_text(layout)), "x") == layout
    assert layout_from_data(json.loads(json.dumps(data_from_layout(layout))), "x") == layout


@pytest.mark.parametrize("paper", PAPERS)
def test_shipped_layout_files_equal_the_code(paper: str):
    """The file of sheet 1 is what the code computes (write it anew with python -m vision.own_mats)."""
    layout = own_layout(paper)
    assert load_layout(layout.name) == layout


def test_no_two_sheets_share_a_marker():
    """All markers of all papers and sheets differ, so sheets may lie edge to edge."""
    keys = [(m.dictionary, m.id) for paper in PAPERS for sheet in SHEETS for m in own_layout(paper, sheet).markers]
    assert len(keys) == len(set(keys)) == 8 * (22 + 22 + 30 + 30 + 6)


def test_builtin_layouts_hold_every_own_sheet_and_the_corner_marker_mat():
    """What the mat command can print is found without being named."""
    names = {layout.name for layout in builtin_layouts()}
    assert {own_layout(paper, sheet).name for paper in PAPERS for sheet in SHEETS} | {"corner-a3"} == names


@pytest.mark.parametrize(
    ("paper", "size"),
    [
        ("a4", (297, 210)),
        ("a3", (420, 297)),
        ("letter", (279.4, 215.9)),
        ("tabloid", (431.8, 279.4)),
        ("card", (85.6, 53.98)),
    ],
)
def test_pages_have_their_published_sizes(paper: str, size: tuple[float, float]):
    """ISO 216, ANSI/ASME Y14.1 (11 x 8.5 and 17 x 11 in of 25.4 mm), ISO/IEC 7810 ID-1."""
    assert own_layout(paper).page_mm == size


@pytest.mark.parametrize("paper", ["a4", "a3", "letter", "tabloid"])
def test_a_bench_mat_has_markers_all_around_and_a_free_middle(paper: str):
    """20 markers or more, none and nothing else printed where the assembly lies, a margin that printers can print."""
    layout = own_layout(paper)
    x, y, w, h = layout.pattern.rect_mm
    width, height = layout.page_mm
    assert len(layout.markers) >= 20
    assert w * h > 0.5 * width * height
    printed = [m.rect_mm for m in layout.markers] + [p.rect_mm for p in layout.patches]
    printed += [b.rect_mm for b in layout.boxes] + [t.rect_mm for t in layout.texts]
    for px, py, pw, ph in printed:
        assert px + pw <= x or px >= x + w or py + ph <= y or py >= y + h
        assert px >= 5 and py >= 5 and px + pw <= width - 5 and py + ph <= height - 5
    centres = np.array([m.centre_mm for m in layout.markers])
    for side in (centres[:, 0].min(), centres[:, 0].max()):
        assert (centres[:, 0] == side).sum() >= 5
    for side in (centres[:, 1].min(), centres[:, 1].max()):
        assert (centres[:, 1] == side).sum() >= 8


@pytest.mark.parametrize("paper", PAPERS)
def test_markers_keep_a_white_rim(paper: str):
    """Nothing is printed nearer to a marker than one of its cells (OpenCV needs a quiet zone)."""
    layout = own_layout(paper)
    rects = [m.rect_mm for m in layout.markers]
    others = [p.rect_mm for p in layout.patches] + [b.rect_mm for b in layout.boxes]
    cell = layout.markers[0].side_mm / 7
    for (ax, ay, aw, ah), (bx, by, bw, bh) in [*combinations(rects, 2), *((a, b) for a in rects for b in others)]:
        gap_x, gap_y = max(ax, bx) - min(ax + aw, bx + bw), max(ay, by) - min(ay + ah, by + bh)
        assert max(gap_x, gap_y) >= cell - 1e-6


@pytest.mark.parametrize("paper", ["a4", "a3", "letter", "tabloid"])
def test_check_bars_are_100_mm_on_both_axes(paper: str):
    """Outer edge to outer edge of all boxes along each axis."""
    boxes = [b.rect_mm for b in own_layout(paper).boxes]
    across = [b for b in boxes if b[2] == 100.0]
    down = [b for b in boxes if b[3] == 100.0]
    assert len(across) == len(down) == 1
    ticks = [b for b in boxes if b not in (across[0], down[0])]
    xs = [v for b in ticks[:2] for v in (b[0], b[0] + b[2])]
    ys = [v for b in ticks[2:] for v in (b[1], b[1] + b[3])]
    assert max(xs) - min(xs) == pytest.approx(100.0, abs=1e-6)
    assert max(ys) - min(ys) == pytest.approx(100.0, abs=1e-6)


def test_an_unknown_paper_or_sheet_is_refused():
    """The message names the choices."""
    with pytest.raises(ValueError, match="a4, a3, letter, tabloid, card"):
        own_layout("a5")
    with pytest.raises(ValueError, match="1 to 8"):
        own_layout("a4", 9)
