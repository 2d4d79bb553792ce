"""Names insulation colours by the codes of IEC 60757; trade words where the standard has none."""

from __future__ import annotations

import numpy as np

# CIELAB (D65) of well-lit insulation on an evenly lit page: medians over the project's own bench photographs, rounded;
# no published source
REFERENCE_LAB: dict[str, tuple[float, float, float]] = {
    "BK": (18, 0, 0),
    "BN": (33, 14, 18),
    "RD": (41, 54, 35),
    "OG": (55, 43, 51),
    "YE": (78, -1, 67),
    "GN": (43, -33, 21),
    "BU": (33, 13, -44),
    "VT": (34, 34, -35),
    "GY": (53, 0, 0),
    "WH": (86, 0, 3),
    "PK": (64, 37, 3),
    "TQ": (57, -26, -9),
    "tan": (65, 7, 26),
}
CODES = tuple(REFERENCE_LAB)
_LIGHT_WEIGHT = 0.55
_SHADE_COST = 16.0
_STRIPE_LEAST = 5
_STRIPE_SHARE = 0.12
_SHADES = np.exp(np.linspace(-0.6, 0.25, 18))


def _shaded(table: np.ndarray) -> np.ndarray:
    """(codes, shades, 3): each colour under less and more light. CIELAB's cube roots all scale alike."""
    k = _SHADES[None, :, None]
    return np.concatenate([(table[:, None, :1] + 16) * k - 16, table[:, None, 1:] * k], axis=2)


_TABLE = _shaded(np.array(list(REFERENCE_LAB.values()), float))


def code_distances(lab: np.ndarray) -> np.ndarray:
    """(N, 3) CIELAB to (N, codes) distances: to the nearest shade of each code, shading itself costing a little."""
    weight = np.array([_LIGHT_WEIGHT, 1.0, 1.0])
    apart = np.linalg.norm((np.atleast_2d(lab)[:, None, None, :] - _TABLE[None]) * weight, axis=3)
    return (apart + _SHADE_COST * np.abs(np.log(_SHADES))).min(axis=2)


_WEIGHT = np.array([_LIGHT_WEIGHT, 1.0, 1.0])
_BLACK = np.array([16.0, 0.0, 0.0])  # L + 16, a and b all scale with the cube root of the light
_CODES_WEIGHTED = (np.array(list(REFERENCE_LAB.values()), float) + _BLACK) * _WEIGHT


def quick_distances(lab: np.ndarray) -> np.ndarray:
    """(N, 3) CIELAB to (N, codes): as `code_distances`, the shade chosen by the distance alone (closed form)."""
    seen = (np.atleast_2d(lab) + _BLACK) * _WEIGHT
    along, size = seen @ _CODES_WEIGHTED.T, (_CODES_WEIGHTED**2).sum(axis=1)
    shade = np.clip(along / size, _SHADES[0], _SHADES[-1])
    square = (seen**2).sum(axis=1)[:, None] - 2 * shade * along + shade**2 * size
    return np.sqrt(np.maximum(square, 0)) + _SHADE_COST * np.abs(np.log(shade))


def shade_distance(lab: np.ndarray, base: np.ndarray) -> np.ndarray:
    """(..., 3) CIELAB to (...,) distances from the nearest shade of one colour (3,)."""
    seen, whole = (lab + _BLACK) * _WEIGHT, (base + _BLACK) * _WEIGHT
    shade = np.clip(seen @ whole / (whole @ whole), _SHADES[0], _SHADES[-1])
    return np.linalg.norm(seen - shade[..., None] * whole, axis=-1)


def nearest_code(lab: np.ndarray) -> str:
    """The code of one (3,) colour."""
    return CODES[int(code_distances(lab)[0].argmin())]


def runner_up_ratio(lab: np.ndarray) -> float:
    """Distance of the best code over that of the second best, 0 (clear) to 1 (either)."""
    first, second = np.sort(code_distances(lab)[0])[:2]
    return float(first / max(second, 1e-6))


def robust_colour(lab: np.ndarray) -> np.ndarray:
    """(3,) colour of the better lit half of (n, 3) sections along a wire."""
    light = lab[:, 0]
    bright = lab[light >= np.median(light)]
    return np.median(bright, axis=0)


def name_colour(base: np.ndarray, lab: np.ndarray, stripe: np.ndarray) -> tuple[str, float]:
    """Code of a wire and how near its runner-up is (1: either).

    base : (3,) robust colour; lab : (n, 3) along the wire; stripe : (n, 3) of bands within it, NaN where none.
    """
    code = nearest_code(base)
    second = _stripe(code, base, lab, stripe)
    return (f"{code}/{second}" if second else code), runner_up_ratio(base)


def _stripe(code: str, base: np.ndarray, lab: np.ndarray, stripe: np.ndarray) -> str | None:
    """Code of a second colour that recurs along the wire, as a band within it or in place of the first."""
    bands = stripe[np.isfinite(stripe[:, 0])]
    if len(bands) >= max(_STRIPE_LEAST, _STRIPE_SHARE * len(stripe)):
        named = _commonest(bands)
        # a dark line without colour is as likely the shadow between two wires
        if named not in (code, "BK", "GY"):
            return named
    return None


def _commonest(lab: np.ndarray) -> str:
    return CODES[int(np.bincount(code_distances(lab).argmin(axis=1), minlength=len(CODES)).argmax())]
