"""Renders one bench photograph with its truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images import clutter, damages, truth_build, wider
from sample_images.camera import Camera, place_camera
from sample_images.cloud import Part, Visible, look
from sample_images.clutter_flat import lay_flat
from sample_images.debris import debris
from sample_images.layout_scene import Assembly, Wish, assemble
from sample_images.light_more import cast, relight
from sample_images.record import Record
from sample_images.sensor import choose_sensor, expose, worked_over
from sample_images.shading import Relief, ground_light, light_scene, shade
from sample_images.surfaces import Beside, lay_ground, marks
from sample_images.trunk_covers import cover_trunk
from sample_images.truth import Truth
from sample_images.wires import Skin, dress
from sample_images.wires_more import redress
from vision.layout import MatLayout, builtin_layouts

Floats = NDArray[Any]
SCENARIOS = (
    "sound",
    "external_heat",
    "electrical_overload",
    "rodent",
    "connector",
    "abrasion",
    "earlier_repair",
    "mixed",
)
FINE = 2  # fine pixels per picture pixel
_TRIES = 24
"""Assemblies drawn until every damage on one shows; one whose damages lie hidden or outside is no example."""


class SceneError(ValueError):
    """A scene was asked for that cannot be rendered; the message says what would do."""


@dataclass(frozen=True)
class SceneSettings:
    """How scenes are made. `mat` is a layout's name, "random" or None (bare bench); `extra` damages of any kind come on
    top of the scenario's, where there is room. `sheets` of the mat lie side by side, 0.3 to 3 mm apart. `uncommon` :
    how many times as likely as usual things are that are seldom seen and yet sound (`wider`)."""

    width_px: int = 2000
    mat: str | None = "random"
    no_mat_share: float = 0.125
    closeup: bool | None = None
    extra: int = 0
    sheets: int = 1
    uncommon: float = 1.0

    def __post_init__(self) -> None:
        if not 200 <= self.width_px <= 6000:
            raise SceneError(f"width_px: expected 200 to 6000, got {self.width_px}")
        if not 0 <= self.no_mat_share <= 1:
            raise SceneError(f"no_mat_share: expected 0 to 1, got {self.no_mat_share}")
        if not 0 <= self.extra <= 8:
            raise SceneError(f"extra: expected 0 to 8, got {self.extra}")
        if not 1 <= self.sheets <= 3:
            raise SceneError(f"sheets: expected 1 to 3, got {self.sheets}")
        if not 0 <= self.uncommon <= 10:
            raise SceneError(f"uncommon: expected 0 to 10, got {self.uncommon}")
        if self.mat not in (None, "random") and self.mat not in {m.name for m in builtin_layouts()}:
            names = ", ".join(m.name for m in builtin_layouts())
            raise SceneError(f'mat: expected "random", None or one of {names}, got {self.mat!r}')


@dataclass
class Stage:
    """Everything that stands before the camera; `covers` hold (kind, length mm, part indices)."""

    assembly: Assembly
    skins: list[Skin]
    records: list[Record]
    joints: list[truth_build.Joint]
    covers: list[tuple[str, float, list[int]]]
    owner: dict[str, int]
    parts: list[Part]
    wanted: int  # damages on the wires with codes up to this one must show


def choose_mat(rng: np.random.Generator, settings: SceneSettings) -> MatLayout | None:
    """The mat that lies on the bench, None for a bare bench."""
    bare = rng.random() < settings.no_mat_share
    mats = [m for m in builtin_layouts() if m.kind == "mat"]
    pick = mats[int(rng.integers(len(mats)))]
    if settings.mat is None:
        return None
    if settings.mat == "random":
        return None if bare else pick
    return next(m for m in builtin_layouts() if m.name == settings.mat)


def _beside(rng: np.random.Generator, layout: MatLayout | None, sheets: int) -> list[Beside]:
    """The further sheets of a long mat, each to the right of the one before, as somebody lays them by hand."""
    if layout is None or sheets == 1:
        return []
    kin = [m for m in builtin_layouts() if m.name[:-1] == layout.name[:-1] and m != layout]
    if len(kin) < sheets - 1:
        raise SceneError(f"sheets: expected a mat of several sheets, as bench-a4-1, got {layout.name}; take such a mat")
    found, x, y = [], 0.0, 0.0
    for other in kin[: sheets - 1]:
        # a turn of a sheet would close or open the gap at one end: it is made up for
        turn = float(rng.normal(0, 0.004))
        x += layout.page_mm[0] + float(rng.uniform(0.3, 3.0)) + max(turn, 0.0) * layout.page_mm[1]
        y += float(rng.normal(0, 1.5))
        found.append(Beside(other, x, y, turn))
    return found


def render_scene(seed: int, scenario: str, settings: SceneSettings | None = None) -> tuple[NDArray[np.uint8], Truth]:
    """(H,W,3) uint8 BGR picture as decoded from its JPEG, and its truth; the same arguments give the same bytes."""
    settings = settings or SceneSettings()
    if scenario not in SCENARIOS:
        raise SceneError(f"scenario: expected one of {', '.join(SCENARIOS)}, got {scenario!r}")
    rng = np.random.default_rng([seed, SCENARIOS.index(scenario)])
    more = wider.choose(seed, SCENARIOS.index(scenario), settings.uncommon)
    layout = choose_mat(rng, settings)
    page = layout.page_mm if layout is not None and min(layout.page_mm) > 180 else (420.0, 297.0)
    beside = _beside(rng, layout, settings.sheets)
    if beside:
        page = (beside[-1].x_mm + beside[-1].layout.page_mm[0], page[1])
    closeup = bool(rng.random() < 0.15) if settings.closeup is None else settings.closeup
    for _ in range(_TRIES):  # a damage that lies hidden or outside is no example of its label: another assembly
        stage = _set_stage(rng, scenario, page, settings, closeup, more)
        camera = aim(rng, stage, page, settings.width_px, closeup)
        seen = look(camera, stage.parts, FINE)
        if _all_show(stage, seen, camera):
            break
    else:
        raise SceneError(
            f"{scenario} of seed {seed}: expected every damage to show, got {_TRIES} hidden ones; take another seed"
        )
    fine = sprite_px_per_mm(settings.width_px, closeup)
    seen = clutter.strewn(more, camera, seen, marks(layout, beside), fine, len(stage.parts))
    picture = photograph(rng, camera, seen, layout, beside, more)
    return picture, truth_of(seed, scenario, layout, stage, seen, camera)


def _set_stage(
    rng: np.random.Generator,
    scenario: str,
    page: tuple[float, float],
    settings: SceneSettings,
    closeup: bool,
    more: wider.Wider,
) -> Stage:
    px_per_mm = sprite_px_per_mm(settings.width_px, closeup)
    plan = damages.plan(rng, scenario, settings.extra)
    thick = bool({"electrical_overload", "abrasion"} & set(plan.kinds)) and rng.random() < 0.75
    wish = Wish(page, plan.far, False, plan.housing_damage, plan.housing_code, thick)
    assembly = assemble(rng, wish, px_per_mm, more.dice("housings"))
    dirty = float(rng.choice([0.0, 0.3, 0.8]))
    gloss = float(rng.uniform(0.25, 0.75))
    skins = [dress(rng, wire, dirty, gloss) for wire in assembly.harness.wires]
    if (dice := more.dice("wires")) is not None:
        redress(dice, skins)
    records, sleeves, loose = damages.inflict(rng, plan, assembly, skins, more.dice("sleeves"))
    hard = list(assembly.hard.items())
    parts: list[Part] = [part for _, part in hard]
    owner = {name: k for k, (name, _) in enumerate(hard)}
    parts += assembly.loose
    covers: list[tuple[str, float, list[int]]] = []
    for cover in cover_trunk(rng, assembly, records, more.dice("coverings")):
        covers.append((cover.kind, cover.u1 - cover.u0, list(range(len(parts), len(parts) + len(cover.tubes)))))
        parts += cover.tubes
    joints = []
    for sleeve in sleeves:
        joints.append(truth_build.Joint(sleeve.wire, sleeve.low, sleeve.high, sleeve.origin, len(parts)))
        parts.append(sleeve.tube)
    for record in records:
        parts += record.parts
    parts += loose
    parts += debris(rng, assembly.harness)
    for skin in skins:
        parts += skin.tubes()
    return Stage(assembly, skins, records, joints, covers, owner, parts, plan.wanted)


def sprite_px_per_mm(width_px: int, closeup: bool) -> float:
    """How finely hard parts are modelled for a picture of this width."""
    return float(np.clip(width_px * FINE / (200 if closeup else 430) * 1.35, 2.0, 20.0))


def _all_show(stage: Stage, seen: Visible, camera: Camera) -> bool:
    """Whether each damage covers enough pixels of the picture, in proportion to its size.

    Of a housing broken-off pieces count, too, but they alone do not show what broke: some of it must be seen there.
    """
    least = max(4.0, 120 * (camera.width_px / 2000) ** 2)
    for record in stage.records:
        if record.code > stage.wanted and not record.housing:
            continue
        there, off = truth_build.damaged(record, seen, stage.owner)
        enough = least * (0.7 if record.housing else 1.0)
        if truth_build.share_of(seen, there | off, camera).sum() < enough:
            return False
        if record.housing and truth_build.share_of(seen, there, camera).sum() < 0.1 * least:
            return False
    return True


def aim(rng: np.random.Generator, stage: Stage, page: tuple[float, float], width_px: int, closeup: bool) -> Camera:
    """Over the page, or close over a damage (over the assembly when there is none)."""
    if closeup:
        place = damages.focus(rng, stage.records, stage.assembly)
        return place_camera(rng, place, float(rng.uniform(130, 260)), width_px, True)
    middle = (page[0] / 2 + rng.normal(0, 8), page[1] / 2 + rng.normal(0, 8))
    span = max(page[0], page[1] * 4 / 3) * rng.uniform(0.98, 1.35)
    places = [damages.focus(rng, [r], stage.assembly) for r in stage.records]
    for _ in range(12):
        camera = place_camera(rng, middle, float(span), width_px, False)
        if all(_in_picture(camera, place) for place in places):
            break
    return camera


def _in_picture(camera: Camera, place_mm: tuple[float, float]) -> bool:
    x, y = camera.project(np.array([[*place_mm, 3.0]]))[0][0]
    edge = 0.05 * camera.width_px
    return bool(edge < x < camera.width_px - edge and edge < y < camera.height_px - edge)


def photograph(
    rng: np.random.Generator,
    camera: Camera,
    seen: Visible,
    layout: MatLayout | None,
    beside: list[Beside],
    more: wider.Wider = wider.NOTHING,
) -> NDArray[np.uint8]:
    """What the camera makes of what it sees: light, ground, objects, sensor; (H, W, 3) uint8 BGR."""
    eye = camera.centre() * np.array([1, 1, -1.0])
    w, h = camera.width_px, camera.height_px
    middle = camera.to_ground(np.array([[w / 2, h / 2]]))[0]
    light = light_scene(rng, middle, eye)
    lamps = more.dice("light")
    if lamps is not None:
        light = relight(lamps, light, middle)
    gx, gy = camera.ground_map()
    albedo, edge, gloss = lay_ground(rng, gx, gy, camera.mm_per_px(), layout, beside, more.dice("ground"))
    if (dice := more.dice("flat")) is not None:
        lay_flat(dice, albedo, edge, (gx, gy), camera.mm_per_px(), marks(layout, beside))
    relief = Relief(seen, light, rng) if len(seen.flat) else None
    falling, glare = ground_light(relief, light, eye, gx, gy, gloss)
    image = albedo * (falling * edge[..., None]) + glare
    mean = albedo[::16, ::16].reshape(-1, 3).mean(0) * falling[::16, ::16].reshape(-1, 3).mean(0)
    if relief is not None:
        _lay_over(image, seen, shade(seen, relief, light, eye, mean.astype(np.float32)), camera)
    total = falling[::16, ::16].reshape(-1, 3)
    level = np.percentile(total.mean(1), 85) * (0.88 if layout is not None else float(rng.uniform(0.3, 0.8)))
    sensor = choose_sensor(rng, total.mean(0), float(level))
    if lamps is not None:
        sensor = cast(lamps, sensor)
    if (dice := more.dice("sensor")) is not None:
        sensor = worked_over(dice, sensor)
    return expose(rng, image.astype(np.float32), sensor)


def _lay_over(image: Floats, seen: Visible, colour: Floats, camera: Camera) -> None:
    """Blend the fine pixels of the objects over the ground, in place."""
    f = seen.fine
    rows, cols = -(-seen.shape[0] // f) * f, -(-seen.shape[1] // f) * f
    layer = np.zeros((rows, cols, 4), np.float32)
    r, c = np.divmod(seen.flat, seen.shape[1])
    layer[r, c, :3] = np.minimum(colour, 2.2)
    layer[r, c, 3] = 1
    small = cv2.resize(layer, (cols // f, rows // f), interpolation=cv2.INTER_AREA)
    y, x = seen.y0 // f, seen.x0 // f
    view = image[y : y + small.shape[0], x : x + small.shape[1]]
    view *= 1 - small[..., 3:]
    view += small[..., :3]


def truth_of(seed: int, scenario: str, layout: MatLayout | None, stage: Stage, seen: Visible, camera: Camera) -> Truth:
    """Everything that is known of the photograph."""
    h = stage.assembly.harness
    regions = [truth_build.truth_region(r, k, seen, camera, h.wires, stage.owner) for k, r in enumerate(stage.records)]
    regions = [r for r in regions if r.rings_px]
    ends, housings = truth_build.truth_ends(stage.assembly, stage.owner, seen, camera)
    covers = [truth_build.truth_covering(k, *cover, seen, camera) for k, cover in enumerate(stage.covers)]
    covers = [c for c in covers if c.rings_px]  # one that lies wholly hidden or outside is not in the photograph
    return Truth(
        photo=f"{scenario}_{seed:05d}.jpg",
        width_px=camera.width_px,
        height_px=camera.height_px,
        seed=seed,
        scenario=scenario,
        mat=layout.name if layout is not None else None,
        mm_per_px_centre=round(camera.mm_per_px(), 5),
        labels=sorted({r.label for r in regions}) or ["sound"],
        regions=regions,
        wires=[truth_build.truth_wire(w, camera) for w in h.wires],
        terminations=ends,
        housings=housings,
        coverings=covers,
        splices=truth_build.truth_splices(stage.joints, seen, camera, h),
        camera=truth_build.truth_camera(camera),
    )
