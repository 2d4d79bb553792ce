"""Parts as sprites: their truth against what is measured on the pictures themselves."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from skimage.morphology import skeletonize

from sample_images.parts_damage import KINDS, HousingDamage
from sample_images.parts_housing import draw_plan, make_housing
from sample_images.parts_terminal import make_ring, make_spade
from sample_images.sprites import Sprite, SpriteError

SEEDS = range(14)


def housing(seed: int, kinds: set[str] | None = None, severity: float = 0.6, n_wires: int = 6, **more: float) -> Sprite:
    damage = HousingDamage(frozenset(kinds), severity) if kinds else None
    return make_housing(np.random.default_rng(seed), n_wires, damage, **more)[0]


def skeleton_length_mm(line: np.ndarray, px_per_mm: float) -> float:
    """Length of a thin region: steps between neighbouring skeleton pixels, 1 straight and sqrt 2 slanting."""
    s = np.pad(skeletonize(line), 1)
    straight = (s[:, 1:] & s[:, :-1]).sum() + (s[1:] & s[:-1]).sum()
    # a slanting step counts only where no corner pixel joins the two already
    down = s[1:, 1:] & s[:-1, :-1] & ~s[1:, :-1] & ~s[:-1, 1:]
    up = s[1:, :-1] & s[:-1, 1:] & ~s[1:, 1:] & ~s[:-1, :-1]
    return float(straight + np.sqrt(2) * (down.sum() + up.sum())) / px_per_mm


def in_frame(sprite: Sprite, size: int = 700, anchor: int = 250) -> np.ndarray:
    """The mask laid on a common frame with the anchor at the same place."""
    out = np.zeros((size, size), bool)
    y, x = np.nonzero(sprite.mask)
    dx, dy = anchor - round(sprite.anchor_px[0]), size // 2 - round(sprite.anchor_px[1])
    out[y + dy, x + dx] = True
    return out


@pytest.mark.parametrize("px_per_mm", [8.0, 12.0])
def test_crack_truth_is_the_length_measured_on_its_skeleton(px_per_mm: float) -> None:
    """Drawn crack pixels, thinned and chained, are as long as the truth says: each within 25 %, all together 10 %."""
    true, seen = [], []
    for seed in SEEDS:
        s = housing(seed, {"crack"}, px_per_mm=px_per_mm)
        assert s.cracked
        true.append(s.crack_length_mm)
        seen.append(skeleton_length_mm(s.damage == 1, s.px_per_mm))
    ratio = np.array(seen) / np.array(true)
    assert np.all(np.abs(ratio - 1) < 0.25), ratio
    assert sum(seen) == pytest.approx(sum(true), rel=0.10)


def test_missing_area_is_what_the_whole_housing_has_more() -> None:
    """The same lot without damage covers more bench, by the stated area; nothing is added."""
    for seed in SEEDS:
        whole, broken = in_frame(housing(seed)), in_frame(s := housing(seed, {"corner"}))
        assert not (broken & ~whole).any()
        assert (whole & ~broken).sum() / s.px_per_mm**2 == pytest.approx(s.missing_area_mm2, rel=1e-6)
        assert s.missing_area_mm2 > 1
        assert s.signs == ("corner_missing",)


def test_a_lost_latch_leaves_the_outline_and_a_scar() -> None:
    """Latch broken off: a broken face within the outline, no outline area lost."""
    for seed in range(10):
        whole, s = in_frame(housing(seed)), housing(seed, {"lock"})
        assert s.missing_area_mm2 == 0 and not s.cracked
        assert np.array_equal(whole, in_frame(s))
        assert (s.damage == 2).sum() / s.px_per_mm**2 > 3


def test_a_pushed_out_terminal_stands_behind_the_rear_face() -> None:
    """Its metal lies at x < 0 at the height and place of its cavity, and its wire ends where the metal ends."""
    for seed in SEEDS:
        s = housing(seed, {"displaced_terminal"})
        out = [i for i, x in enumerate(s.entry_x_mm) if x < 0]
        assert len(out) == s.displaced_terminals >= 1
        rows, cols = np.nonzero(s.damage == 4)
        assert (s.metal[rows, cols] > 0.9).all()
        left = (cols.min() - s.anchor_px[0]) / s.px_per_mm
        assert left == pytest.approx(min(s.entry_x_mm), abs=0.3)
        assert ndimage.label(s.damage == 4, np.ones((3, 3)))[1] >= s.displaced_terminals
        for i in out:
            distance = np.abs((rows - s.anchor_px[1]) / s.px_per_mm - s.entries_mm[i][0])
            assert distance.min() < 0.3


def test_a_sound_housing_has_no_trace_of_damage() -> None:
    """Slots, latch edges and parting lines are no damage."""
    for seed in SEEDS:
        s, fragments = make_housing(np.random.default_rng(seed), 5)
        assert not s.damage.any() and not s.cracked and s.signs == () and fragments == []
        assert s.crack_length_mm == s.missing_area_mm2 == s.displaced_terminals == 0


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    n=st.integers(1, 64),
    kinds=st.sets(st.sampled_from(KINDS)),
    sev=st.floats(0, 1),
    od=st.floats(1, 4),
)
def test_any_housing_is_a_whole_thing(seed: int, n: int, kinds: set[str], sev: float, od: float) -> None:
    """One piece, within the stated sizes, a cavity for each wire inside the rear face, the anchor at its rear."""
    s = housing(seed, kinds or None, sev, n_wires=n, wire_od_mm=od)
    assert s.cavities == len(s.entries_mm) >= n
    assert 8 <= s.size_mm[1] <= 45 and 10 <= s.size_mm[0] <= 45 and 6 <= s.size_mm[2] <= 20
    assert all(abs(y) < s.size_mm[1] / 2 and 0 < z < s.size_mm[2] for y, z in s.entries_mm)
    assert (s.height_mm[s.mask] > 0).all() and (s.height_mm[~s.mask] == 0).all()
    assert np.isfinite(s.albedo).all() and s.albedo.min() > 0 and s.albedo.max() < 1
    body = s.mask & (s.damage != 4)
    assert ndimage.label(s.mask, np.ones((3, 3)))[1] == 1
    share_behind = body[:, : max(0, int(s.anchor_px[0]) - 1)].sum() / body.sum()
    assert share_behind < 0.2
    assert bool(s.damage.any()) == bool(kinds)


@pytest.mark.parametrize("kinds", [None, {"crack"}, {"corner", "lock"}, {"displaced_terminal", "crack"}])
def test_the_same_lot_gives_the_same_pixels(kinds: set[str] | None) -> None:
    """Equal generator states make equal sprites and fragments, field by field."""
    damage = HousingDamage(frozenset(kinds)) if kinds else None
    (a, fa), (b, fb) = (make_housing(np.random.default_rng(7), 8, damage) for _ in range(2))
    for one, two in zip([a, *fa], [b, *fb], strict=True):
        for f in dataclasses.fields(Sprite):
            assert np.array_equal(getattr(one, f.name), getattr(two, f.name)), f.name


def test_fragments_are_fragments_and_smaller_than_the_housing() -> None:
    """What broke off is marked as fragment all over; a corner's piece is no larger than the area lost."""
    found = 0
    for seed in SEEDS:
        s, fragments = make_housing(np.random.default_rng(seed), 6, HousingDamage(frozenset({"corner"})))
        for f in fragments:
            found += 1
            assert f.kind == "fragment" and (f.damage[f.mask] == 3).all()
            assert f.mask.sum() / f.px_per_mm**2 <= s.missing_area_mm2 + 4.0
    assert found > len(SEEDS) // 2


def test_a_ring_has_one_round_hole_of_a_bolt_size() -> None:
    """The hole's area gives the clearance diameter of M4 to M10 (ISO 273, fine: 4.3, 5.3, 6.4, 8.4, 10.5 mm)."""
    for seed in SEEDS:
        s = make_ring(np.random.default_rng(seed), 2.0, px_per_mm=12.0)
        holes = ndimage.binary_fill_holes(s.mask) & ~s.mask
        labels, count = ndimage.label(holes)
        area = max(ndimage.sum_labels(holes, labels, range(1, count + 1))) / s.px_per_mm**2
        diameter = 2 * np.sqrt(area / np.pi)
        assert min(abs(diameter - d) for d in (4.3, 5.3, 6.4, 8.4, 10.5)) < 0.12, (seed, diameter)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32), od=st.floats(0.9, 8), ring=st.booleans())
def test_a_terminal_takes_its_wire_at_the_rear(seed: int, od: float, ring: bool) -> None:
    """Anchor at the left end, the barrel's axis above the bench by at least the wire's radius, nothing damaged."""
    s = (make_ring if ring else make_spade)(np.random.default_rng(seed), od)
    ((y, z),) = s.entries_mm
    assert y == 0 and z >= od / 2 * 0.95
    assert np.flatnonzero(s.mask.any(0))[0] == pytest.approx(s.anchor_px[0], abs=2)
    assert not s.damage.any() and ndimage.label(s.mask)[1] == 1
    assert s.size_mm[2] == s.height_mm.max() < 3 * od + 4


def test_wrong_wishes_are_refused_with_what_would_do() -> None:
    """Each error names what was expected and what came."""
    rng = np.random.default_rng(1)
    with pytest.raises(SpriteError, match="expected 1 to 64, got 0"):
        draw_plan(rng, 0)
    with pytest.raises(SpriteError, match="kinds: expected some of crack"):
        HousingDamage(frozenset({"melted"}))
    with pytest.raises(SpriteError, match="severity: expected 0 to 1, got 2"):
        HousingDamage(frozenset({"crack"}), 2)
    with pytest.raises(SpriteError, match=r"wire_od_mm: expected 0\.5 to 12, got 40"):
        make_ring(rng, 40)
