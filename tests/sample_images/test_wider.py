"""Uncommon sound things: scenes without them stay as they were, and they never stand in the way of a damage."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
import pytest
from scipy.stats import kstest

from sample_images import clutter, damages, scene, trunk_covers, wider
from sample_images.clutter_flat import lay_flat
from sample_images.coverings_more import braid
from sample_images.layout_scene import Wish, assemble
from sample_images.leads import render_leads
from sample_images.light_more import relight
from sample_images.parts_features import ROOM_MM
from sample_images.parts_housing import HousingDamage, draw_plan, make_housing
from sample_images.scene import SCENARIOS, SceneError, SceneSettings, render_scene
from sample_images.shading import light_scene
from sample_images.sleeves_more import LENGTH_MM
from sample_images.sprites import DAMAGE_CRACK
from sample_images.surfaces import Beside, marks
from vision.layout import builtin_layouts

SMALL = SceneSettings(width_px=320, closeup=False)


def only(monkeypatch: pytest.MonkeyPatch, *kinds: str) -> None:
    """Scenes show these kinds and no other."""
    monkeypatch.setattr(wider, "choose", lambda seed, place, times=1.0: wider.Wider(seed, place, frozenset(kinds)))


def test_with_odds_of_naught_a_scene_is_the_one_that_knows_of_none(monkeypatch) -> None:
    """Nothing drawn takes the old path: bytes and truth agree with a scene that was never asked."""
    monkeypatch.setattr(wider, "ODDS", dict.fromkeys(wider.KINDS, 0.0))
    asked = render_scene(31, "mixed", SMALL)
    monkeypatch.setattr(wider, "choose", lambda seed, place, times=1.0: wider.NOTHING)
    never = render_scene(31, "mixed", SMALL)
    assert asked[0].tobytes() == never[0].tobytes() and asked[1] == never[1]


def test_about_six_scenes_in_ten_show_something_and_each_kind_comes_as_often_as_said() -> None:
    """Shares over many seeds; sleeves count only where there is a repair."""
    seen: Counter[str] = Counter()
    some = 0
    for seed in range(400):
        for place, scenario in enumerate(SCENARIOS):
            drawn = wider.choose(seed, place).drawn
            seen.update(drawn)
            some += bool(drawn - (set() if scenario in ("earlier_repair", "mixed") else {"sleeves"}))
    total = 400 * len(SCENARIOS)
    assert 0.55 < some / total < 0.65
    for kind in wider.KINDS:
        assert seen[kind] / total == pytest.approx(wider.ODDS[kind], abs=0.025)


def test_what_is_drawn_at_usual_odds_is_drawn_at_higher_ones_too_and_more() -> None:
    """Twice as likely: a superset scene by scene, about twice as many in all; never the other way round."""
    usual, twice, most = ([wider.choose(seed, 3, times).drawn for seed in range(600)] for times in (1.0, 2.0, 10.0))
    assert all(a <= b <= c for a, b, c in zip(usual, twice, most, strict=True))
    assert sum(map(len, twice)) == pytest.approx(2 * sum(map(len, usual)), rel=0.15)
    assert not any(wider.choose(seed, 3, 0.0).drawn for seed in range(50))
    with pytest.raises(SceneError, match="uncommon: expected 0 to 10, got 11"):
        SceneSettings(uncommon=11)


@pytest.mark.parametrize("times", [1.0, 2.5])
def test_what_a_kind_shows_does_not_hang_on_how_seldom_it_is_drawn(times) -> None:
    """The first number of a kind's dice is uniform among the scenes that show it, and the same at every call."""
    for kind in wider.KINDS:
        shown = [more.dice(kind) for more in (wider.choose(seed, 1, times) for seed in range(1500))]
        first = [dice.random() for dice in shown if dice is not None]
        assert len(first) > 80
        assert kstest(first, "uniform").pvalue > 1e-4, kind
    more = wider.Wider(3, 1, frozenset({"flat"}))
    one, two = more.dice("flat"), more.dice("flat")
    assert one is not None and two is not None and one.random() == two.random()
    assert more.dice("ground") is None


def test_lamps_of_every_kind_come_among_less_common_lights() -> None:
    """No way of `relight` is left out."""
    plain = light_scene(np.random.default_rng(0), np.zeros(2), np.array([0.0, 0.0, 600.0]))
    counts = Counter()
    for seed in range(400):
        dice = wider.choose(seed, 2, 2.5).dice("light")
        if dice is not None:
            lamps = relight(dice, plain, np.zeros(2)).lamps
            counts[len(lamps), bool(max(lamp.soft_rad for lamp in lamps) < 0.06)] += 1
    assert len(counts) >= 3, counts


@pytest.mark.parametrize("kind", wider.KINDS)
def test_each_kind_changes_the_picture_and_the_same_seed_gives_the_same_bytes(monkeypatch, kind) -> None:
    """Determinism of each kind, and that it is not without effect."""
    only(monkeypatch, kind)
    one, truth_one = render_scene(5, "earlier_repair", SMALL)
    two, truth_two = render_scene(5, "earlier_repair", SMALL)
    assert one.tobytes() == two.tobytes() and truth_one == truth_two
    only(monkeypatch)
    assert render_scene(5, "earlier_repair", SMALL)[0].tobytes() != one.tobytes()


@pytest.mark.parametrize(("seed", "scenario"), [(11, "rodent"), (12, "abrasion"), (13, "connector")])
def test_clutter_is_no_part_of_the_truth_and_hides_no_damage(monkeypatch, seed, scenario) -> None:
    """Regions, wires, splices and terminations are the same with and without clutter."""
    only(monkeypatch)
    without = render_scene(seed, scenario, SMALL)[1]
    only(monkeypatch, "clutter", "flat")
    truth = render_scene(seed, scenario, SMALL)[1]
    assert truth.regions == without.regions and truth.labels == without.labels
    assert truth.wires == without.wires and truth.splices == without.splices
    assert truth.terminations == without.terminations
    assert [h.cracked for h in truth.housings] == [h.cracked for h in without.housings]


def test_a_thing_before_a_damage_is_left_out(monkeypatch) -> None:
    """Where things may lie anywhere, no pixel of a damage is lost and the grid stays sorted."""
    grabbed = {}
    strewn = clutter.strewn

    def watched(more, camera, seen, layout, px_per_mm, before):
        out = strewn(more, camera, seen, layout, px_per_mm, before)
        grabbed["codes"] = (np.bincount(seen.code, minlength=9), np.bincount(out.code, minlength=9))
        grabbed["flat"], grabbed["things"] = out.flat, int((out.part >= before).sum())
        return out

    only(monkeypatch, "clutter")
    monkeypatch.setattr(clutter, "strewn", watched)
    monkeypatch.setattr(clutter._Room, "gap", lambda self, xy, radius: 5.0)
    for seed in (21, 22):
        render_scene(seed, "external_heat", SMALL)
        before, after = grabbed["codes"]
        assert (before[1:] == after[1:]).all()
        assert (np.diff(grabbed["flat"]) > 0).all()


def test_clutter_shows_in_most_scenes_that_draw_it(monkeypatch) -> None:
    """At least half of some scenes show things."""
    only(monkeypatch, "clutter")
    shown = 0
    for seed in range(4):
        picture, _ = render_scene(seed, "sound", SMALL)
        only(monkeypatch)
        bare, _ = render_scene(seed, "sound", SMALL)
        only(monkeypatch, "clutter")
        shown += (np.abs(picture.astype(int) - bare).max(axis=2) > 60).mean() > 0.001
    assert shown >= 2


def test_things_lie_beside_each_other_and_off_the_marks_of_every_sheet(monkeypatch) -> None:
    """No two things share a place in plan, and none lies on a mark but for the one that may."""
    laid = []

    class Watched(clutter._Room):
        def take(self, parts):
            xy, radius, _ = clutter._footprint(parts)
            laid[-1].append((xy, radius, self.kept))
            super().take(parts)

    only(monkeypatch, "clutter")
    monkeypatch.setattr(clutter, "_Room", Watched)
    for seed in range(6):
        laid.append([])
        render_scene(seed, "sound", SceneSettings(width_px=320, closeup=False, mat="bench-a4-1", sheets=2))
    assert sum(map(len, laid)) > 10
    for things in laid:
        for k, (xy, radius, kept) in enumerate(things):
            assert kept[:, 0].max() > 300, "marks of the second sheet, too"
            inside = (np.abs(xy[:, None] - (kept[:, :2] + kept[:, 2:] / 2)) < kept[:, 2:] / 2 + radius).all(2)
            assert not inside.any()
            for other, reach, _ in things[:k]:
                apart = np.linalg.norm(xy[:, None] - other[None], axis=2).min()
                assert apart > max(radius, reach)


def test_a_thin_thing_hides_no_mark() -> None:
    """Marks of all sheets keep their albedo; what lies elsewhere changes some of it."""
    first, second = (m for m in builtin_layouts() if m.name in ("bench-a4-1", "bench-a4-2"))
    rects = marks(first, [Beside(second, first.page_mm[0] + 1.0, 0.5, 0.003)])
    assert len(rects) == sum(len(m.markers) + len(m.patches) for m in (first, second))
    x, y = np.meshgrid(np.arange(0, 2.2 * first.page_mm[0], 1.0), np.arange(0, first.page_mm[1], 1.0))
    x, y = x.astype(np.float32), y.astype(np.float32)
    changed = 0
    for seed in range(12):
        albedo, edge = np.full((*x.shape, 3), 0.77, np.float32), np.ones(x.shape, np.float32)
        lay_flat(np.random.default_rng(seed), albedo, edge, (x, y), 1.0, rects)
        hit = np.abs(albedo - 0.77).max(axis=2) > 1e-3
        changed += bool(hit.any())
        for left, top, w, h in rects:
            assert not hit[(x > left) & (x < left + w) & (y > top) & (y < top + h)].any()
    assert changed >= 8


def test_features_are_sound_and_leave_damage_as_it_is_described() -> None:
    """No feature is marked as damage; a crack on a featured housing is marked and measured."""
    ears = stands_out = 0
    for seed in range(24):
        more = np.random.default_rng([seed, 1])
        sprite, pieces = make_housing(np.random.default_rng(seed), 5, None, 6.0, 1.8, more)
        assert not sprite.damage.any() and not pieces and not sprite.signs
        half = draw_plan(np.random.default_rng(seed), 5).width_mm / 2
        rows = np.flatnonzero(sprite.mask.any(axis=1))
        beyond = max(abs(rows[0] - sprite.anchor_px[1]), abs(rows[-1] - sprite.anchor_px[1])) / 6.0 - half
        assert beyond <= ROOM_MM + 8  # families of other widths stand out a little more
        stands_out += beyond > 2.5
        holes = cv2.findContours(sprite.mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)[1]
        ears += holes is not None and (holes[0][:, 3] >= 0).any()
        assert len(sprite.entries_mm) == sprite.cavities
    assert 6 <= ears <= 20 and stands_out >= 8
    for seed in range(6):
        damage = HousingDamage(frozenset({"crack"}), 0.9)
        broken, _ = make_housing(np.random.default_rng(seed), 5, damage, 6.0, 1.8, np.random.default_rng(seed))
        assert broken.cracked and broken.crack_length_mm > 2
        assert (broken.damage == DAMAGE_CRACK).any()


def test_features_leave_the_plan_of_the_cavities_alone() -> None:
    """Wires find the same cavities, with features or without."""
    for seed in range(6):
        plain, _ = make_housing(np.random.default_rng(seed), 7)
        other, _ = make_housing(np.random.default_rng(seed), 7, more=np.random.default_rng(seed))
        assert plain.entries_mm == other.entries_mm and plain.cavities == other.cavities
    assert draw_plan(np.random.default_rng(3), 7) == draw_plan(np.random.default_rng(3), 7)


def test_broken_housings_on_leads_are_told_with_features_too(monkeypatch) -> None:
    """Each broken housing that shows is a region of the truth and marked in the picture of breaks."""
    only(monkeypatch, "housings")
    leads = render_leads(3, SceneSettings(width_px=500, closeup=False))
    assert {r.label for r in leads.truth.regions} <= {"connector"}
    assert bool(leads.truth.regions) == bool((leads.breaks > 0).any())


def test_a_braid_is_a_covering_of_even_diamonds_that_marks_no_damage() -> None:
    """Its relief is periodic along the bundle and nothing of it carries a damage's code."""
    laid = assemble(np.random.default_rng(2), Wish((420.0, 297.0)), 4.0)
    h = laid.harness
    cover = braid(np.random.default_rng(0), h, h.start_u + 20, h.start_u + 70)[0]
    assert cover.kind == "braid"
    tube = cover.tubes[0]
    s = np.linspace(cover.u0 + 10, cover.u1 - 10, 600)
    angle = np.full(600, 1.5)
    assert tube.relief is not None
    high = tube.relief(s, angle)
    spectrum = np.abs(np.fft.rfft(high - high.mean()))
    peaks = np.argsort(spectrum)[::-1][:3]
    share = (spectrum[peaks] ** 2).sum() / (spectrum**2).sum()
    turns = 600 * np.fft.rfftfreq(600)[peaks] / (s[-1] - s[0])
    assert share > 0.4 and turns.min() > 0.15, "diamonds of less than 7 mm, and little else"
    assert not tube.paint(s, angle).code.any()


def test_covers_keep_off_damages(monkeypatch) -> None:
    """No covering laid besides shares a place along the trunk with a damage, and some are laid."""
    stages = []
    look_at = scene.aim

    def watched(rng, stage, *rest):
        stages.append(stage)
        return look_at(rng, stage, *rest)

    only(monkeypatch, "coverings")
    monkeypatch.setattr(scene, "aim", watched)
    more = []
    cover_more = trunk_covers.cover_more
    monkeypatch.setattr(trunk_covers, "cover_more", lambda *a: more.append(cover_more(*a)) or more[-1])
    for seed in range(41, 49):
        render_scene(seed, "rodent", SMALL)
    assert sum(map(len, more)) >= 6
    for stage, covers in zip(stages, more, strict=True):
        damaged = damages.taken(stage.records, stage.assembly.harness)
        assert not any(c.u0 < b and c.u1 > a for c in covers for a, b in damaged)


def test_repairs_have_sleeves_of_12_to_60_mm(monkeypatch) -> None:
    """Short ones and long ones come, and none far beyond what is said."""
    only(monkeypatch, "sleeves")
    lengths = []
    for seed in range(51, 63):
        truth = render_scene(seed, "earlier_repair", SMALL)[1]
        lengths += [s.length_mm for s in truth.splices if s.origin == "repair"]
    assert all(LENGTH_MM[0] * 0.7 <= v <= LENGTH_MM[1] * 1.1 for v in lengths)
    assert min(lengths) < 20 and max(lengths) > 42
