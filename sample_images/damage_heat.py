"""External heat: a bundle browned at the margins and melted into one lumpy surface in the middle."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.cloud import Material
from sample_images.colours import BROWN_HEAT, CHAR, COPPER, scorched
from sample_images.damage_site import ELSEWHERE_MM, Site, in_trunk_frame, overlap_of
from sample_images.damage_strings import melt_strings
from sample_images.harness import Harness
from sample_images.noise import Line, Sheet, steps
from sample_images.record import Record
from sample_images.wires import Change, Skin

Floats = NDArray[Any]


@dataclass
class Melt:
    """The common surface of melted wires over trunk coordinates u0..u1: a height field across the bundle.

    across, height : (wires, stations) mm of the axes in the trunk's frame; radius (wires,), base (wires, 3)
    """

    harness: Harness
    station_u: Floats
    across: Floats
    height: Floats
    radius: Floats
    base: Floats
    fields: dict[str, Sheet]
    fade: Line
    coverage: float
    char: float
    brown: float
    shine: float
    glints: float
    mixing: float  # mm over which neighbouring colours run into each other
    mirror: Floats  # (4,) unit direction whose slopes mirror a lamp, and how brightly
    code: int
    _grid: tuple[Floats, ...] | None = field(default=None, repr=False)

    def points(self, camera: Camera, fine: int) -> Floats:
        gap = 0.6 * np.linalg.norm(self._middle() - camera.centre() * [1, 1, -1]) / camera.K[0, 0] / fine
        u = np.arange(self.station_u[0], self.station_u[-1], gap)
        low = float((self.across - self.radius[:, None]).min()) - 1
        high = float((self.across + self.radius[:, None]).max()) + 1
        v = np.arange(low, high, gap)
        uu, vv = np.meshgrid(u, v, indexing="ij")
        surface, colour, inside = self._refined(u, v)
        f = self.fields
        lumps = 0.30 * f["lump"](uu, vv) + 0.11 * f["small"](uu, vv) + 0.02 * f["fine"](uu, vv)
        bubbles = 0.25 * steps(f["bubble"](uu, vv), 1.3, 2.0) - 0.35 * steps(f["pore"](uu, vv), 1.6, 2.0)
        strength = self._strength(uu, vv)
        sunk = 0.75 * steps(strength, 0.4, 0.0)  # the melt's edge dives into the wires instead of ending on them
        surface = np.maximum(surface + lumps + bubbles - 0.05 - sunk, 0.1)
        keep = (strength > 0) & inside
        xy, _, normal = self.harness.trunk.at(u)
        plane = xy[:, None] + normal[:, None] * v[None, :, None]
        xyz = np.concatenate([plane, surface[..., None]], axis=2).astype(np.float32)
        flat = np.flatnonzero(keep)
        normal_ = self._normals(xyz).reshape(-1, 3)[flat]
        self._grid = (uu.ravel()[flat], vv.ravel()[flat], normal_, colour.reshape(-1, 3)[flat], strength.ravel()[flat])
        return xyz.reshape(-1, 3)[flat]

    def _refined(self, u: Floats, v: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Height (U,V), colour (U,V,3) and extent of the union on a fine lattice, from one a few times coarser."""
        uc, vc = np.arange(u[0] - 0.6, u[-1] + 1.2, 0.6), np.arange(v[0] - 0.15, v[-1] + 0.3, 0.15)
        height, weight, inside = self._union(uc, vc)
        rows = np.repeat(((u - uc[0]) / 0.6).astype(np.float32)[:, None], len(v), axis=1)
        cols = np.repeat(((v - vc[0]) / 0.15).astype(np.float32)[None], len(u), axis=0)

        def fine(layer: Floats) -> Floats:
            return cv2.remap(np.ascontiguousarray(layer, np.float32), cols, rows, cv2.INTER_LINEAR)

        return fine(height), fine(weight @ self.base), fine(inside) > 0.5

    def _middle(self) -> Floats:
        u = self.station_u[len(self.station_u) // 2]
        return np.append(self.harness.trunk.at(np.array([u]))[0][0], 3.0)

    def _strength(self, u: Floats, v: Floats) -> Floats:
        """Above 0 where the wires are one surface: ragged at both ends, with holes where the heat was less."""
        u0, u1 = self.station_u[0], self.station_u[-1]
        ends = np.minimum(u - u0, u1 - u) / max((u1 - u0) * 0.16, 3.0)
        return np.clip(ends, 0, 1) * (1.2 + self.coverage) + 0.5 * self.fields["hole"](u, v) - 1.25

    def _union(self, u: Floats, v: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Smooth union of the wires' upper sides (U,V), weights (U,V,W) of their colours, and where the bundle is."""
        y = np.stack([np.interp(u, self.station_u, a) for a in self.across])
        z = np.stack([np.interp(u, self.station_u, a) for a in self.height])
        r = self.radius[:, None, None] * 1.1
        warp = 0.35 * self.fields["warp"](*np.meshgrid(u, v, indexing="ij"))
        d = v[None, None, :] - y[..., None]
        rise = np.sqrt(np.maximum(r * r - d * d, 0)) - np.maximum(np.abs(d) - r, 0) * 1.5
        top = z[..., None] + rise
        peak = top.max(0)
        soft = 0.45
        union = peak + soft * np.log(np.exp((top - peak) / soft).sum(0)) - 0.3
        spread = z[..., None] + np.sqrt(np.maximum(r * r - (d + warp[None]) ** 2, 0)) - np.abs(d + warp[None]) * 0.8
        weight = np.exp(np.maximum((spread - spread.max(0)) / self.mixing, -60.0))
        weight /= weight.sum(0)
        d = np.where(z[..., None] > 0, d, 99.0)
        inside = (np.abs(d) < r * 1.04).any(0) | self._between(d, r)
        return union, np.moveaxis(weight, 0, 2), inside

    def _between(self, d: Floats, r: Floats) -> NDArray[np.bool_]:
        """Gaps no wider than 1.6 mm between wires on both sides are bridged."""
        left, right = (np.where(d > 0, d - r, 9).min(0), np.where(d < 0, -d - r, 9).min(0))
        return (left < 1.0) & (right < 1.0) & (left + right < 1.6)

    @staticmethod
    def _normals(xyz: Floats) -> Floats:
        n = np.cross(np.gradient(xyz, axis=0), np.gradient(xyz, axis=1))
        n *= np.where(n[..., 2:] < 0, -1, 1)
        return n / (np.linalg.norm(n, axis=2, keepdims=True) + 1e-9)

    def surface(self, index: NDArray[np.integer]) -> tuple[Floats, Material]:
        assert self._grid is not None  # points() comes first
        u, v, normal, albedo, strength = (a[index] for a in self._grid)
        f = self.fields
        muddy = self.base.mean(0) * 0.35 + BROWN_HEAT * 0.9
        brown = np.clip(self.brown + 0.25 * f["brown"](u, v), 0, 1)[:, None]
        albedo = scorched(albedo * (1 - 0.4 * brown) + muddy * 0.4 * brown, brown * 0.8)
        char = steps(f["char"](u, v) + 0.35 * f["small"](u, v), 1.7 - 2.2 * self.char, 2.7 - 2.2 * self.char)
        char = np.maximum(char, 0.7 * steps(strength, 0.22, 0.0) * self.char)[:, None]
        albedo = albedo * (1 - char) + CHAR * 1.2 * char
        glint = steps(f["glint"](u, v), 2.35 - self.glints, 2.5 - self.glints)
        albedo = albedo * (1 - glint[:, None]) + COPPER * 0.7 * glint[:, None]
        wet = steps(normal @ self.mirror[:3], 0.955, 0.995) * self.mirror[3] * (1 - 0.7 * char[:, 0])
        albedo = albedo * (1 - wet[:, None]) + wet[:, None]  # the image of a lamp in the wet-looking skin
        gloss = self.shine * (1 - 0.6 * char[:, 0])
        code = np.full(len(u), self.code, np.uint8)
        return normal[:], Material(
            albedo.astype(np.float32), gloss.astype(np.float32), (glint * 0.9).astype(np.float32), code
        )


class Browning:
    """Discolouration of one wire over a span, ragged, fading at the ends."""

    def __init__(self, rng: np.random.Generator, span: tuple[float, float], amount: float, char: float) -> None:
        self.span, self.amount, self.char = span, amount, char
        self.patch, self.along, self.spot = Sheet(rng, 6, 0.9), Line(rng, 9), Sheet(rng, 2.5, 0.7)
        self.blister = Sheet(rng, 1.8, 0.8)
        self.fade = float(rng.uniform(6, 16))

    def heat(self, s: Floats) -> Floats:
        edge = np.minimum(s - self.span[0], self.span[1] - s) / min(self.fade, (self.span[1] - self.span[0]) / 3)
        return steps(edge + 0.25 * self.along(s), 0.0, 1.0) * self.amount

    def relief(self, s: Floats, angle: Floats) -> Floats:
        return 0.09 * np.clip(self.blister(s, angle), -0.6, 2) * self.heat(s)

    def paint(self, code: int):
        def over(s: Floats, angle: Floats, m: Material) -> Material:
            t = np.clip(self.heat(s) * (0.8 + 0.35 * self.patch(s, angle)), 0, 1)[:, None]
            albedo = scorched(m.albedo, t)
            dark = (steps(self.spot(s, angle), 2.2 - 2 * self.char, 2.6 - 2 * self.char) * np.clip(t[:, 0] * 2, 0, 1))[
                :, None
            ]
            albedo = albedo * (1 - dark) + CHAR[None] * 1.5 * dark
            gloss = np.clip(m.gloss + 0.25 * t[:, 0] - 0.3 * dark[:, 0], 0.05, 0.95)
            marked = np.where(t[:, 0] > 0.2, code, m.code)
            return Material(albedo.astype(np.float32), gloss.astype(np.float32), m.metal, marked.astype(np.uint8))

        return over


def heat(rng: np.random.Generator, harness: Harness, skins: list[Skin], site: Site, grade: float, code: int) -> Record:
    """Brown all wires of the site; from a third of the severity on, melt its middle."""
    record = Record("external_heat", code, grade, ["browned"], 0.0)
    lengths = []
    for index in range(len(harness.wires)):  # those that branch off within the heat suffer too
        span = overlap_of(harness.wires[index], site.u0, site.u1)
        if span is None:
            continue
        amount = float(np.clip(0.5 + 0.65 * grade + rng.normal(0, 0.08), 0.42, 1))
        browning = Browning(rng, span, amount, max(0.0, grade * 0.75 - 0.1))
        skins[index].changes.append(Change(*span, browning.paint(code), browning.relief))
        record.spans[index] = [span]
        lengths.append(span[1] - span[0])
    record.length_mm = float(np.median(lengths))
    if grade > 0.4:
        record.sign("charred")
    if grade > 0.27 and len(record.spans) >= 2:
        _melt(rng, harness, skins, site, grade, code, record)
    if grade > 0.3:
        record.parts += melt_strings(rng, harness, skins, list(record.spans), site, grade, code)
    return record


def _melt(
    rng: np.random.Generator, harness: Harness, skins: list[Skin], site: Site, grade: float, code: int, record: Record
) -> None:
    length = site.u1 - site.u0
    margin = rng.uniform(0.06, 0.2) * length
    u = np.arange(site.u0 + margin, site.u1 - margin * rng.uniform(0.6, 1.4), 2.0)
    if len(u) < 4:
        return
    across, height, radius, base = [], [], [], []
    for index in record.spans:
        placed = in_trunk_frame(harness, harness.wires[index], u)
        across.append(placed[0])
        height.append(placed[1])
        radius.append(harness.wires[index].od_mm / 2)
        base.append(skins[index].base)
    scale = rng.uniform(3, 8)
    sizes = {
        "lump": (scale, scale * 0.5), "small": (1.8, 1.1), "fine": (0.7, 0.6), "bubble": (1.6, 1.4), "pore": (1.1, 1.0),
        "hole": (rng.uniform(7, 20), rng.uniform(2, 5)), "brown": (8, 2.5),
        "warp": (rng.uniform(4, 14), rng.uniform(1.2, 2.5)),
        "char": (rng.uniform(2.5, 12), rng.uniform(1.2, 4.5)), "glint": (2.5, 0.5),
    }  # fmt: skip
    fields = {name: Sheet(rng, *size) for name, size in sizes.items()}
    glints = float(rng.uniform(0.0, 0.5)) if grade > 0.6 else -1.0
    mirror = np.array([*rng.normal(0, 0.3, 2), 1.0])
    mirror = np.append(mirror / np.linalg.norm(mirror), rng.choice([0.0, rng.uniform(0.2, 0.9)], p=[0.35, 0.65]))
    record.parts.append(
        Melt(
            harness, u, np.array(across), np.array(height), np.array(radius), np.array(base), fields, Line(rng, 5),
            float(0.1 + 1.1 * grade * rng.uniform(0.6, 1.1)), float(np.clip(grade * rng.uniform(0.45, 1.05), 0, 0.9)),
            float(np.clip(0.15 + 0.7 * grade * rng.uniform(0.4, 1.15), 0.15, 0.95)),
            float(rng.uniform(0.6, 0.98)), glints, float(rng.uniform(0.3, 1.7)), mirror, code,
        )
    )  # fmt: skip
    record.fused_mm = float(u[-1] - u[0])
    record.sign("fused")
    if glints > 0:
        record.sign("bare_copper")


__all__ = ["ELSEWHERE_MM", "Browning", "Melt", "heat", "in_trunk_frame"]
