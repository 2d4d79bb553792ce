"""The scale of a photograph without a mat, from two points whose distance somebody knows."""

from __future__ import annotations

import math

from vision.uncertainty import EDGES, Budget, Source

CLICK_PX = 1.5
"""Standard uncertainty of a point set by hand (common practice, no published source)."""
UNKNOWN_VIEW_U95_REL = 0.02
"""Without a mat slant and distance are unknown: elsewhere in the picture the scale is another."""
_SHORTEST_PX = 20.0


class KnownLengthError(ValueError):
    """A reference that gives no scale: expected, got, what to do, in one line."""


def scale_of_known_length(
    start_px: tuple[float, float], end_px: tuple[float, float], length_mm: float, length_u95_mm: float = 0.5
) -> Budget:
    """mm per px with the budget of its uncertainty; points in px of the upright original."""
    if not (math.isfinite(length_mm) and length_mm > 0):
        raise KnownLengthError(f"expected a length above 0 mm, got {length_mm:g}; measure it with a ruler")
    if not (math.isfinite(length_u95_mm) and 0 <= length_u95_mm < length_mm):
        raise KnownLengthError(
            f"expected an uncertainty of 0 up to the length of {length_mm:g} mm, got {length_u95_mm:g}; state it in mm"
        )
    apart = math.dist(start_px, end_px)
    if not apart >= _SHORTEST_PX:
        raise KnownLengthError(
            f"expected two points {_SHORTEST_PX:g} px apart or more, got {apart:.1f}; take a longer reference"
        )
    scale = length_mm / apart
    return Budget(
        scale,
        (
            Source(EDGES, scale * 2**0.5 * CLICK_PX / apart),
            Source.of_u95("the known length", scale * length_u95_mm / length_mm),
            Source.of_u95("slant and distance", scale * UNKNOWN_VIEW_U95_REL),
        ),
    )
