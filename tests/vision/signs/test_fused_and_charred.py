"""Insulation melted together and charred: valleys between neighbours, and a stretch below its own colour."""

import numpy as np
import pytest

from vision.evidence import RegionSigns, valleys_lost

VIEWS = [(4.0, "half as bright"), (5.0, "daylight"), (5.0, "warm lamp from the left"), (8.0, "warm lamp from the left")]
"""Scale, px per mm, and light."""

RADIUS_MM, TOP = 1.6, 70.0
STEP_MM, SMOOTHED_MM, CLEAR = 0.4, 0.4, 0.065
"""Spacing of the look across the bundle, its smoothing (sigma), and the change of slope that counts as a valley, as a
share of L + 16 to either side."""


def merged(depth, albedo=1.0):
    """Twelve round wires side by side, each sunk into the next by a share ``depth`` of its diameter; the bundle slants,
    so that its valleys meet every phase of the sampling. ``albedo`` : what they reflect of the palest ones' light."""
    pitch = 2 * RADIUS_MM * (1 - depth)

    def shape(x, y):
        across = y - 60.0 - (x - 50.0) / 25
        number = np.clip(np.floor(across / pitch) + 0.5, -5.5, 5.5)
        u = (across - number * pitch) / RADIUS_MM
        lab = np.zeros((*x.shape, 3), np.float32)
        lab[..., 0] = TOP * np.sqrt(np.clip(1 - 0.9 * u**2, 0, 1))
        lab[..., 1:] = (10, 6)
        # CIE 15: L + 16 and a, b go with the cube root of light
        lab[..., 0] += 16
        lab *= np.cbrt(albedo)
        lab[..., 0] -= 16
        return (np.abs(u) < 1) & (x > 5) & (x < 95), lab

    return shape


def expected_valleys(depth):
    """Mean change of slope upwards, L, and how much of the bundle changes it by more than `CLEAR`, per step.

    The look across is periodic: L = top * sqrt(1 - 0.9 u²) of a round wire lit from above, cut where the next one
    begins. Its smoothing and its second difference are taken in the frequencies of one period.
    """
    pitch = 2 * RADIUS_MM * (1 - depth)
    y = (np.arange(2000) + 0.5) / 2000 * pitch - pitch / 2
    waves = np.fft.fft(TOP * np.sqrt(1 - 0.9 * (y / RADIUS_MM) ** 2))
    f = np.fft.fftfreq(2000, pitch / 2000)
    smooth = np.exp(-2 * (np.pi * SMOOTHED_MM * f) ** 2)
    beside = np.fft.ifft(waves * smooth * np.cos(2 * np.pi * f * STEP_MM)).real
    bend = 2 * (beside - np.fft.ifft(waves * smooth).real)
    return np.maximum(bend, 0).mean(), (bend > CLEAR * (beside + 16)).mean() / STEP_MM


def valleys(drawn):
    """Valley depth and valleys per mm over the middle of the bundle."""
    cells = drawn.cells()
    x, y = cells.xy.T / drawn.s
    on = (np.abs(y - 60) < 3) & (x > 20) & (x < 80)
    return cells.column("valley_depth")[on].mean(), cells.column("valleys_per_mm")[on].mean()


@pytest.mark.parametrize(("s", "light"), VIEWS[1:])
@pytest.mark.parametrize("depth", [0.0, 0.3, 0.45])
def test_valleys_are_as_deep_as_the_wires_are_apart(drawing, depth, s, light):
    """Touching, merged by three tenths and by nearly half: the formula's depth, whatever scale and light.

    A tenth: the smoothing acts on pixels, not on points.
    """
    found, _ = valleys(drawing.draw(merged(depth), (100, 120), s, light))
    assert found == pytest.approx(expected_valleys(depth)[0], rel=0.1)


def test_wires_merged_to_nearly_half_have_lost_all_their_valleys(drawing):
    """By the formula no place there changes its slope enough, touching wires do so on a quarter of the bundle."""
    touching = valleys(drawing.draw(merged(0.0), (100, 120)))[1]
    molten = valleys(drawing.draw(merged(0.45), (100, 120)))[1]
    assert expected_valleys(0.45)[1] == 0.0
    assert touching == pytest.approx(expected_valleys(0.0)[1], rel=0.1)
    signs = RegionSigns({"valleys_per_mm": molten, "valleys_per_mm_over_sound": molten - touching})
    assert valleys_lost(signs) > 0.97


@pytest.mark.parametrize("albedo", [1.0, 0.3, 0.1])
def test_dark_wires_have_as_many_valleys_as_pale_ones(drawing, albedo):
    """The same relief at a tenth of the light: L of the crests 70, 42 and 24. A tenth, as for the pale ones."""
    found = valleys(drawing.draw(merged(0.0, albedo), (100, 120), 5.0))[1]
    assert found == pytest.approx(expected_valleys(0.0)[1], rel=0.1)


def stretch(colour, length_mm):
    """A green wire 4 mm thick, 130 mm long, of another colour over a stretch in its middle."""

    def shape(x, y):
        lab = np.tile(np.array((60.0, -30.0, 25.0), np.float32), (*x.shape, 1))
        lab[np.abs(x - 70) < length_mm / 2] = colour
        return (np.abs(y - 20) < 2) & (x > 5) & (x < 135), lab

    return shape


@pytest.mark.parametrize(("s", "light"), VIEWS)
def test_char_lies_below_the_wires_own_colour_by_what_was_drawn(drawing, s, light):
    """L 14 on a wire of L 60 and chroma 39: darker by 46, less colourful by 39, at any scale and light (1.5 units for
    8 bits of a half dark picture)."""
    cells = drawing.draw(stretch((14.0, 0.0, 0.0), 20.0), (140, 40), s, light).cells()
    x, y = cells.xy.T / s
    on = (np.abs(y - 20) < 0.7) & (np.abs(x - 70) < 8)
    assert np.median(cells.column("interruption_light")[on]) == pytest.approx(-46.0, abs=1.5)
    assert np.median(cells.column("lane_end_light")[on]) == pytest.approx(-46.0, abs=1.5)
    assert np.median(cells.column("interruption_chroma")[on]) == pytest.approx(-np.hypot(30, 25), abs=1.5)
    inside = on & (np.abs(x - 70) < 6)
    # the 1.2-mm window lies wholly on the wire and on the char
    assert cells.column("black_share_1.2mm")[inside].min() == pytest.approx(1.0, abs=2e-3)
    assert cells.column("black_share_1.2mm")[np.abs(x - 70) > 14].max() == 0.0
