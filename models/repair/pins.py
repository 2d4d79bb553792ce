"""The pin map for a housing swap: cavity by cavity from the circuit list, plugs included, with boxes to tick."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from models.circuit.circuit_list import Circuit
from vision.findings import Finding, Housing, Question

TICKS = ("latch", "pull check", "secondary lock", "seal")
"""What is ticked for each cavity, in the order it is done."""


class Pin(Finding):
    """One cavity: the wire in it, or None with `plug` saying whether a plug belongs there (None: not known)."""

    cavity: str
    circuit: str | None = None
    colour: str | None = None
    size: str | None = None
    goes_to: str | None = None
    plug: bool | None = None


class PinMap(Finding):
    """One housing: its name in the list (None: not known which it is) and its cavities."""

    housing: str
    connector: str | None
    pins: tuple[Pin, ...]
    note: str


def pin_map(
    ref: str, housing: Housing | None, circuits: Sequence[Circuit], connectors: Mapping[str, str]
) -> tuple[PinMap, Question | None]:
    """The pin map of the housing `ref`, and the question that is open while it is not known which connector it is."""
    names = connectors_of(circuits)
    connector = connectors.get(ref) or (names[0] if len(names) == 1 else None)
    cavities = housing.cavities if housing is not None else None
    if connector is None or connector not in names:
        note = "Write down each cavity before its wire is moved: circuit list missing or housing not named in it."
        blank = tuple(Pin(cavity=str(i)) for i in range(1, (cavities or 12) + 1))
        asked = Question(
            ask=f"{ref}: which connector of the circuit list is it{f': {_choice(names)}' if names else ''}?",
            why="The pin map is taken from the circuit list.",
            changes="housing: which wire belongs in which cavity",
        )
        return PinMap(housing=ref, connector=None, pins=blank, note=note), asked if circuits else None
    taken = _taken(circuits, connector)
    numbered = all(pin.cavity.isdecimal() for pin in taken)
    if cavities is None or not numbered or len(taken) > cavities:
        note = "Cavities that are not in the circuit list: look whether each holds a plug, and carry it over."
        return PinMap(housing=ref, connector=connector, pins=taken, note=note), None
    held = {pin.cavity for pin in taken}
    spare = [Pin(cavity=str(i), plug=True) for i in range(1, cavities + 1) if str(i) not in held]
    pins = tuple(sorted([*taken, *spare], key=lambda pin: int(pin.cavity)))
    note = "Cavities without a circuit take a plug where the housing is sealed."
    return PinMap(housing=ref, connector=connector, pins=pins, note=note), None


def connectors_of(circuits: Sequence[Circuit]) -> list[str]:
    """Connectors of the list that have cavities: housings, and not rings or splices."""
    return sorted({name for c in circuits for name, cavity in c.ends() if cavity is not None})


def ends_of_list(circuits: Sequence[Circuit]) -> list[str]:
    """Everything that wires of the list end in, rings among them."""
    return sorted({name for c in circuits for name, _ in c.ends()})


def _choice(names: Sequence[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} or {last}" if first else last


def _taken(circuits: Sequence[Circuit], connector: str) -> tuple[Pin, ...]:
    pins = []
    for circuit in circuits:
        ends = circuit.ends()
        for (name, cavity), (far, far_cavity) in (ends, ends[::-1]):
            if name == connector and cavity is not None:
                goes_to = f"{far}:{far_cavity}" if far_cavity else far
                pins.append(
                    Pin(
                        cavity=cavity,
                        circuit=circuit.circuit,
                        colour=circuit.colour,
                        size=circuit.size.says(),
                        goes_to=goes_to,
                        plug=False,
                    )
                )
    return tuple(sorted(pins, key=_cavity_order))


def _cavity_order(pin: Pin) -> tuple[int, int, str]:
    return (0, int(pin.cavity), "") if pin.cavity.isdecimal() else (1, 0, pin.cavity)
