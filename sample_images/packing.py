"""How the wires of a bundle lie beside and upon each other along its length."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[Any]
FLAT_SHARE = 0.45
"""How often somebody laid the wires side by side, as a bench photograph wants them."""


def pack(rng: np.random.Generator, radius_mm: Floats, active: NDArray[np.bool_], step_mm: float) -> Floats:
    """Cross positions (stations, wires, 2) as across and height mm: drifting, touching, resting on the page.

    active : (stations, wires) bool, which wires run there
    """
    stations, count = active.shape
    u = np.arange(stations) * step_mm
    spread = float(np.sqrt((radius_mm**2).sum())) * rng.uniform(0.95, 1.3)
    slot = rng.permutation(count) / count * 2 * np.pi
    away = np.sqrt(rng.uniform(0.05, 1.0, count)) * spread
    twist = rng.choice([-1, 1]) * rng.uniform(0.0, 2 * np.pi / 120)
    drift = gaussian_filter1d(rng.standard_normal((stations + 24, count)), 5, axis=0)[12:-12] * rng.uniform(1.0, 3.2)
    angle = slot[None] + twist * u[:, None] + drift
    pos = np.stack([away * np.cos(angle), spread + away * np.sin(angle)], axis=2)
    pull = rng.uniform(0.01, 0.07)  # a loose bundle spreads flat, a tight one stays round
    sag = rng.uniform(0.03, 0.1)
    if rng.random() < FLAT_SHARE:
        pos = _side_by_side(rng, radius_mm, drift)
        pull = rng.uniform(0.0, 0.004)
    for round_ in range(70):
        _settle(pos, radius_mm, active, pull, sag)
        if round_ % 16 == 15:
            pos = gaussian_filter1d(pos, 1.2, axis=0, mode="nearest")
    for _ in range(6):
        _settle(pos, radius_mm, active, 0.0, 0.0)
    return pos


def _side_by_side(rng: np.random.Generator, radius_mm: Floats, drift: Floats) -> Floats:
    """Cross positions (stations, wires, 2) of wires laid out flat, now and then changing places.

    drift : (stations, wires), how each wanders
    """
    order = rng.permutation(len(radius_mm))
    width = np.cumsum(2 * radius_mm[order])
    across = np.empty(len(radius_mm))
    across[order] = width - radius_mm[order] - width[-1] / 2
    sway = drift * float(radius_mm.mean()) * rng.uniform(0.2, 1.0)
    flat = across * rng.uniform(0.6, 1.0) + sway
    return np.stack([flat, radius_mm + np.abs(sway) * 0.5], axis=2)


def _settle(pos: Floats, radius: Floats, active: NDArray[np.bool_], pull: float, sag: float) -> None:
    """One round of pushing overlapping wires apart, gathering them, and letting them sink on the page."""
    gap = pos[:, :, None, :] - pos[:, None, :, :]
    dist = np.sqrt((gap**2).sum(3)) + 1e-6
    need = (radius[:, None] + radius[None, :]) * 1.01 - dist
    both = active[:, :, None] & active[:, None, :]
    push = np.where(both & (need > 0), need * 0.45 / dist, 0.0)
    push[:, np.arange(len(radius)), np.arange(len(radius))] = 0
    pos += (push[..., None] * gap).sum(2) * 0.6
    pos[..., 0] *= 1 - pull
    pos[..., 1] -= sag
    np.maximum(pos[..., 1], radius[None], out=pos[..., 1])
