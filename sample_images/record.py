"""What one damage did: the truth it leaves behind and the surfaces it adds."""

from __future__ import annotations

from dataclasses import dataclass, field

from sample_images.cloud import Part
from sample_images.harness import WirePath


@dataclass
class Record:
    """One damage. `spans` are intervals of arc length per wire; `code` marks its pixels; lengths in mm."""

    label: str
    code: int
    severity: float
    signs: list[str]
    length_mm: float
    spans: dict[int, list[tuple[float, float]]] = field(default_factory=dict)
    exposed_mm: float | None = None
    fused_mm: float | None = None
    severed: int = 0
    parts: list[Part] = field(default_factory=list)
    hidden: bool = False
    housing: str | None = None

    def sign(self, name: str) -> None:
        """Note a sign once."""
        if name not in self.signs:
            self.signs.append(name)


def nearest_termination(wires: list[WirePath], spans: dict[int, list[tuple[float, float]]]) -> tuple[float, str] | None:
    """Way along the wire from the near edge of the spans to the nearest end, and that end's id; None without one."""
    found: list[tuple[float, str]] = []
    for index, intervals in spans.items():
        wire = wires[index]
        first, last = wire.ends
        for low, high in intervals:
            if first.id is not None:
                found.append((max(low, 0.0), first.id))
            if last.id is not None:
                found.append((max(wire.length_mm - high, 0.0), last.id))
    return min(found) if found else None


def to_termination_mm(wires: list[WirePath], spans: dict[int, list[tuple[float, float]]]) -> float | None:
    """The way of `nearest_termination` alone."""
    found = nearest_termination(wires, spans)
    return found[0] if found else None
