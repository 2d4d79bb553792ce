"""Lays patches of random matter over wires of a rendered scene: what no label stands for, to learn what is strange."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.crust import CrustError, clear_stretch, cloud, on_wires
from sample_images.truth import Truth


def with_strange_matter(
    bgr: NDArray[np.uint8], truth: Truth, seed: int, patches: int = 2
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """(H, W, 3) uint8 picture with up to so many patches, and (H, W) bool where they cover it.

    Colours, pattern, relief, cover and size are drawn at random: no patch is made to look like any real thing. The
    same arguments give the same bytes. Where no wire shows enough of itself the picture stays as it was.
    """
    rng = np.random.default_rng([seed, 91])
    scale = truth.mm_per_px_centre
    picture, covered = bgr.astype(np.float32), np.zeros(bgr.shape[:2], bool)
    for _ in range(patches):
        try:
            line, wire = clear_stretch(rng, truth, float(rng.uniform(8, 60)))
        except CrustError:
            continue
        mask = np.zeros(bgr.shape[:2], np.uint8)
        width_px = float(rng.uniform(0.8, 4.5)) * wire.diameter_mm / scale
        cv2.polylines(mask, [np.round(line).astype(np.int32)], False, 255, max(3, round(width_px)))
        on = (mask > 0) & on_wires(truth, float(rng.uniform(1.0, 1.5)))
        x, y, w, h = cv2.boundingRect(on.astype(np.uint8))
        rim = round(3 / scale)
        cut = (slice(max(0, y - rim), y + h + rim), slice(max(0, x - rim), x + w + rim))
        cover = _cover(rng, on[cut], scale)
        picture[cut] += cover[..., None] * (_matter(rng, picture[cut], scale) - picture[cut])
        covered[cut] |= cover > 0.5
    return np.clip(picture, 0, 255).astype(np.uint8), covered


def _cover(rng: np.random.Generator, on: NDArray[np.bool_], scale: float) -> NDArray[np.float32]:
    """(h, w) 0..1: how much of the picture the patch hides, ragged and soft at its edge, whole or sparse within."""
    soft = cv2.GaussianBlur(on.astype(np.float32), (0, 0), float(rng.uniform(0.15, 0.8)) / scale)
    ragged = cloud(rng, on.shape, float(rng.uniform(0.3, 2.0)) / scale)
    cover = np.clip((soft - rng.uniform(0.35, 0.6) + rng.uniform(0, 0.3) * ragged) * rng.uniform(2, 8), 0, 1)
    # no specks beside it: what lies on the mat is no matter on wires
    return (cover * (soft > 0.1) * rng.uniform(0.7, 1.0)).astype(np.float32)


def _matter(rng: np.random.Generator, under: NDArray[np.float32], scale: float) -> NDArray[np.float32]:
    """(h, w, 3) BGR of a matter of one to three colours in some pattern, lit a little as what lies under it."""
    shape = under.shape[:2]
    colours = rng.uniform(15, 250, (3, 3)) * rng.uniform(0.5, 1.0)
    first = _pattern(rng, shape, scale)[..., None]
    second = np.clip(_pattern(rng, shape, scale) - float(rng.uniform(0.0, 0.8)), 0, 1)[..., None]
    out = colours[0] * (1 - first) + colours[1] * first
    out = out * (1 - second) + colours[2] * second
    relief = cloud(rng, shape, float(rng.uniform(0.15, 1.5)) / scale)[..., None] * float(rng.uniform(0, 0.25))
    light = cv2.GaussianBlur(under.mean(axis=2), (0, 0), float(rng.uniform(0.5, 3.0)) / scale)
    shade = 1 + float(rng.uniform(0, 0.6)) * (light / max(float(light.mean()), 1.0) - 1)
    grain = rng.normal(0, float(rng.uniform(0, 4)), under.shape)
    return (out * (1 + relief) * shade[..., None] + grain).astype(np.float32)


def _pattern(rng: np.random.Generator, shape: tuple[int, int], scale: float) -> NDArray[np.float32]:
    """(h, w) 0..1: plain, clouds, bands, cells or flecks, of a size between a fifth of a millimetre and five."""
    kind = str(rng.choice(["plain", "clouds", "bands", "cells", "flecks"]))
    size = float(np.exp(rng.uniform(np.log(0.2), np.log(5.0)))) / scale
    if kind == "plain":
        return np.full(shape, float(rng.random()), np.float32)
    if kind in ("clouds", "flecks"):
        level = float(rng.uniform(0, 0.5) if kind == "clouds" else rng.uniform(0.8, 1.6))
        return np.clip((cloud(rng, shape, size) - level) * float(rng.uniform(0.5, 4)) + 0.5, 0, 1)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    turn = float(rng.uniform(0, np.pi))
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    wavy = float(rng.uniform(0, 0.5)) * cloud(rng, shape, 2 * size)
    wave = np.sin(np.pi * u / size + wavy * 3)
    if kind == "cells":
        wave = wave * np.sin(np.pi * v / size + wavy * 3)
    return np.clip(wave * float(rng.uniform(0.5, 4)) + 0.5, 0, 1).astype(np.float32)
