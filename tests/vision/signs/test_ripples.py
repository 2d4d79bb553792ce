"""Ripples of light and colour around a point, on fields with a closed form."""

import numpy as np
import pytest

from vision.ripples import FIELDS, Field, describe_ripples

S = 4.0
"""px per mm"""
MIDDLE = np.array([[200.0, 150.0]], np.float32)
NEAR = FIELDS[0]


def field(turn, wave):
    """A picture whose CIELAB at (along, across) mm from MIDDLE, turned by ``turn`` radians, is ``wave``."""
    y, x = np.mgrid[0:300, 0:400].astype(np.float32)
    dx, dy = (x - MIDDLE[0, 0]) / S, (y - MIDDLE[0, 1]) / S
    c, s = np.cos(turn), np.sin(turn)
    u, v = c * dx + s * dy, -s * dx + c * dy
    return np.stack(wave(u, v), axis=-1).astype(np.float32), np.array([[c, s]], np.float32)


def cosine(k, n, step):
    """The k-th wave over n points: k half periods over n steps."""
    return lambda t: np.cos(np.pi * k * (t / (n * step) + 0.5))


@pytest.mark.parametrize("turn", [0.0, 0.6, 1.5707963, 2.8])
@pytest.mark.parametrize(("u", "v"), [(2, 0), (0, 2), (2, 2), (4, 0), (1, 0), (3, 2), (0, 3)])
def test_a_wave_gives_its_own_strength_and_no_other(turn, u, v):
    """8 L of one wave, whatever the direction: 8 of it over sqrt 2 for each way it waves, nothing of the others."""
    along, across = (cosine(k, n, NEAR.step_mm) for k, n in zip((u, v), NEAR.size, strict=True))
    picture, heading = field(turn, lambda p, q: (50 + 8 * along(p) * across(q), 0 * p, 0 * p))
    told = describe_ripples(picture, MIDDLE, heading, S, (NEAR,))
    own = f"ripple_near_l{u}{v}"
    strength = 8 / np.sqrt(2) ** ((u > 0) + (v > 0))
    assert told[own][0] == pytest.approx(np.log1p(strength), abs=0.06)
    assert max(abs(value[0]) for name, value in told.items() if name != own) < 0.08


def test_a_wire_seen_from_its_other_end_or_in_a_mirror_is_told_the_same():
    """A lopsided pattern, turned by half a circle and mirrored: no value changes."""
    pattern = lambda p, q: (50 + 6 * np.sin(p) + 3 * q + p * q, 4 * np.cos(p + q), 0 * p)  # noqa: E731
    picture, heading = field(0.4, pattern)
    one = describe_ripples(picture, MIDDLE, heading, S)
    turned = describe_ripples(picture, MIDDLE, -heading, S)
    mirrored, _ = field(0.4, lambda p, q: pattern(p, -q))
    other = describe_ripples(mirrored, MIDDLE, heading, S)
    for name, value in one.items():
        assert turned[name][0] == pytest.approx(value[0], abs=1e-3)
        assert other[name][0] == pytest.approx(value[0], abs=0.01)  # other pixels, the same field


def test_what_is_flat_has_no_ripples_and_colour_is_told_apart():
    """A flat field gives zeros; a wave of a alone shows in a alone."""
    flat, heading = field(0.0, lambda p, q: (50 + 0 * p, 10 + 0 * p, -5 + 0 * p))
    assert max(abs(v[0]) for v in describe_ripples(flat, MIDDLE, heading, S).values()) < 1e-3
    small = Field("small", (8, 4), 0.5, (3, 3), (3, 3))
    wave = cosine(2, 8, 0.5)
    picture, heading = field(0.0, lambda p, q: (50 + 0 * p, 9 * wave(p), 0 * p))
    told = describe_ripples(picture, MIDDLE, heading, S, (small,))
    assert told["ripple_small_a20"][0] == pytest.approx(np.log1p(9 / np.sqrt(2)), abs=0.03)
    assert all(abs(v[0]) < 1e-3 for name, v in told.items() if "_a" not in name)


def test_points_are_described_one_by_one():
    """Many points at once and each alone: the same."""
    rng = np.random.default_rng(0)
    picture = rng.normal(50, 10, (120, 160, 4)).astype(np.float32)
    xy = rng.uniform(30, 90, (1030, 2)).astype(np.float32)
    angle = rng.uniform(0, 6, 1030)
    along = np.stack([np.cos(angle), np.sin(angle)], axis=1).astype(np.float32)
    together = describe_ripples(picture, xy, along, S)
    for i in (0, 1023, 1024, 1029):
        alone = describe_ripples(picture, xy[i : i + 1], along[i : i + 1], S)
        assert all(alone[name][0] == pytest.approx(v[i], abs=1e-4) for name, v in together.items())
