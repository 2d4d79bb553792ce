"""How light and colour ripple along and across the wire around a point: cosine waves in its turned neighbourhood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import dct

from vision.lanes import sample

_AT_ONCE = 1024
"""Points described at once: what is reckoned on them stays in the processor's cache."""


@dataclass(frozen=True)
class Field:
    """A neighbourhood turned with the wire. size : points along and across, ``step_mm`` apart;
    light, colour : how many waves are told along and across, the flat one included."""

    name: str
    size: tuple[int, int]
    step_mm: float
    light: tuple[int, int]
    colour: tuple[int, int]


FIELDS = (
    Field("near", (12, 6), 0.55, (5, 4), (4, 3)),
    Field("wide", (12, 8), 1.2, (5, 4), (3, 3)),
)


def _waves(size: tuple[int, int]) -> np.ndarray:
    """(P, K) products of the orthonormal cosines along and across, row-major over (along, across) both ways."""
    along, across = (dct(np.eye(n), axis=0, norm="ortho") for n in size)
    return np.kron(along, across).T.astype(np.float32)


def describe_ripples(
    picture: np.ndarray, xy: np.ndarray, along: np.ndarray, px_per_mm: float, fields: tuple[Field, ...] = FIELDS
) -> dict[str, np.ndarray]:
    """Strengths of the waves around each point, each (N,), in CIELAB units, as sign times log(1 + strength).

    ``ripple_near_l20`` is lightness with two half waves along and none across. Which end of a wire comes first is
    arbitrary, so waves that turning by half a circle or mirroring reverses are told without their sign.
    picture : (h, w, 3+) float32 smoothed CIELAB; xy : (N, 2) px; along : (N, 2) unit vectors along the wires
    """
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    lab = np.ascontiguousarray(picture[..., :3])
    out: dict[str, np.ndarray] = {}
    for field in fields:
        told, basis = _told(field)
        waves = np.empty((len(xy), len(told)), np.float32)
        a, b = (
            (np.arange(n, dtype=np.float32) - np.float32((n - 1) / 2)) * np.float32(field.step_mm * px_per_mm)
            for n in field.size
        )
        for i in range(0, len(xy), _AT_ONCE):
            some = slice(i, i + _AT_ONCE)
            places = (
                xy[some, None, None]
                + a[:, None, None] * along[some, None, None]
                + b[None, :, None] * across[some, None, None]
            )
            seen = sample(lab, places).reshape(len(places), -1, 3)
            waves[some] = np.hstack([seen[..., c] @ basis[c] for c in range(3)])
        reversed_ = np.array([bool(u % 2 or v % 2) for _, u, v in told])
        waves[:, reversed_] = np.abs(waves[:, reversed_])
        waves = np.sign(waves) * np.log1p(np.abs(waves))
        out |= {f"ripple_{field.name}_{channel}{u}{v}": waves[:, k] for k, (channel, u, v) in enumerate(told)}
    return out


def _told(field: Field) -> tuple[list[tuple[str, int, int]], list[np.ndarray]]:
    """Channel and half waves along and across of each column, and for each channel the (P, K) waves it is put to."""
    waves = _waves(field.size) / np.float32(np.sqrt(np.prod(field.size)))
    told, basis = [], []
    for channel, (high_u, high_v) in zip("lab", (field.light, field.colour, field.colour), strict=True):
        # the flat wave is the mean colour, which other features tell
        mine = [(u, v) for u in range(high_u) for v in range(high_v) if (u, v) != (0, 0)]
        told += [(channel, u, v) for u, v in mine]
        basis.append(np.ascontiguousarray(waves[:, [u * field.size[1] + v for u, v in mine]]))
    return told, basis
