"""Dense evidence on drawn bundles: what each feature says where the answer is known."""

import numpy as np
import pytest

from vision.cells import describe_cells
from vision.light import EvenLight
from vision.segment import Foreground

S = 5.0
PAGE = (97.0, 0.0, 0.0)
COLOURS = [(42.0, 58.0, 38.0), (80.0, 4.0, 74.0), (38.0, 6.0, -48.0), (45.0, -38.0, 25.0)]


def bundle(change=None, shape=(160, 700)):
    """Four straight wires 2.4 mm wide side by side along x; ``change(lab, x_mm, wire)`` edits them."""
    lab = np.tile(np.array(PAGE, np.float32), (*shape, 1))
    solid = np.zeros(shape, bool)
    x_mm = np.arange(shape[1]) / S
    for k, colour in enumerate(COLOURS):
        rows = slice(56 + 12 * k, 68 + 12 * k)
        u = np.linspace(-1, 1, 12)[:, None]
        shade = np.sqrt(np.clip(1 - 0.8 * u**2, 0, 1))
        strip = np.tile(np.array(colour, np.float32), (12, shape[1], 1))
        strip[..., 0] *= shade
        lab[rows] = strip
        solid[rows] = True
        if change:
            change(lab[rows], x_mm, k)
    even = EvenLight(lab=lab, clipped=np.zeros(shape, bool), ground_noise=0.4)
    cells = describe_cells(even, Foreground(solid, solid), np.ones(shape, bool), S)
    x, y = cells.xy.T / S
    middle = (x > 30) & (x < 110) & (y > 11.4) & (y < 20.6)
    return cells, x, middle


def test_sound_wires_run_along_the_bundle_and_go_on():
    """Direction is the drawn one, colour continues, nothing changes along the wires."""
    cells, _, middle = bundle()
    assert np.abs(cells.direction[middle, 0]).min() > 0.99
    assert cells.column("break_median")[middle].max() < 3
    assert cells.column("lane_light_spread")[middle].max() < 3
    assert cells.column("along_change_4mm")[middle].max() < 0.2
    assert cells.column("coherence_8mm")[middle].min() > 0.9


def test_a_burnt_stretch_leaves_its_own_colour():
    """A wire gone black over 20 mm: cells on it are darker than the lane's ends by the drawn difference."""

    def char(strip, x_mm, k):
        if k == 1:
            strip[:, (x_mm > 74) & (x_mm < 94)] *= np.float32(0.15)

    cells, x, middle = bundle(char)
    y = cells.xy[:, 1] / S
    wire = middle & (y > 14.2) & (y < 15.4)
    burnt, sound = wire & (x > 80) & (x < 88), wire & (x < 32.5)
    assert cells.column("lane_end_light")[burnt].max() < -25  # of 52 to 68 L drawn; it may end on a neighbour
    assert np.abs(cells.column("lane_end_light")[sound]).max() < 15  # half a wire of wander shades this much
    assert cells.column("lane_step_far_min")[burnt].min() > 12
    assert cells.column("lane_step_far_min")[sound].max() < 8


def test_a_sine_along_the_wire_has_its_slope_energy():
    """L = L0 + A sin(2 pi x / w): mean squared slope is (2 pi A / w)² / 2 before the 0.2-mm smoothing."""
    amplitude, wavelength = 8.0, 6.0

    def wave(strip, x_mm, k):
        strip[..., 0] = 50 + amplitude * np.sin(2 * np.pi * x_mm / wavelength)
        strip[..., 1:] = 0

    cells, _, middle = bundle(wave)
    y = cells.xy[:, 1] / S
    core = middle & (y > 15) & (y < 17)
    slope = np.expm1(cells.column("along_change_4mm")[core])
    # the direction follows the least change, which in the core of such wires is across: take both parts
    total = np.expm1(cells.column("energy_8mm")[core])
    expected = (2 * np.pi * amplitude / wavelength) ** 2 / 2
    assert max(np.median(slope), np.median(total)) == pytest.approx(expected, rel=0.25)


def test_smooth_and_toothed_outlines_differ_in_roughness():
    """Teeth of 2 mm at the rim raise the roughness at 1-3 mm several times."""
    plain, _, middle = bundle()
    solid_rough = plain.column("edge_rough_4mm")[middle].max()
    shape = (160, 700)
    solid = np.zeros(shape, bool)
    solid[56:104] = True
    teeth = (np.arange(shape[1]) // 10) % 2 == 0
    solid[48:56, teeth] = True
    lab = np.tile(np.array((40.0, 10.0, 10.0), np.float32), (*shape, 1))
    even = EvenLight(lab=lab, clipped=np.zeros(shape, bool), ground_noise=0.4)
    toothed = describe_cells(even, Foreground(solid, solid), np.ones(shape, bool), S)
    x, y = toothed.xy.T / S
    rim = (x > 30) & (x < 110) & (y < 12)
    assert np.median(toothed.column("edge_rough_4mm")[rim]) > 3 * max(solid_rough, 0.01)


def test_no_assembly_gives_no_cells():
    """An empty page has nothing to describe."""
    shape = (60, 80)
    even = EvenLight(np.tile(np.array(PAGE, np.float32), (*shape, 1)), np.zeros(shape, bool), 0.4)
    nothing = np.zeros(shape, bool)
    assert len(describe_cells(even, Foreground(nothing, nothing), np.ones(shape, bool), S).xy) == 0


def test_a_sleeve_interrupts_its_wire_and_its_length_is_found():
    """A wire of another colour over 24 mm: score and length are those drawn, on sound wires there is no score."""

    def sleeve(strip, x_mm, k):
        if k == 2:
            strip[:, (x_mm > 58) & (x_mm < 82)] = np.array([60.0, 5.0, 70.0], np.float32)

    cells, x, middle = bundle(sleeve)
    y = cells.xy[:, 1] / S
    wire = middle & (y > 16.6) & (y < 17.6)
    on, off = wire & (x > 61) & (x < 79), wire & (x < 50)
    # (38, 6, -48) against (60, 5, 70) with lightness at 0.6: 118.7; a step of 2 mm each end is lost to the search
    assert np.median(cells.column("interruption")[on]) > 80
    assert cells.column("interruption")[off].max() < 10
    assert np.median(cells.column("interruption_mm")[on]) == pytest.approx(24, abs=6)
    assert np.median(cells.column("piece_light_spread")[on]) < 8
    b = np.median(cells.column("interruption_b")[on])
    assert b == pytest.approx(118, rel=0.1)


def test_lanes_name_the_cells_along_the_wire():
    """On straight wires along x each lane holds the cell itself in the middle and cells of its own row beside it."""
    cells, x, middle = bundle()
    y = cells.xy[:, 1] / S
    core = np.flatnonzero(middle & (x > 60) & (x < 80))
    n = (cells.lanes.shape[1] - 1) // 2
    assert (cells.lanes[core, n] == core).all()
    met = cells.lanes[core, n + 5]
    assert (met >= 0).all()
    assert np.abs(x[met] - x[core]).mean() == pytest.approx(10.0, abs=1.3)
    assert np.abs(y[met] - y[core]).max() < 2.5
