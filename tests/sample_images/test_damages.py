"""What damages do to an assembly: which wire they take, where it lies, and how they are measured."""

from __future__ import annotations

import numpy as np
import pytest

from sample_images.damage_site import Site, lay_on_top, upper_wires
from sample_images.damage_strings import melt_strings
from sample_images.damages import Plan, inflict, severity
from sample_images.harness import Harness
from sample_images.layout_scene import Assembly, Wish, assemble
from sample_images.parts_housing import HousingDamage
from sample_images.wires import dress


def assembly(seed: int, damage: HousingDamage | None = None) -> Assembly:
    wish = Wish((420.0, 297.0), housing_damage=damage, damaged_code=1 if damage else 0)
    return assemble(np.random.default_rng(seed), wish, 3.0)


def site_of(h: Harness) -> Site:
    u0, u1 = h.start_u + 30, h.start_u + 70
    return Site(u0, u1, tuple(w.index for w in h.wires if w.s_at(u0) is not None and w.s_at(u1) is not None))


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_lifted_wire_enters_no_other(seed: int) -> None:
    """Its axis keeps the sum of the radii from the wires below it, less what the smoothing takes, and never sinks."""
    h = assembly(seed).harness
    site = site_of(h)
    lowest = upper_wires(h, site)[-1]
    wire = h.wires[lowest]
    before = wire.xyz.copy()
    lay_on_top(h, lowest, site.u0, site.u1)
    assert (wire.xyz[:, 2] >= before[:, 2] - 1e-9).all() and np.allclose(wire.xyz[:, :2], before[:, :2])
    inside = wire.xyz[(wire.u > site.u0) & (wire.u < site.u1)]
    for other in h.wires:
        if other.index != lowest:
            gap = np.linalg.norm(inside[:, None] - other.xyz[None], axis=2).min(1)
            assert (gap > 0.8 * (wire.od_mm + other.od_mm) / 2).mean() > 0.9
    assert upper_wires(h, site)[0] == lowest


def test_strings_of_plastic_reach_from_wire_to_wire() -> None:
    """Both ends of each string lie on a wire's surface, within its radius and the spread of the feet."""
    rng = np.random.default_rng(8)
    h = assembly(6).harness
    skins = [dress(rng, w, 0.0, 0.5) for w in h.wires]
    site = site_of(h)
    strings = [s for _ in range(5) for s in melt_strings(rng, h, skins, list(site.wires), site, 1.0, 1)]
    assert strings
    axes = np.concatenate([w.xyz for w in h.wires])
    for string in strings:
        for end in (string.axis[0], string.axis[-1]):  # type: ignore[attr-defined]
            assert np.linalg.norm(axes - end, axis=1).min() < 2.0


@pytest.mark.parametrize("kind", ["lock", "displaced_terminal"])
def test_a_housing_without_crack_or_lost_corner_has_a_length(kind: str) -> None:
    """The diagonal of the damaged pixels: some millimetres, no longer than the housing with its terminals."""
    damage = HousingDamage(frozenset({kind}), 0.8)
    laid = assembly(11, damage)
    rng = np.random.default_rng(1)
    skins = [dress(rng, w, 0.0, 0.5) for w in laid.harness.wires]
    records, _, _ = inflict(rng, Plan((), False, (), damage, 1), laid, skins)
    assert laid.broken is not None
    length, width, _ = laid.hard[laid.broken].sprite.size_mm
    assert 1.0 < records[0].length_mm < np.hypot(length + 12, width)


def test_one_damage_in_five_is_slight() -> None:
    rng = np.random.default_rng(0)
    grades = np.array([severity(rng) for _ in range(2000)])
    assert (grades < 0.39).mean() == pytest.approx(0.2, abs=0.03) and 0.1 <= grades.min() <= grades.max() <= 1
