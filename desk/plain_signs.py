"""What speaks for a damage, and why to photograph again, in words of the bench; measures of colour in brackets."""

from __future__ import annotations

import re

from vision.findings import Retake

_SLIGHT, _STRONG = 5, 20
"""Distances of colour or lightness below which a difference is slight, and from which nobody misses it."""
_PLAIN: tuple[tuple[re.Pattern[str], str], ...] = tuple(
    (re.compile(found), said)
    for found, said in (
        (r"colour leaves the wire's own by ΔE (\d+)", "colour differs {much} from the wire's own (ΔE {n})"),
        (r"another colour than the wire by ΔE (\d+)", "another colour than the wire's own (ΔE {n})"),
        (r"darker than the continuing wire by (\d+) L", "{much} darker than the wire beside it (lightness −{n})"),
        (r"lighter than the continuing wire by (\d+) L", "{much} lighter than the wire beside it (lightness +{n})"),
        (r"hue shifted by (\d+) along the wire", "the tint changes {much} along the wire (ΔE {n})"),
    )
)
_SPOILT = {
    "all": "everything",
    "label": "the kind of damage",
    "length": "lengths",
    "diameter": "the wires' thickness",
    "colour": "the wires' colours",
}


def plain_sign(says: str) -> str:
    """A sign as findings hold it, also those on record: measures of colour alone tell the bench nothing."""
    for pattern, said in _PLAIN:
        found = pattern.search(says)
        if found is not None:
            plain = said.format(much=_much(int(found[1])), n=found[1])
            says = says[: found.start()] + plain + says[found.end() :]
    return says


def _much(distance: int) -> str:
    if distance < _SLIGHT:
        return "slightly"
    return "plainly" if distance < _STRONG else "very much"


def spoilt(retake: Retake) -> str:
    """What a better photograph is wanted for."""
    return _SPOILT.get(retake.measure, retake.measure.replace("_", " "))
