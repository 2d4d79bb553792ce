"""Lays a corroded crust over wires of a rendered scene: damage of a kind that is none of the shipped labels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.truth import Truth, TruthRegion, TruthWire

LABEL = "corrosion"
_VERDIGRIS = np.array([150.0, 176.0, 96.0])
"""BGR of basic copper salts, bluish green; pale salts lie in it as flecks."""
_PALE = np.array([214.0, 222.0, 208.0])
_STEP_MM = 0.5


class CrustError(ValueError):
    """The scene has no place for a crust; the message says what would do."""


def with_crust(
    bgr: NDArray[np.uint8], truth: Truth, seed: int, label: str = LABEL, length_mm: float = 40.0
) -> tuple[NDArray[np.uint8], Truth]:
    """(H, W, 3) uint8 picture and truth with a crust over one bundle, ``length_mm`` along a wire and its neighbours.

    The same arguments give the same bytes. Raises CrustError where no wire shows so much of itself.
    """
    rng = np.random.default_rng([seed, 77])
    stretch, wire = clear_stretch(rng, truth, length_mm)
    scale = truth.mm_per_px_centre
    width_px = float(rng.uniform(2.5, 4.0)) * wire.diameter_mm / scale
    mask = np.zeros(bgr.shape[:2], np.uint8)
    cv2.polylines(mask, [np.round(stretch).astype(np.int32)], False, 255, max(3, round(width_px)))
    # the crust keeps to the wires: on the bare mat there is none
    on = (mask > 0) & on_wires(truth, 1.15)
    grain = cloud(rng, bgr.shape[:2], 0.7 / scale) + 0.5 * cloud(rng, bgr.shape[:2], 0.25 / scale)
    edge = cv2.GaussianBlur(on.astype(np.float32), (0, 0), 0.5 / scale)
    cover = np.clip((edge - 0.45 + 0.16 * grain) * 4, 0, 1)[..., None]
    flecks = np.clip((grain - 0.9) * 1.5, 0, 1)[..., None]
    light = bgr.astype(np.float32).mean(axis=2, keepdims=True)
    shade = np.clip(0.55 + 0.45 * cv2.GaussianBlur(light, (0, 0), 1.5 / scale)[..., None] / 140, 0.5, 1.15)
    colour = (_VERDIGRIS * (1 - flecks) + _PALE * flecks) * shade * (1 + 0.13 * grain[..., None])
    out = bgr * (1 - cover) + colour * cover
    picture = np.clip(out + rng.normal(0, 1.5, bgr.shape) * cover, 0, 255).astype(np.uint8)
    return picture, _told(truth, cover[..., 0] > 0.5, label, length_mm, wire.id)


def on_wires(truth: Truth, diameters: float) -> NDArray[np.bool_]:
    """(H, W) bool, the wires drawn ``diameters`` thick."""
    axes = np.zeros((truth.height_px, truth.width_px), np.uint8)
    for wire in truth.wires:
        thick = max(2, round(diameters * wire.diameter_mm / truth.mm_per_px_centre))
        cv2.polylines(axes, [np.round(wire.centreline_px).astype(np.int32)], False, 255, thick)
    return axes > 0


def clear_stretch(rng: np.random.Generator, truth: Truth, length_mm: float) -> tuple[NDArray[np.float64], TruthWire]:
    """(N, 2) px of a stretch in the picture, clear of both ends and of other damage, and its wire."""
    away = np.zeros((truth.height_px, truth.width_px), np.uint8)
    shapes = [t.rings_px for t in truth.housings] + [t.rings_px for t in truth.terminations]
    shapes += [t.rings_px for t in truth.coverings]
    for rings in (*shapes, *(region.rings_px for region in truth.regions)):
        for ring in rings:
            cv2.fillPoly(away, [np.round(ring).astype(np.int32)], 1)
    for k in rng.permutation(len(truth.wires)):
        wire = truth.wires[k]
        line, steps = np.asarray(wire.centreline_px, float), np.linalg.norm(np.diff(wire.centreline_mm, axis=0), axis=1)
        s = np.concatenate([[0.0], np.cumsum(steps)])
        at = np.arange(0, s[-1], _STEP_MM)
        points = np.stack([np.interp(at, s, line[:, c]) for c in (0, 1)], axis=1)
        inside = (points > 60).all(axis=1) & (points < [truth.width_px - 60, truth.height_px - 60]).all(axis=1)
        x, y = np.round(np.clip(points, 0, [truth.width_px - 1, truth.height_px - 1])).astype(int).T
        free = inside & (away[y, x] == 0)
        need = round(length_mm / _STEP_MM)
        starts = [i for i in range(0, len(points) - need, 10) if free[i : i + need].all()]
        if starts:
            i = int(rng.choice(starts))
            return points[i : i + need], wire
    raise CrustError(f"{truth.photo}: expected a wire that shows {length_mm:g} mm of itself, got none: another scene")


def cloud(rng: np.random.Generator, shape: tuple[int, int], sigma_px: float) -> NDArray[np.float32]:
    """Smooth noise of unit spread."""
    small = rng.normal(size=(shape[0] // 2 + 1, shape[1] // 2 + 1)).astype(np.float32)
    smooth = cv2.GaussianBlur(small, (0, 0), max(sigma_px / 2, 0.6))
    return cv2.resize(smooth / smooth.std(), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


def _told(truth: Truth, on: NDArray[np.bool_], label: str, length_mm: float, wire_id: str) -> Truth:
    """The truth with the crust as one more region."""
    closed = cv2.morphologyEx(on.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    found, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rings = [cv2.approxPolyDP(c, 1.0, True).reshape(-1, 2) for c in found if cv2.contourArea(c) > 30]
    rings_px = [[(float(x), float(y)) for x, y in ring] for ring in rings if len(ring) >= 3]
    region = TruthRegion(
        id=f"c{len(truth.regions)}", label=label, signs=[], severity=None, rings_px=rings_px, rings_mm=None,
        visible_px=int(on.sum()), length_mm=length_mm, area_mm2=float(on.sum()) * truth.mm_per_px_centre**2,
        wires_affected=1, wire_ids=[wire_id], exposed_copper_mm=0.0, to_termination_mm=None,
    )  # fmt: skip
    labels = sorted({label, *(one for one in truth.labels if one != "sound")})
    return truth.model_copy(update={"regions": [*truth.regions, region], "labels": labels})
