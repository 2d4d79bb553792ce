"""Gnawed edges and bare copper, on outlines and patches whose answer is a formula."""

import numpy as np
import pytest
from scipy.stats import norm

from vision.cells import describe_cells
from vision.segment import Foreground

VIEWS = [(4.0, "half as bright"), (5.0, "daylight"), (5.0, "warm lamp from the left"), (8.0, "warm lamp from the left")]
"""Scale, px per mm, and light."""

DRAB = (45.0, -20.0, 15.0)
COPPER = (56.0, 22.0, 27.0)
WIDE_MM = 2.0
BOX_MM = 1.8
"""Side of the box that smooths the outline, twice: half of 3.5 mm on the half-size raster, made odd."""


def sine_edged(amplitude_mm, wavelength_mm):
    """A wire along x whose both edges are sines in step. It slants by 0.4 mm, so that its edges meet every phase of
    the pixels."""

    def shape(x, y):
        swing = amplitude_mm * np.sin(2 * np.pi * x / wavelength_mm) + (x - 60) / 250
        return np.abs(y - 15.0 - swing) < WIDE_MM / 2, np.tile(np.array(DRAB, np.float32), (*x.shape, 1))

    return shape


def roughness(drawn):
    """Mean of the roughness along the wire's axis, away from its ends."""
    cells = drawn.cells()
    x, y = cells.xy.T / drawn.s
    on = (np.abs(y - 15) < 0.65) & (x > 12) & (x < 108)
    return float(cells.column("edge_rough_4mm")[on].mean())


def expected_roughness(amplitude_mm, wavelength_mm, s=5.0):
    """Share of the window between each edge and itself smoothed.

    A box of width b leaves sinc(b / wavelength) of a sine, two of them its square; what is left between the edge and
    its smoothed self is a sine of (1 - sinc²) times the amplitude, whose mean magnitude is 2 / pi of that. Two edges
    lie in the window, and each adds that over the window's side, which is 4 mm made odd on a raster of 2 px.
    """
    window_mm = (round(4.0 * s / 2) | 1) * 2 / s
    kept = np.sinc(BOX_MM / wavelength_mm) ** 2
    return 2 * (2 / np.pi) * amplitude_mm * (1 - kept) / window_mm


@pytest.mark.parametrize("s", [4.0, 5.0, 8.0])
@pytest.mark.parametrize(("amplitude_mm", "wavelength_mm"), [(0.4, 1.6), (0.4, 2.4), (0.3, 2.4), (0.4, 3.2)])
def test_a_sine_edge_is_as_rough_as_its_amplitude_and_wavelength_say(drawing, s, amplitude_mm, wavelength_mm):
    """At 1-3 mm the roughness is that of the formula at every scale.

    15 % are allowed: the outline is a step of whole pixels where the formula has a line.
    """
    found = roughness(drawing.draw(sine_edged(amplitude_mm, wavelength_mm), (120, 30), s))
    assert found == pytest.approx(expected_roughness(amplitude_mm, wavelength_mm, s), rel=0.15)


def test_roughness_grows_with_the_amplitude(drawing):
    """Half as deep bites are half as rough, within the pixels that a shallow sine loses."""
    shallow, deep = (roughness(drawing.draw(sine_edged(a, 2.0), (120, 30), 8.0)) for a in (0.3, 0.6))
    assert deep / shallow == pytest.approx(2.0, rel=0.15)


def test_bends_longer_than_bites_are_not_rough(drawing):
    """Ten times the wavelength, the same amplitude: by the formula a fiftieth is left, and pixels hide that."""
    bend, bites = (roughness(drawing.draw(sine_edged(0.4, w), (120, 30))) for w in (24.0, 2.4))
    assert expected_roughness(0.4, 24.0) < 0.03 * expected_roughness(0.4, 2.4)
    assert bend < 0.1 * bites


@pytest.mark.parametrize("s", [4.0, 5.0, 8.0])
def test_a_straight_wire_is_not_rough(drawing, s):
    """Amplitude nought."""
    assert roughness(drawing.draw(sine_edged(0.0, 2.0), (120, 30), s)) == 0.0


GREY = (45.0, 0.0, 0.0)
SIDES_MM = (12.0, 4.0)
SMOOTHED_MM = 0.4


def patched(body):
    """A flat part 80 x 16 mm, on a page of 100 x 60 mm, with a copper-coloured rectangle in its middle."""

    def shape(x, y):
        lab = np.tile(np.array(body, np.float32), (*x.shape, 1))
        lab[(np.abs(x - 44) < SIDES_MM[0] / 2) & (np.abs(y - 30) < SIDES_MM[1] / 2)] = COPPER
        return (np.abs(y - 30) < 8) & (x > 10) & (x < 90), lab

    return shape


def spot_rim_mm(body):
    """How far inside its rim a copper patch stops looking like copper (negative: outside).

    Smoothed by a Gaussian, the colour at distance d inside a straight rim is copper to the share Phi(d / sigma). The
    least share that still has copper's hue (a > 7, b > 8, b between 0.55 and 3 a) sets the rim.
    """
    share = np.linspace(0, 1, 2001)
    (a, b) = (body[k] + share * (COPPER[k] - body[k]) for k in (1, 2))
    least = share[(a > 7) & (b > 8) & (b < 3.0 * a) & (b > 0.55 * a)].min()
    return SMOOTHED_MM * norm.ppf(least)


@pytest.mark.parametrize(("s", "light"), VIEWS[1:])
@pytest.mark.parametrize("body", [DRAB, GREY])
def test_a_copper_spot_has_the_area_drawn_at_any_scale_and_light(drawing, s, body, light):
    """12 x 4 mm less the rim that smoothing takes or adds, to half a pixel of the raster on which spots are found: half
    the canvas's."""
    cells = drawing.draw(patched(body), (100, 60), s, light).cells()
    x, y = cells.xy.T / s
    on = (np.abs(x - 44) < 4) & (np.abs(y - 30) < 1.2)
    rim = spot_rim_mm(body)
    expected = (SIDES_MM[0] - 2 * rim) * (SIDES_MM[1] - 2 * rim)
    half_pixel = 1 / s
    area = np.expm1(cells.column("copper_spot_log_area")[on])
    assert area == pytest.approx(expected, abs=2 * sum(SIDES_MM) * half_pixel)
    # a bar's moments are those of an ellipse with axes of 2 / sqrt(3) times its sides
    axes = 2 / np.sqrt(3) * (np.array(SIDES_MM) - 2 * rim)
    assert np.expm1(cells.column("copper_spot_log_length")[on]) == pytest.approx(axes[0], abs=2.4 * half_pixel)
    assert np.expm1(cells.column("copper_spot_log_width")[on]) == pytest.approx(axes[1], abs=2.4 * half_pixel)


@pytest.mark.parametrize(("s", "light"), VIEWS)
def test_shares_of_copper_add_up_to_the_area_drawn_at_any_scale_and_light(drawing, s, light):
    """Window means laid at one pitch add up to the whole, whatever the window: 12 x 4 are 48 mm².

    A tenth: window and pitch are whole pixels and no multiples of each other.
    """
    cells = drawing.draw(patched(DRAB), (100, 60), s, light).cells()
    x, y = cells.xy.T / s
    pitch = max(2, round(1.2 * s)) / s
    near = np.abs(y - 30) < 6
    assert cells.column("copper_share_1.2mm")[near].sum() * pitch**2 == pytest.approx(48.0, rel=0.1)
    assert cells.column("copper_share_3mm")[np.abs(x - 44) > 12].max() == 0.0


@pytest.mark.parametrize(
    ("name", "beside"), [("copper", COPPER), ("black", (12.0, 0.0, 0.0)), ("brown", (33.0, 14.0, 18.0))]
)
def test_what_lies_beside_the_assembly_is_no_share_of_it(drawing, name, beside):
    """Cells are laid over closed gaps too, where hardly a pixel is assembly: copper, char and brown that only lie in
    the gap (a shadow, another thing) are none of the assembly's, and no share exceeds 1."""

    def gap(x, y):
        lab = drawing.paint(x.shape, DRAB)
        lab[np.abs(y - 20) < 3] = beside
        return (np.abs(y - 20) < 9) & (x > 8), lab

    drawn = drawing.draw(gap, (80, 40))
    y = (np.arange(drawn.solid.shape[0])[:, None] + 0.5) / drawn.s
    seen = Foreground(drawn.solid & (np.abs(y - 20) > 3), drawn.solid)
    cells = describe_cells(drawn.even, seen, np.ones_like(drawn.solid), drawn.s)
    shares = np.stack([cells.column(n) for n in cells.names if n.startswith(f"{name}_share")])
    assert len(shares)
    assert np.abs(cells.xy[:, 1] / drawn.s - 20).min() < 1
    assert shares.max() == 0.0
