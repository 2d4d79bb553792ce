"""Names insulation colours by the codes of IEC 60757; trade words where the standard has none."""

from __future__ import annotations

import numpy as np

# CIELAB (D65) of common insulation under even light: our own choice of typical plastics, no published source
REFERENCE_LAB: dict[str, tuple[float, float, float]] = {
    "BK": (15, 0, 0),
    "BN": (33, 16, 20),
    "RD": (42, 58, 38),
    "OG": (60, 46, 56),
    "YE": (80, 4, 74),
    "GN": (44, -38, 24),
    "BU": (36, 8, -48),
    "VT": (38, 34, -36),
    "GY": (52, 0, 0),
    "WH": (88, 0, 3),
    "PK": (70, 36, 4),
    "TQ": (58, -34, -12),
    "tan": (66, 9, 26),
}
_CODES = tuple(REFERENCE_LAB)
_TABLE = np.array(list(REFERENCE_LAB.values()))
_LIGHT_WEIGHT = 0.55


def code_distances(lab: np.ndarray) -> np.ndarray:
    """(N, 3) CIELAB to (N, codes) distances; lightness counts less, for round wires are shaded."""
    weight = np.array([_LIGHT_WEIGHT, 1.0, 1.0])
    return np.linalg.norm((np.atleast_2d(lab)[:, None, :] - _TABLE[None]) * weight, axis=2)


def nearest_code(lab: np.ndarray) -> str:
    """The code of one (3,) colour."""
    return _CODES[int(code_distances(lab)[0].argmin())]


def runner_up_ratio(lab: np.ndarray) -> float:
    """Distance of the best code over that of the second best, 0 (clear) to 1 (either)."""
    first, second = np.sort(code_distances(lab)[0])[:2]
    return float(first / max(second, 1e-6))
