"""Wire sizes in mm² and AWG: resistance at temperature, copper and outside diameters, each with its source."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from models.circuit.errors import CircuitError, UnknownSizeError

_TABLE: dict[str, Any] = tomllib.loads(resources.files("models.circuit").joinpath("wire_table.toml").read_text("utf-8"))
RESISTIVITY_OHM_M: float = _TABLE["copper"]["resistivity_ohm_m"]
ALPHA_20_PER_K: float = _TABLE["copper"]["alpha_20_per_k"]
_STRAND_FILL: float = _TABLE["copper"]["strand_fill"]
_SAME_SIZE = 0.005  # areas this close (relative) are one size: 0.518 is AWG 20, 0.52 is too
_AWG_RANGE = range(0, 31)
_AWG_STRANDED: float = _TABLE["copper"]["gauge_stranded_most"]
_AWG_SOURCE = f"ASTM B258, solid copper; stranded up to {_AWG_STRANDED:g} times as much, after AC 43.13-1B"
WALLS = ("thin", "thick")
"""Wall classes of insulation that the tables know."""


@dataclass(frozen=True)
class WireSize:
    """One wire size of one family.

    mm2 : nominal copper area, as the size is named. copper_mm2 : real copper area. conductor_mm : diameter over the
    strands. ohm_per_m_20c : resistance of one metre at 20 °C, the most the family allows (AWG: nominal, solid copper).
    od_by_wall : (wall class, largest outside diameter in mm) pairs, of any family that has this size.
    od_interpolated : whether the diameters lie between those of neighbouring sizes, for want of their own.
    """

    mm2: float
    awg: int | None
    copper_mm2: float
    conductor_mm: float
    ohm_per_m_20c: float
    od_by_wall: tuple[tuple[str, float], ...]
    od_interpolated: bool
    family: str
    source: str
    from_memory: bool

    def od_mm(self, wall: str = "thin") -> float | None:
        """Largest outside diameter with this wall; None where no table has one."""
        return dict(self.od_by_wall).get(wall)

    @property
    def ohm_range_20c(self) -> tuple[float, float]:
        """Least and most resistance of one metre at 20 °C: pure copper of this area, and what the family allows."""
        pure = RESISTIVITY_OHM_M / (self.copper_mm2 * 1e-6)
        most = self.ohm_per_m_20c * (_AWG_STRANDED if self.awg is not None else 1.0)
        return min(pure, most), max(pure, most)

    def says(self) -> str:
        """`0.5 mm²` or `AWG 20 (0.52 mm²)`."""
        return f"{self.mm2:g} mm²" if self.awg is None else f"AWG {self.awg} ({self.mm2:.2g} mm²)"


def resistance_at(ohm: float, temp_c: float) -> float:
    """Resistance at `temp_c` of copper that has `ohm` at 20 °C: R = R20 (1 + α20 (T − 20))."""
    return ohm * (1.0 + ALPHA_20_PER_K * (temp_c - 20.0))


def awg_diameter_mm(awg: int) -> float:
    """Diameter of solid wire by its gauge number, ASTM B258: 0.127 mm × 92^((36 − n)/39)."""
    return 0.127 * 92.0 ** ((36 - awg) / 39)


def awg_mm2(awg: int) -> float:
    """Copper area of solid wire by its gauge number."""
    return math.pi / 4 * awg_diameter_mm(awg) ** 2


def nearest_awg(mm2: float) -> int:
    """The gauge number whose copper area is nearest by ratio (even numbers only, as cable is sold)."""
    if not 0 < mm2 < math.inf:
        raise UnknownSizeError(f"wire size: expected an area above 0 mm², got {mm2:g}")
    return min(_AWG_RANGE[::2], key=lambda n: abs(math.log(awg_mm2(n) / mm2)))


@cache
def wire_sizes(family: str = "thin wall") -> tuple[WireSize, ...]:
    """Every size of one family, smallest first."""
    for entry in _TABLE["family"]:
        if entry["name"] == family:
            return tuple(_from_row(entry, row) for row in entry["sizes"])
    raise CircuitError(f"wire family: expected one of {', '.join(FAMILIES)}, got {family!r}")


FAMILIES: tuple[str, ...] = tuple(entry["name"] for entry in _TABLE["family"])
"""Families of the table, in the order in which a size is looked for."""


def wire_size(mm2: float, family: str | None = None) -> WireSize:
    """The size of this nominal area: of the family named, else of the first that has it, else as AWG.

    Raises UnknownSizeError, naming the neighbouring sizes, where no table has it.
    """
    for name in (family,) if family else FAMILIES:
        for size in wire_sizes(name):
            if math.isclose(size.mm2, mm2, rel_tol=1e-6):
                return size
    if not family and mm2 > 0:
        gauge = min(_AWG_RANGE, key=lambda n: abs(math.log(awg_mm2(n) / mm2)))
        if abs(awg_mm2(gauge) / mm2 - 1) <= _SAME_SIZE:
            return awg_size(gauge)
    raise UnknownSizeError(f"wire size: expected {_neighbours(mm2, family)}, got {mm2:g} mm², which is in no table")


def awg_size(awg: int) -> WireSize:
    """A gauge number as a size: solid copper's resistance, stranded diameter, outside diameters interpolated."""
    if awg not in _AWG_RANGE:
        raise UnknownSizeError(f"wire size: expected a gauge from AWG {_AWG_RANGE[-1]} to AWG 0, got AWG {awg}")
    area = awg_mm2(awg)
    ohm = RESISTIVITY_OHM_M / (area * 1e-6)
    walls = tuple((wall, od) for wall in WALLS if (od := _od_between(area, wall)) is not None)
    return WireSize(area, awg, area, _over_strands(area), ohm, walls, True, "AWG", _AWG_SOURCE, False)


def parse_size(text: str) -> WireSize:
    """A size as people write it: `0.5`, `0.5 mm2`, `0.5 mm²`, `AWG 20`, `20 AWG`, `#20`."""
    tidy = text.strip().lower()
    gauge = re.fullmatch(r"(?:awg\s*|#\s*)(\d{1,2})|(\d{1,2})\s*awg", tidy)
    if gauge:
        return awg_size(int(gauge.group(1) or gauge.group(2)))
    area = re.fullmatch(r"(\d+(?:\.\d*)?|\.\d+)\s*(?:mm2|mm²|mm\^2)?", tidy)
    if area:
        return wire_size(float(area.group(1)))
    raise UnknownSizeError(f"wire size: expected an area such as 0.5 (mm²) or a gauge such as AWG20, got {text!r}")


def _from_row(entry: dict[str, Any], row: dict[str, float]) -> WireSize:
    area = row.get("copper_mm2", row["mm2"])
    walls = tuple((wall, od) for wall in WALLS if (od := _table_od(row["mm2"], wall)) is not None)
    return WireSize(
        mm2=row["mm2"],
        awg=None,
        copper_mm2=area,
        conductor_mm=row.get("conductor_mm", _over_strands(area)),
        ohm_per_m_20c=row["mohm_per_m"] / 1000,
        od_by_wall=walls or tuple((w, od) for w in WALLS if (od := _od_between(row["mm2"], w)) is not None),
        od_interpolated=not walls,
        family=entry["name"],
        source=entry["source"],
        from_memory=entry["from_memory"],
    )


def _over_strands(copper_mm2: float) -> float:
    return math.sqrt(4 * copper_mm2 / (math.pi * _STRAND_FILL))


def _od_rows(wall: str) -> list[tuple[float, float]]:
    rows = [row for entry in _TABLE["family"] if entry.get("wall") == wall for row in entry["sizes"]]
    return [(row["mm2"], row["od_max_mm"]) for row in rows if "od_max_mm" in row]


def _table_od(mm2: float, wall: str) -> float | None:
    return dict(_od_rows(wall)).get(mm2)


def _od_between(mm2: float, wall: str) -> float | None:
    """Outside diameter between the neighbours in the table, linear in the root of the area; None outside of it."""
    areas, diameters = zip(*_od_rows(wall), strict=True)
    if not areas[0] <= mm2 <= areas[-1]:
        return None
    return round(float(np.interp(math.sqrt(mm2), np.sqrt(areas), diameters)), 2)


def _neighbours(mm2: float, family: str | None) -> str:
    known = sorted({size.mm2 for name in ((family,) if family else FAMILIES) for size in wire_sizes(name)})
    below, above = [k for k in known if k < mm2], [k for k in known if k > mm2]
    near = [f"{k:g}" for k in (below[-1:] + above[:1])]
    return " or ".join(near) + " mm²" if near else f"a size from {known[0]:g} to {known[-1]:g} mm²"
