"""Single wires, traced in drawn pictures whose wires are known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pytest

from vision.bundles import trace_bundles
from vision.canvas import Canvas
from vision.findings import Measure
from vision.grid import CellGrid
from vision.light import EvenLight
from vision.parts import BundleEnds, Part
from vision.recognise import Scene
from vision.segment import Foreground, close_gaps
from vision.sight import FirstLook
from vision.wire_counts import COUNT_SIGNS, count_crossing
from vision.wires import TracedWire, diameter_of, trace_wires

PX_PER_MM = 5.0
_FINE = 4


@dataclass(frozen=True)
class DrawnWire:
    """A wire from left to right. y_mm : place at x mm; srgb : colour of its lit middle."""

    y_mm: Callable[[np.ndarray], np.ndarray]
    diameter_mm: float
    srgb: tuple[int, int, int]
    to_mm: float = 1e9


def at(y: float) -> Callable[[np.ndarray], np.ndarray]:
    """A straight run."""
    return lambda x: np.full_like(x, y)


def look_at(
    wires: Sequence[DrawnWire],
    size_mm: tuple[float, float] = (130.0, 40.0),
    cover_mm: tuple[float, float] | None = None,
    camera_height_mm: float | None = None,
    housing_mm: float | None = None,
) -> tuple[FirstLook, Scene]:
    """What is seen of wires drawn over each other (the last on top) on a white page.

    cover_mm : a band of black tape between two x; housing_mm : a housing right of this x.
    """
    bgr, body = _draw(wires, size_mm, cover_mm)
    lab = cv2.cvtColor(cv2.GaussianBlur(bgr, (0, 0), 0.7), cv2.COLOR_BGR2Lab)
    housing = np.zeros(body.shape, bool)
    if housing_mm is not None:
        housing[:, round(housing_mm * PX_PER_MM) :] = True
    body &= ~housing
    graph = trace_bundles(body, PX_PER_MM, housing)
    coverings, parts = [], []
    if cover_mm is not None:
        mask = np.zeros(body.shape, bool)
        mask[:, round(cover_mm[0] * PX_PER_MM) : round(cover_mm[1] * PX_PER_MM)] = True
        coverings = [Part("c1", "tape", mask & body, np.zeros(2))]
    if housing_mm is not None:
        parts = [Part("t1", "housing", housing, np.array([housing_mm * PX_PER_MM, body.shape[0] / 2]))]
    ground = np.ones(body.shape, bool)
    eight_bit = (bgr * 255).astype(np.uint8)
    canvas = Canvas(eight_bit, ground, True, lambda px: px, PX_PER_MM, True, (0.0, 0.0), camera_height_mm)
    nothing: Any = None
    no_ends = BundleEnds(np.zeros(0, int), np.zeros(0, bool), np.zeros(0, bool), np.zeros((1, 1)))
    look = FirstLook(
        nothing, nothing, [], canvas, EvenLight(lab, ~ground, 0.4),
        Foreground(body, close_gaps(body, PX_PER_MM)), nothing,
        CellGrid(1.0, (0.0, 0.0), np.full((3, 3), -1)),
    )  # fmt: skip
    return look, Scene(graph, parts, [], [], coverings, body, np.zeros((0, 1)), nothing, [], [], no_ends)


def _draw(
    wires: Sequence[DrawnWire], size_mm: tuple[float, float], cover_mm: tuple[float, float] | None
) -> tuple[np.ndarray, np.ndarray]:
    """(H, W, 3) float32 BGR 0..1 and (H, W) bool, drawn finer and averaged."""
    w, h = (round(v * PX_PER_MM) for v in size_mm)
    x, y = np.meshgrid(*((np.arange(n * _FINE) + 0.5) / _FINE / PX_PER_MM for n in (w, h)))
    picture = np.full((*x.shape, 3), 0.96, np.float32)
    body = np.zeros(x.shape, np.float32)
    for wire in wires:
        axis = wire.y_mm(x[0])
        slope = np.gradient(axis, x[0])
        t = (y - axis) / np.sqrt(1 + slope**2) / (wire.diameter_mm / 2)
        on = (np.abs(t) <= 1) & (x <= wire.to_mm)
        shade = 0.6 + 0.4 * np.sqrt(np.maximum(1 - t**2, 0))
        picture[on] = (shade[..., None] * np.array(wire.srgb[::-1]) / 255.0)[on]
        body[on] = 1
    if cover_mm is not None:
        taped = (x >= cover_mm[0]) & (x <= cover_mm[1]) & (cv2.blur(body, (1, 41)) > 0)
        picture[taped], body[taped] = 0.1, 1
    small = cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA)
    return small, cv2.resize(body, (w, h), interpolation=cv2.INTER_AREA) > 0.5


RED, BLUE, YELLOW, GREEN = (200, 30, 35), (36, 72, 170), (240, 205, 40), (30, 130, 60)


def _by_colour(traced: list[TracedWire]) -> dict[str, TracedWire]:
    assert len({wire.colour for wire in traced}) == len(traced), [wire.colour for wire in traced]
    return {wire.colour: wire for wire in traced}


def _known(measure: Measure | None) -> Measure:
    assert measure is not None
    return measure


def test_parallel_wires_are_told_apart_with_their_diameters():
    """Three touching wires: one trace each, colour, diameter and place as drawn."""
    drawn = {"RD": (18.0, 2.0, RED), "BU": (20.2, 2.4, BLUE), "YE": (22.2, 1.6, YELLOW)}
    look, scene = look_at([DrawnWire(at(y), d, colour) for y, d, colour in drawn.values()])
    found = _by_colour(trace_wires(look, scene))
    assert set(found) == set(drawn)
    for code, (y, d, _) in drawn.items():
        wire = found[code]
        assert _known(wire.diameter_mm).value == pytest.approx(d, abs=0.2)
        assert np.median(wire.centreline_px[:, 1]) / PX_PER_MM == pytest.approx(y, abs=0.2)
        assert wire.columns_seen > 100
        assert not wire.ambiguous


@pytest.mark.parametrize("diameter", [1.4, 2.0, 2.8])
def test_a_wire_that_lies_free_has_its_diameter_within_a_tenth(diameter):
    """Sub-pixel rims: 0.1 mm is half a pixel."""
    look, scene = look_at([DrawnWire(lambda x: 20 + 3 * np.sin(x / 25), diameter, GREEN)])
    (wire,) = trace_wires(look, scene)
    assert wire.colour == "GN"
    assert _known(wire.diameter_mm).value == pytest.approx(diameter, abs=0.1)


def test_double_the_spacing_doubles_every_diameter():
    """The same bundle drawn twice as large."""

    def seen(scale: float) -> dict[str, float]:
        drawn = [(18.0, 1.3, RED), (19.4, 1.5, BLUE), (20.7, 1.1, YELLOW)]
        wires = [DrawnWire(at(20 + (y - 20) * scale), d * scale, c) for y, d, c in drawn]
        look, scene = look_at(wires)
        return {w.colour: _known(w.diameter_mm).value for w in trace_wires(look, scene)}

    small, large = seen(1.0), seen(2.0)
    assert set(small) == set(large) == {"RD", "BU", "YE"}
    for code, value in small.items():
        assert large[code] / value == pytest.approx(2.0, rel=0.12)


def test_wires_that_cross_keep_their_colour_on_both_sides():
    """The upper wire is one trace; the lower one is joined beneath it."""
    rising, falling = (lambda x: 16 + 0.07 * x), (lambda x: 24 - 0.07 * x)
    look, scene = look_at([DrawnWire(rising, 2.0, RED), DrawnWire(falling, 2.0, BLUE)])
    found = _by_colour(trace_wires(look, scene))
    for code, line in (("RD", rising), ("BU", falling)):
        x, y = found[code].centreline_px.T / PX_PER_MM
        assert np.ptp(x) > 95
        assert np.abs(y - line(x)).max() < 1.0


def test_wires_are_followed_beneath_tape():
    """Different colours go on behind the tape: each stays one wire."""
    wires = [DrawnWire(at(18.5), 2.0, RED), DrawnWire(at(21.0), 2.0, GREEN)]
    look, scene = look_at(wires, cover_mm=(55.0, 80.0))
    found = _by_colour(trace_wires(look, scene))
    assert set(found) == {"RD", "GN"}
    for wire in found.values():
        assert np.ptp(wire.centreline_px[:, 0]) / PX_PER_MM > 105
        assert 75 <= wire.columns_seen <= 106


def test_wires_alike_that_may_have_changed_places_beneath_tape_are_left_open():
    """Two of one colour close together go in and come out half-way between: no guess, and it is said."""
    before = [DrawnWire(at(19.0), 2.0, RED, to_mm=60.0), DrawnWire(at(21.0), 2.0, RED, to_mm=60.0)]
    after = DrawnWire(lambda x: np.where(x > 60, 20.0, 300.0), 2.0, RED)
    look, scene = look_at([*before, after], cover_mm=(55.0, 75.0))
    traced = trace_wires(look, scene)
    assert len(traced) == 3
    assert sum(wire.ambiguous for wire in traced) >= 2


def test_a_wire_that_ends_in_a_housing_names_it_and_has_a_true_length():
    """One end at the housing, the other at nothing: the length is a lower bound."""
    look, scene = look_at([DrawnWire(at(20.0), 2.2, GREEN)], housing_mm=110.0)
    (wire,) = trace_wires(look, scene)
    assert sorted(wire.ends, key=str) == [None, "t1"]
    assert wire.length_mm.low_bound
    assert wire.length_mm.value == pytest.approx(110.0, abs=4.0)


def test_no_bundle_no_wires():
    """An empty page."""
    look, scene = look_at([])
    assert trace_wires(look, scene) == []


def test_a_wire_nearer_to_the_camera_than_the_mat_is_brought_back_to_size():
    """At height r above the mat and H below the camera the picture is H / (H - r) too large (similar triangles)."""
    width, free = np.full(40, 3.0), np.full(40, 2)
    flat, near = (_known(diameter_of(width, free, height)[0]) for height in (None, 150.0))
    assert flat.value == pytest.approx(3.0)
    assert near.value * 150.0 / (150.0 - near.value / 2) == pytest.approx(3.0, abs=0.001)


def test_a_wires_length_is_measured_at_the_height_of_its_axis():
    """A 3-mm wire 100 mm below the camera looks longer by 100 / (100 - its half diameter)."""
    flat, near = (trace_wires(*look_at([DrawnWire(at(20.0), 3.0, RED)], camera_height_mm=h))[0] for h in (None, 100.0))
    assert near.length_mm.value == pytest.approx(flat.length_mm.value * (1 - _known(near.diameter_mm).value / 200))
    assert near.length_mm.value < flat.length_mm.value


def test_too_few_columns_give_no_diameter():
    """A measure that could not be had is absent."""
    assert diameter_of(np.full(3, 2.0), np.full(3, 2), None) == (None, False)
    assert diameter_of(np.full(60, 9.0), np.full(60, 2), None) == (None, False)


def _cells(x: tuple[float, float], y: tuple[float, float]) -> np.ndarray:
    gx, gy = np.meshgrid(np.arange(*x, 1.2), np.arange(*y, 1.2))
    return np.stack([gx.ravel(), gy.ravel()], axis=1) * PX_PER_MM


FOUR = [DrawnWire(at(16.7 + 2.2 * k), 2.2, c) for k, c in enumerate((RED, YELLOW, BLUE, GREEN))]


def test_a_damage_on_two_of_four_wires_counts_two():
    """Cells on the upper two wires only."""
    look, scene = look_at(FOUR)
    traced = trace_wires(look, scene)
    count = count_crossing(traced, _cells((50, 64), (16.0, 19.8)), scene.graph, PX_PER_MM).count
    assert count.value == 2
    assert count.low <= 2 <= count.high
    assert {w.colour for w in traced if w.id in count.wire_ids} == {"RD", "YE"}


def test_what_a_count_was_reckoned_from_has_a_name_for_each_number():
    """Two traces inside, the width of two wires, four traced in all."""
    look, scene = look_at(FOUR)
    traced = trace_wires(look, scene)
    for cells in (_cells((50, 64), (16.0, 19.8)), np.zeros((0, 2))):
        counted = count_crossing(traced, cells, scene.graph, PX_PER_MM)
        signs = dict(zip(COUNT_SIGNS, counted.signs.tolist(), strict=True))
        assert signs["traced"] == len(traced)
        if len(cells):
            assert signs["wires_inside"] == 2
            assert 3.0 <= signs["width_mm"] <= 5.5
            assert signs["room_across"] == pytest.approx(signs["width_mm"] / 2.2, rel=0.2)


def test_a_fused_zone_without_traces_counts_the_wires_that_enter_it():
    """A stretch of one black surface: no trace inside, four on either side."""
    look, scene = look_at(FOUR, cover_mm=(50.0, 75.0))
    scene.coverings.clear()
    traced = trace_wires(look, scene)
    count = count_crossing(traced, _cells((50, 75), (16.0, 25.0)), scene.graph, PX_PER_MM).count
    assert count.low <= 4 <= count.high
    assert 3 <= count.value <= 5


def test_a_damage_beside_every_trace_still_counts_one_wire():
    """Where nothing could be traced, at least one wire is damaged."""
    _, scene = look_at(FOUR)
    count = count_crossing([], _cells((50, 55), (18.0, 20.0)), scene.graph, PX_PER_MM).count
    assert count.low == 1
    assert count.wire_ids == []
    assert count.high >= count.value >= 1


def test_a_bundled_wire_of_odd_width_is_drawn_to_the_others_and_one_alone_is_not():
    """Four wires side by side, the second narrow in its look (1.8 of 2.8 mm), and one thin wire by itself."""
    widths = (2.8, 1.8, 2.8, 2.8)
    edges = np.cumsum([14.0, *widths])
    colours = (RED, YELLOW, BLUE, GREEN)
    bundle = [DrawnWire(at((a + b) / 2), b - a, c) for a, b, c in zip(edges, edges[1:], colours, strict=False)]
    found = trace_wires(*look_at([*bundle, DrawnWire(at(35.0), 1.8, RED)]))
    values = sorted((w.alone, _known(w.diameter_mm).value) for w in found)
    assert [alone for alone, _ in values] == [False] * 4 + [True]
    assert values[0][1] == pytest.approx(2.8 - 0.7 * 1.0, abs=0.2)  # three tenths of the way to the others
    assert values[4][1] == pytest.approx(1.8, abs=0.2)
    odd = next(w for w in found if not w.alone and _known(w.diameter_mm).value == values[0][1])
    assert "unlike the other wires" in {one.name for one in _known(odd.diameter_mm).sources}
