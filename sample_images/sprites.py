"""A sprite: one hard part seen straight from above, as a height field with its materials and its truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DAMAGE_NONE, DAMAGE_CRACK, DAMAGE_BROKEN, DAMAGE_FRAGMENT, DAMAGE_TERMINAL, DAMAGE_HOLLOW = range(6)


class SpriteError(ValueError):
    """A sprite was asked for, or built, with values that fit no part; the message says which and what would."""


@dataclass(frozen=True, eq=False)
class Sprite:
    """A part from above. Arrays are (h, w), row 0 at the top; pixel centres at integers; +x points away from the wires.

    albedo : (h, w, 3) float32, linear RGB 0..1
    height_mm : (h, w) float32, top surface above the bench; 0 outside the mask
    mask : (h, w) bool, the part itself (a displaced terminal's metal is part of it)
    gloss, metal : (h, w) float32 0..1
    damage : (h, w) uint8, 0 outside the mask: 0 none, 1 crack, 2 broken face, 3 fragment, 4 displaced terminal,
        5 what lay under a lock that broke off
    anchor_px : (x, y) middle of the rear face where the wires enter
    entries_mm : (y, z) per cavity; y from the anchor (down positive), z above the bench
    entry_x_mm : where the wire of that cavity ends, x from the anchor; 0 at the rear face, below 0 behind it
        (a displaced terminal)
    size_mm : (length along x, width along y, height) of the part without displaced terminals
    crack_length_mm : arc length of all crack lines, branches included
    missing_area_mm2 : outline area lost from above to broken-off corners (a crack's open gap is not counted)
    colour : IEC 60757 code or lower-case trade word
    """

    kind: str  # housing | fragment | ring | spade
    albedo: np.ndarray
    height_mm: np.ndarray
    mask: np.ndarray
    gloss: np.ndarray
    metal: np.ndarray
    damage: np.ndarray
    px_per_mm: float
    anchor_px: tuple[float, float]
    entries_mm: tuple[tuple[float, float], ...]
    entry_x_mm: tuple[float, ...]
    size_mm: tuple[float, float, float]
    colour: str
    cavities: int = 0
    cracked: bool = False
    crack_length_mm: float = 0.0
    missing_area_mm2: float = 0.0
    displaced_terminals: int = 0
    signs: tuple[str, ...] = ()  # of cracked, corner_missing, lock_missing, displaced_terminal

    def __post_init__(self) -> None:
        shape = self.mask.shape
        for name in ("height_mm", "gloss", "metal", "damage"):
            if getattr(self, name).shape != shape:
                raise SpriteError(f"{name}: expected shape {shape} as the mask, got {getattr(self, name).shape}")
        if self.albedo.shape != (*shape, 3):
            raise SpriteError(f"albedo: expected shape {(*shape, 3)}, got {self.albedo.shape}")
        if not self.px_per_mm > 0:
            raise SpriteError(f"px_per_mm must be positive, got {self.px_per_mm}")
        if len(self.entries_mm) != len(self.entry_x_mm):
            raise SpriteError(f"expected one entry_x_mm per entry ({len(self.entries_mm)}), got {len(self.entry_x_mm)}")
        if not self.mask.any():
            raise SpriteError("mask is empty: expected at least one pixel of the part")
