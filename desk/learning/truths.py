"""Turns a reviewed photograph into a truth, so that it teaches by the same functions as a generated scene."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import cv2
import numpy as np

from desk.learning.corrected import SOUND, Place, ReviewedPhoto
from sample_images.truth import Truth, TruthRegion

_USUAL_WIDTH_MM = 420.0
"""Without a scale a photograph is taken to show the width of an A3 mat: only how wide a rim is left out hangs on it."""


def damage_places(photo: ReviewedPhoto) -> list[Place]:
    """Places where somebody said that there is damage."""
    return [place for place in photo.judged if place.label != SOUND]


def truth_of(photo: ReviewedPhoto, with_false_finds: bool = False) -> Truth:
    """The damages of the photograph as a truth. Wires, housings and lengths are not part of it: nobody drew them.

    ``with_false_finds`` : rejected places on wires too, under the label `sound`, so that a candidate is known by them.
    """
    scale = photo.mm_per_px or _USUAL_WIDTH_MM / photo.width_px
    damages = damage_places(photo)
    false = [p for p in photo.judged if p.label == SOUND and p.was != "connector"] if with_false_finds else []
    regions = [_region(p, scale) for p in (*damages, *false)]
    return Truth(
        photo=photo.name, width_px=photo.width_px, height_px=photo.height_px, seed=0, scenario="reviewed",
        mat="seen" if photo.has_mat else None, mm_per_px_centre=scale,
        labels=sorted({p.label for p in damages}) or [SOUND], regions=regions, wires=[],
        terminations=[], housings=[], coverings=[], splices=[], camera=None,
    )  # fmt: skip


def _region(place: Place, mm_per_px: float) -> TruthRegion:
    points = np.concatenate([np.asarray(ring, float) for ring in place.rings_px])
    across = float(np.linalg.norm(np.ptp(points, axis=0))) * mm_per_px
    return TruthRegion(
        id=place.region, label=place.label, signs=[], rings_px=place.rings_px, rings_mm=None, visible_px=0,
        length_mm=across, area_mm2=None, wires_affected=0, wire_ids=[], exposed_copper_mm=None, to_termination_mm=None,
    )  # fmt: skip


def truth_key(photo: ReviewedPhoto, feature_version: str) -> str:
    """Names what can be computed once from a photograph: its content, what was said of it, and the feature version."""
    said = "|".join(place.model_dump_json(include={"verdict", "label", "rings_px"}) for place in photo.places)
    assumed = f"|{photo.assumed_mm_per_px}" if photo.assumed_mm_per_px is not None else ""
    whole = f"{feature_version}|{photo.sha256}|{photo.mm_per_px}{assumed}|{said}"
    return hashlib.sha256(whole.encode()).hexdigest()[:32]


def inside_of(places: Sequence[Place], photo_xy: np.ndarray, shape: tuple[int, int], scale: float = 0.5) -> np.ndarray:
    """(N,) bool: (N, 2) photograph px within one of the places. shape : height and width of the photograph, px."""
    raster = np.zeros((round(shape[0] * scale), round(shape[1] * scale)), np.uint8)
    for place in places:
        for ring in place.rings_px:
            cv2.fillPoly(raster, [np.round(np.asarray(ring) * scale).astype(np.int32)], 1)
    x, y = np.round(photo_xy * scale).astype(int).T
    known = (x >= 0) & (y >= 0) & (x < raster.shape[1]) & (y < raster.shape[0])
    out = np.zeros(len(photo_xy), bool)
    out[known] = raster[y[known], x[known]] > 0
    return out
