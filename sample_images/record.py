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


def to_termination_mm(wires: list[WirePath], spans: dict[int, list[tuple[float, float]]]) -> float | None:
    """Near edge of the spans to the nearest end along the wire; None when every end lies outside the photograph."""
    found: list[float] = []
    for index, intervals in spans.items():
        wire = wires[index]
        for low, high in intervals:
            if wire.ends[0].id is not None:
                found.append(max(low, 0.0))
            if wire.ends[1].id is not None:
                found.append(max(wire.length_mm - high, 0.0))
    return min(found) if found else None
