"""Renders a bench of short leads with a housing at either end, every second one broken: what housings look like."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images import clutter, damages, scene, wider
from sample_images import harness as hs
from sample_images.camera import Camera
from sample_images.cloud import Part, Visible, look
from sample_images.debris import debris
from sample_images.hard_parts import HardPart
from sample_images.layout_scene import Assembly, assign, featured, lay_pieces
from sample_images.parts_housing import make_housing
from sample_images.paths import wander
from sample_images.record import Record
from sample_images.sprites import DAMAGE_HOLLOW
from sample_images.surfaces import marks
from sample_images.truth import Truth
from sample_images.wires import dress

Floats = NDArray[Any]
SCENARIO = "leads"
_BROKEN_SHARE = 0.5
_KINDS = DAMAGE_HOLLOW
"""Kinds of break: as many codes for each housing."""
_PLOT_MM = (150.0, 68.0)
"""Room for one lead along and across."""


@dataclass(frozen=True, eq=False)
class Leads:
    """A bench of leads.

    picture : (H, W, 3) uint8 BGR as decoded from its JPEG; breaks : (H, W) uint8, `sprites.DAMAGE_...` of every pixel
    that shows some of a break, however thin; broken : names of the housings that were broken, seen or not
    """

    picture: NDArray[np.uint8]
    truth: Truth
    breaks: NDArray[np.uint8]
    broken: frozenset[str]


def render_leads(seed: int, settings: scene.SceneSettings | None = None) -> Leads:
    """The same arguments give the same bytes. Of the settings `extra` and `sheets` have no say.

    Of what is uncommon leads show housings, clutter, thin things, benches, lamps and cameras.
    """
    settings = settings or scene.SceneSettings()
    rng = np.random.default_rng([seed, len(scene.SCENARIOS)])
    more = wider.choose(seed, len(scene.SCENARIOS), settings.uncommon)
    layout = scene.choose_mat(rng, settings)
    page = layout.page_mm if layout is not None and min(layout.page_mm) > 180 else (420.0, 297.0)
    closeup = bool(rng.random() < 0.25) if settings.closeup is None else settings.closeup
    stage, broken = _set_leads(rng, page, settings, closeup, more.dice("housings"))
    camera = scene.aim(rng, stage, page, settings.width_px, closeup)
    seen = look(camera, stage.parts, scene.FINE)
    fine = scene.sprite_px_per_mm(settings.width_px, closeup)
    seen = clutter.strewn(more, camera, seen, marks(layout), fine, len(stage.parts))
    picture = scene.photograph(rng, camera, seen, layout, [], more)
    truth = scene.truth_of(seed, SCENARIO, layout, stage, seen, camera)
    return Leads(picture, truth, _breaks(seen, camera), broken)


def _breaks(seen: Visible, camera: Camera) -> NDArray[np.uint8]:
    """(H, W) uint8 kind of break that a pixel shows, if only in part."""
    on = seen.code > 0
    rows, columns = np.divmod(seen.flat[on], seen.shape[1])
    out = np.zeros((camera.height_px, camera.width_px), np.uint8)
    y, x = seen.y0 // seen.fine + rows // seen.fine, seen.x0 // seen.fine + columns // seen.fine
    inside = (y < out.shape[0]) & (x < out.shape[1])
    out[y[inside], x[inside]] = (seen.code[on][inside] - 1) % _KINDS + 1
    return out


def _set_leads(
    rng: np.random.Generator,
    page: tuple[float, float],
    settings: scene.SceneSettings,
    closeup: bool,
    more: np.random.Generator | None,
) -> tuple[scene.Stage, frozenset[str]]:
    """Everything before the camera, and the names of the housings that were broken."""
    px_per_mm = scene.sprite_px_per_mm(settings.width_px, closeup)
    dirty, gloss = float(rng.choice([0.0, 0.3, 0.8])), float(rng.uniform(0.25, 0.75))
    leads: list[tuple[Assembly, list[Record]]] = []
    broken: set[str] = set()
    for place in _plots(rng, page):
        ends = sum(len(lead.harness.ends) for lead, _ in leads)
        lead, told, names = _lead(rng, place, ends, px_per_mm, more)
        leads.append((lead, told))
        broken |= names
    wires: list[hs.WirePath] = []
    for lead, _ in leads:
        before = len(wires)
        for wire in lead.harness.wires:
            wire.index += before
            wires.append(wire)
        for end in lead.harness.ends:
            end.wires = [k + before for k in end.wires]
    first = leads[0][0].harness
    harness = replace(first, wires=wires, ends=[end for lead, _ in leads for end in lead.harness.ends])
    hard = {name: part for lead, _ in leads for name, part in lead.hard.items()}
    loose = [part for lead, _ in leads for part in lead.loose]
    records = [record for _, made in leads for record in made]
    skins = [dress(rng, wire, dirty, gloss) for wire in wires]
    owner = {name: k for k, name in enumerate(hard)}
    parts: list[Part] = [*hard.values(), *loose]
    for lead, _ in leads:
        parts += debris(rng, lead.harness) if rng.random() < 0.3 else []
    for skin in skins:
        parts += skin.tubes()
    return scene.Stage(Assembly(harness, hard, loose), skins, records, [], [], owner, parts, 0), frozenset(broken)


def _plots(rng: np.random.Generator, page: tuple[float, float]) -> list[tuple[float, float]]:
    """Middles of the leads, in columns and rows, now and then one left out."""
    across, down = (max(1, int(side // plot)) for side, plot in zip(page, _PLOT_MM, strict=True))
    x = (np.arange(across) + 0.5) * page[0] / across
    y = (np.arange(down) + 0.5) * page[1] / down
    places = [(float(a + rng.normal(0, 5)), float(b + rng.normal(0, 4))) for a in x for b in y]
    keep = [place for place in places if rng.random() < 0.85]
    return keep or places[:1]


def _lead(
    rng: np.random.Generator,
    place: tuple[float, float],
    before: int,
    px_per_mm: float,
    more: np.random.Generator | None,
) -> tuple[Assembly, list[Record], set[str]]:
    """One lead around ``place``, its ends numbered on from ``before``; each kind of break of each end has a code.

    Beside it what its breaks show, and the ends that are broken: a break may show nothing.
    """
    count = int(rng.integers(1, 13)) if rng.random() < 0.8 else int(rng.integers(8, 25))
    sizes = hs.wire_sizes(rng, count)
    heading = float(rng.normal(0, 0.22) + rng.choice([0, np.pi]))
    path = wander(rng, np.zeros(2), heading, float(rng.uniform(70, 95)), 0.5)
    path = hs.Path(path.xy - (path.xy.min(0) + path.xy.max(0)) / 2 + place, path.heading)
    ends = [
        hs.End(f"T{before}", "housing", path.xy[0], float(path.heading[0] + np.pi)),
        hs.End(f"T{before + 1}", "housing", path.xy[-1], float(path.heading[-1])),
    ]
    plans = [hs.Plan(ends[0], ends[1], path.length_mm, None) for _ in range(count)]
    hard: dict[str, HardPart] = {}
    loose: list[HardPart] = []
    records: list[Record] = []
    broken: set[str] = set()
    for end in ends:
        end.wires = list(range(count))
        grade = damages.severity(rng)
        damage = damages.housing_damage(rng, grade) if rng.random() < _BROKEN_SHARE else None
        sprite, pieces = make_housing(rng, count, damage, px_per_mm, float(sizes.max()), featured(more))
        mine = _KINDS * (before + len(hard))
        part = HardPart(sprite, end.xy, end.heading, mine, by_kind=True)
        assert end.id is not None
        hard[end.id] = part
        broken_off = lay_pieces(rng, part, pieces, mine)
        loose += broken_off
        assign(rng, end, sprite)
        if damage:
            broken.add(end.id)
            kinds = np.unique(np.concatenate([np.unique(p.sprite.damage) for p in (part, *broken_off)]))
            told = [damages.housing_record(damage, mine + int(kind), end.id, part) for kind in kinds[kinds > 0]]
            records += told
    return Assembly(hs.build_wires(rng, path, plans, ends, sizes), hard, loose), records, broken
