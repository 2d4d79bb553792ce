"""Colour codes of wires: IEC 60757 letters, striped as BASE/STRIPE, and the trade words for what has no code."""

from __future__ import annotations

from models.circuit.errors import CircuitError

IEC_60757: dict[str, str] = {
    "BK": "black", "BN": "brown", "RD": "red", "OG": "orange", "YE": "yellow", "GN": "green", "BU": "blue",
    "VT": "violet", "GY": "grey", "WH": "white", "PK": "pink", "GD": "gold", "TQ": "turquoise", "SR": "silver",
    "GNYE": "green-yellow",
}  # fmt: skip
TRADE_WORDS: tuple[str, ...] = ("tan", "beige", "light_blue", "light_green", "clear")
"""Colours without a letter code, written in lower case."""


class ColourError(CircuitError):
    """A colour that has no code."""


def colour_code(text: str) -> str:
    """The code in its usual writing (`rd/wh` becomes `RD/WH`, `GN-YE` stays an error); ColourError otherwise."""
    parts = [_part(part.strip(), text) for part in text.split("/")]
    if len(parts) > 3 or len(set(parts)) != len(parts):
        raise ColourError(f"colour: expected a base and other stripe colours such as RD/WH, got {text!r}")
    return "/".join(parts)


def _part(part: str, whole: str) -> str:
    if part.upper() in IEC_60757:
        return part.upper()
    if part.lower().replace(" ", "_") in TRADE_WORDS:
        return part.lower().replace(" ", "_")
    known = " ".join([*IEC_60757, *TRADE_WORDS])
    raise ColourError(f"colour: expected codes of IEC 60757 such as RD or RD/WH ({known}), got {whole!r}")
