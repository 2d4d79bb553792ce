"""Colour that bleeds along a wire: the slope of a linear run of colour, in units of CIELAB per mm."""

import numpy as np
import pytest

VIEWS = [(4.0, "half as bright"), (5.0, "daylight"), (5.0, "warm lamp from the left"), (8.0, "warm lamp from the left")]
"""Scale, px per mm, and light."""

STEP_MM = 2.0


def running(slope):
    """A wire 6 mm wide whose hue runs along it: a and b change by 0.6 and 0.8 of ``slope`` per mm, L stays."""

    def shape(x, y):
        lab = np.zeros((*x.shape, 3), np.float32)
        lab[..., 0], lab[..., 1], lab[..., 2] = 50, 0.6 * slope * (x - 80), 0.8 * slope * (x - 80)
        return (np.abs(y - 20) < 3) & (x > 32) & (x < 128), lab

    return shape


@pytest.mark.parametrize(("s", "light"), VIEWS)
@pytest.mark.parametrize("slope", [0.3, 0.6])
def test_colour_that_runs_linearly_has_its_slope(drawing, slope, s, light):
    """sqrt(0.6² + 0.8²) = 1: the colour distance over a way is slope times way.

    Drift: the means of the first and of the last seven places of a lane lie 64 mm apart. Breaks at 11 and 18 mm: that
    far ahead and behind. Steps of 2 mm: they alone carry the camera's rounding (half a level of 255 is up to 0.3 units
    in a dim or yellow picture), which adds to what a slope of 0.6 units changes in them: a fifth and a tenth is
    allowed.
    """
    cells = drawing.draw(running(slope), (160, 40), s, light).cells()
    x, y = cells.xy.T / s
    on = (np.abs(y - 20) < 0.7) & (np.abs(x - 80) < 8)
    assert cells.column("lane_drift")[on].mean() / 64 == pytest.approx(slope, rel=0.03)
    for lag in (11, 18):
        for which in ("near", "far"):
            assert cells.column(f"break_{which}_{lag}mm")[on].mean() / lag == pytest.approx(slope, rel=0.06)
    step = cells.column("lane_step_mean")[on].mean() / STEP_MM
    assert step == pytest.approx(slope, rel=0.2 if slope < 0.5 else 0.1)
    assert np.abs(cells.column("lane_own_light")[on]).max() < 1.0


def test_a_wire_of_one_colour_has_no_slope(drawing):
    """Slope nought: what is left is the camera's rounding."""
    cells = drawing.draw(running(0.0), (160, 40)).cells()
    x, y = cells.xy.T / 5.0
    on = (np.abs(y - 20) < 0.7) & (np.abs(x - 80) < 8)
    assert cells.column("lane_drift")[on].max() < 0.3
    assert cells.column("break_median")[on].max() < 0.5
