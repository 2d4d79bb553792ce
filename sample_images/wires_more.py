"""Insulations that look like copper, or old: tan, brown and orange ones under any light, yellowed and faded ones."""

from __future__ import annotations

import numpy as np

from sample_images.colours import linear, varied
from sample_images.wires import Skin

_LIKE_COPPER: tuple[tuple[str, tuple[int, int, int]], ...] = (
    ("tan", (204, 152, 104)), ("tan", (190, 132, 84)), ("tan", (214, 172, 122)), ("BN", (140, 82, 46)),
    ("BN", (118, 68, 40)), ("BN", (158, 98, 58)), ("OG", (212, 112, 48)), ("OG", (196, 98, 46)),
    ("OG", (224, 134, 70)),
)  # fmt: skip
_AGED: dict[str, tuple[int, int, int]] = {
    "WH": (214, 198, 152), "GY": (150, 142, 120), "YE": (204, 168, 62), "PK": (206, 140, 128), "RD": (160, 62, 48),
    "BU": (66, 84, 124), "GN": (72, 112, 70), "VT": (104, 78, 112), "TQ": (76, 138, 134),
}  # fmt: skip


def redress(rng: np.random.Generator, skins: list[Skin]) -> None:
    """Give some wires such a colour, in their truth too, or let all of them age; before anything is damaged."""
    aged = rng.random() < 0.35
    share = 0.0 if aged and rng.random() < 0.5 else float(rng.choice([0.2, 0.45, 0.8]))
    for skin in skins:
        code, stroke, other = skin.wire.colour.partition("/")
        if rng.random() < share:
            code, srgb = _LIKE_COPPER[int(rng.integers(len(_LIKE_COPPER)))]
            skin.base = varied(rng, srgb, 0.05)
            skin.wire.colour = code + stroke + other if other != code else code
            skin.stripe = skin.stripe if other != code else None
            skin.gloss = float(np.clip(skin.gloss + rng.normal(0, 0.2), 0.05, 0.95))
        elif aged and code in _AGED:
            mix = np.float32(rng.uniform(0.4, 1.0))
            skin.base = (skin.base * (1 - mix) + linear(_AGED[code]) * mix).astype(np.float32)
            skin.gloss = float(np.clip(skin.gloss * 0.6, 0.05, 0.9))
