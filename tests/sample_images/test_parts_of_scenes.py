"""Geometry and surfaces below a scene: camera, packing, tubes, wear and bites, damage sites."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_images.camera import place_camera
from sample_images.cloud import Material, look
from sample_images.colours import encoded, linear
from sample_images.damage_abrasion import Flat
from sample_images.harness import End, WirePath
from sample_images.packing import pack
from sample_images.record import to_termination_mm
from sample_images.tubes import Tube


def straight_wire(length_mm: float, od_mm: float, ends: tuple[str | None, str | None]) -> WirePath:
    """A wire along x at y = 100 lying on the page."""
    s = np.arange(0.0, length_mm + 0.01, 0.25)
    xyz = np.column_stack([50 + s, np.full(len(s), 100.0), np.full(len(s), od_mm / 2)])
    stops = tuple(End(name, "housing" if name else "open", xyz[0, :2], 0.0) for name in ends)
    return WirePath(0, "RD", od_mm, xyz, s, s.copy(), stops)  # type: ignore[arg-type]


def plain(s: np.ndarray, angle: np.ndarray) -> Material:
    """Grey insulation marked with code 1."""
    n = len(s)
    return Material(np.full((n, 3), 0.3, np.float32), np.zeros(n), np.zeros(n), np.ones(n, np.uint8))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 12.0))
def test_a_ray_through_a_projected_point_meets_it_again(seed: int, height: float) -> None:
    """project and to_ground are inverse at any height, lens distortion included."""
    camera = place_camera(np.random.default_rng(seed), (200.0, 150.0), 420.0, 1000, False)
    mm = np.array([[180.0, 140.0, height], [230.0, 170.0, height]])
    px, _ = camera.project(mm)
    assert camera.to_ground(px, height) == pytest.approx(mm[:, :2], abs=0.01)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 14))
def test_packed_wires_rest_on_the_page_and_hardly_enter_each_other(seed: int, count: int) -> None:
    """No axis is lower than its radius; neighbours overlap by no more than a third of a diameter."""
    rng = np.random.default_rng(seed)
    radius = rng.uniform(0.6, 1.6, count)
    pos = pack(rng, radius, np.ones((12, count), bool), 7.0)
    assert (pos[..., 1] >= radius[None] - 1e-6).all()
    gap = np.linalg.norm(pos[:, :, None] - pos[:, None], axis=3) + 99 * np.eye(count)
    need = radius[:, None] + radius[None, :]
    assert np.percentile((gap / need).min(axis=(1, 2)), 20) > 0.67


def test_a_tube_from_straight_above_is_as_wide_as_its_diameter() -> None:
    """Silhouette of a 3 mm tube: counted fine pixels over its length give 3 mm within 4 %."""
    rng = np.random.default_rng(0)
    camera = place_camera(rng, (100.0, 100.0), 200.0, 1000, False)
    wire = straight_wire(100.0, 3.0, ("A", "B"))
    r = np.full(len(wire.s), 1.5)
    seen = look(camera, [Tube(wire.xyz, wire.s, r, r, plain)], 2)
    px, _ = camera.project(wire.xyz[[0, -1]])
    scale = 100.0 / np.linalg.norm(px[1] - px[0])
    area_mm2 = len(seen.flat) / 4 * scale**2
    assert area_mm2 / 100.0 == pytest.approx(3.0, rel=0.03)


def test_the_nearer_of_two_crossing_tubes_hides_the_other() -> None:
    """A tube lying on another is seen at the crossing, whatever the order they are given in."""
    camera = place_camera(np.random.default_rng(1), (100.0, 100.0), 200.0, 600, False)
    low = straight_wire(100.0, 2.0, ("A", "B"))
    high = low.xyz.copy()
    high[:, 2] += 4
    r = np.ones(len(low.s))
    for order in ([0, 1], [1, 0]):
        tubes = [Tube(low.xyz, low.s, r, r, plain), Tube(high, low.s, r, r, plain)]
        seen = look(camera, [tubes[k] for k in order], 2)
        middle = np.abs(seen.xyz[:, 1] - 100) < 0.3
        assert (seen.part[middle] == order.index(1)).mean() > 0.95


def test_wear_shows_copper_exactly_where_it_is_deeper_than_the_wall() -> None:
    """A flat shallower than the insulation exposes nothing; twice as deep exposes a window shorter than the flat."""
    wire = straight_wire(120.0, 2.0, ("A", "B"))
    shallow = Flat(np.random.default_rng(2), wire, 30.0, 70.0, 0.15)
    deep = Flat(np.random.default_rng(2), wire, 30.0, 70.0, 0.68)
    assert shallow.exposed_mm() == 0.0
    assert 10.0 < deep.exposed_mm() < 40.0
    s = np.array([29.0, 71.0])
    assert deep.loss(s, np.full(2, np.pi / 2)) == pytest.approx([0.0, 0.0])


@settings(max_examples=30, deadline=None)
@given(st.floats(1.0, 150.0), st.floats(1.0, 49.0))
def test_distance_runs_from_the_near_edge_to_the_nearest_known_end(low: float, length: float) -> None:
    """With both ends known the smaller arc counts; an end outside the photograph does not count."""
    wire = straight_wire(200.0, 2.0, ("A", "B"))
    span = {0: [(low, low + length)]}
    assert to_termination_mm([wire], span) == pytest.approx(min(low, 200.0 - low - length), abs=0.01)
    assert to_termination_mm([straight_wire(200.0, 2.0, ("A", None))], span) == pytest.approx(low, abs=0.01)
    assert to_termination_mm([straight_wire(200.0, 2.0, (None, None))], span) is None


@given(st.integers(0, 255))
def test_srgb_returns_from_linear_light(value: int) -> None:
    """Encoding undoes linearising to less than half a step (IEC 61966-2-1)."""
    assert float(encoded(linear(value))) * 255 == pytest.approx(value, abs=0.6)
