"""Stripes round wires, drawn from closed forms: what winds is a stripe, what shades, glints or crosses is not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.wire_colour import CODES, REFERENCE_LAB, code_distances, quick_distances, shade_distance
from vision.wire_skin import find_stripe, lay_flat

S = 5.0  # canvas px per mm
LENGTH_MM, WIDTH_MM, HEIGHT_MM = 120.0, 2.4, 16.0
LINE = np.stack([np.arange(5.0, LENGTH_MM - 5.0) * S, np.full(int(LENGTH_MM) - 10, HEIGHT_MM / 2 * S)], axis=1)
PAPER = (93.0, 0.0, 2.0)


def page(base, angle=lambda s, turn: np.zeros(s.shape, bool), second="WH", light=lambda s, turn: 1.0):
    """A round wire along x on paper, (H, W, 3) CIELAB: darker towards its rims, by the cosine there.

    angle(s_mm, turn) : where the second colour is, turn being the angle round the wire, -pi/2..pi/2 from above;
    light(s_mm, turn) : factor on linear light
    """
    y, x = np.mgrid[0 : int(HEIGHT_MM * S), 0 : int(LENGTH_MM * S)]
    s, across = x / S, (y - HEIGHT_MM / 2 * S) / S / (WIDTH_MM / 2)
    turn = np.arcsin(np.clip(across, -1, 1))
    colour = np.where(angle(s, turn)[..., None], np.array(REFERENCE_LAB[second]), np.array(REFERENCE_LAB[base]))
    shade = np.cbrt((0.55 + 0.45 * np.cos(turn)) * light(s, turn))[..., None]
    lit = np.concatenate([(colour[..., :1] + 16) * shade - 16, colour[..., 1:] * shade], axis=2)
    return np.where((np.abs(across) <= 1)[..., None], lit, np.array(PAPER)).astype(np.float32)


def winding(pitch_mm, share=0.25, way=1):
    """A stripe of a share of the circumference that goes round once each pitch."""
    return lambda s, turn: np.abs((s / pitch_mm * way - turn / (2 * np.pi)) % 1 - 0.5) < share / 2


def found(lab):
    """Colour code of the wire on a page, base or base/stripe; None where no stripe is found."""
    stripe = find_stripe(lay_flat(lab, LINE, WIDTH_MM, S))
    return stripe and f"{stripe.base}/{stripe.stripe}"


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("pitch_mm", [12.0, 20.0, 32.0])
@pytest.mark.parametrize(("base", "second"), [("GN", "WH"), ("BU", "YE"), ("WH", "RD"), ("RD", "BK"), ("YE", "BN")])
def test_a_stripe_that_winds_is_named(base, second, pitch_mm, way):
    """Whichever way it goes round."""
    assert found(page(base, winding(pitch_mm, way=way), second)) == f"{base}/{second}"


def test_the_share_of_the_face_is_that_of_the_circumference():
    """A quarter, whatever part of a turn the picture ends in; the face leaves out the rims, where angles crowd."""
    stripe = find_stripe(lay_flat(page("GN", winding(15.0, 0.25)), LINE, WIDTH_MM, S))
    assert stripe is not None and stripe.share == pytest.approx(0.25, abs=0.05)


@pytest.mark.parametrize("base", sorted(CODES))
@settings(max_examples=15, deadline=None)
@given(slope=st.floats(-0.6, 0.6), fall=st.floats(-0.35, 0.35), period_mm=st.floats(8, 60))
def test_a_plain_wire_has_no_stripe_under_any_fall_of_light(base, slope, fall, period_mm):
    """Light that falls off along, across and in waves along the wire changes its shade, not its colour."""
    light = lambda s, turn: np.clip(  # noqa: E731
        1 + slope * (s / LENGTH_MM - 0.5) + fall * np.sin(turn) + 0.25 * np.sin(2 * np.pi * s / period_mm), 0.15, None
    )
    assert found(page(base, light=light)) is None


@pytest.mark.parametrize("base", ["RD", "BK", "GN", "tan"])
def test_a_glint_along_the_wire_is_no_stripe(base):
    """White where the lamp mirrors, along the middle, here and there."""
    glint = lambda s, turn: (np.abs(turn - 0.2) < 0.2) & (s % 17 < 11)  # noqa: E731
    assert found(page(base, glint, "WH")) is None


def test_rings_and_spots_are_no_stripe():
    """Bands straight across (tape, marks) and patches that do not reach from rim to rim (damage)."""
    assert found(page("WH", lambda s, turn: s % 20 < 4, "BK")) is None
    assert found(page("WH", lambda s, turn: (s % 25 < 6) & (turn > 0), "OG")) is None


def test_wires_that_cross_over_are_no_stripe():
    """Two parallel ones of another colour, aslant: they go on beyond the rims."""
    lab = page("GN")
    y, x = np.mgrid[0 : lab.shape[0], 0 : lab.shape[1]] / S
    for at in (35.0, 75.0):
        lab[np.abs((x - at) * 0.5 - (y - HEIGHT_MM / 2) * 0.87) <= 1.2] = REFERENCE_LAB["RD"]
    assert found(lab) is None


def test_one_turn_alone_is_not_enough():
    """A single patch aslant may be anything."""
    once = lambda s, turn: winding(30.0)(s, turn) & (s > 40) & (s < 68)  # noqa: E731
    assert found(page("GN", once)) is None


def test_a_gap_in_the_trace_is_gone_over_straight_where_it_is_short():
    """The tracer loses a wire where its stripe takes the whole face; a long gap lies under something."""
    lab = page("BU", winding(20.0), "YE")
    whole = lay_flat(lab, LINE, WIDTH_MM, S)
    short, long = (np.delete(LINE, slice(30, 30 + n), axis=0) for n in (8, 50))
    assert lay_flat(lab, short, WIDTH_MM, S).codes.shape == whole.codes.shape
    assert lay_flat(lab, long, WIDTH_MM, S).codes.shape[0] == pytest.approx(len(whole.codes) - 2 * 50, abs=4)
    assert find_stripe(lay_flat(lab, short, WIDTH_MM, S)) is not None


@given(st.tuples(st.floats(5, 95), st.floats(-60, 60), st.floats(-60, 60)))
def test_the_quick_distance_is_near_that_of_the_table_of_shades(lab):
    """No less than the table's but for its steps, no more than by what the farthest shade costs (16 x 0.6)."""
    quick, table = quick_distances(np.array([lab])), code_distances(np.array([lab]))
    assert (quick >= table - 3.5).all() and (quick <= table + 9.7).all()


@given(st.sampled_from(sorted(CODES)), st.floats(0.6, 1.2))
def test_a_shade_of_a_colour_is_no_distance_away(code, shade):
    """All three of CIELAB's cube roots scale alike."""
    base = np.array(REFERENCE_LAB[code], float)
    black = np.array([16.0, 0.0, 0.0])
    shaded = (base + black) * shade - black
    assert shade_distance(shaded[None], base)[0] == pytest.approx(0, abs=1e-6)
