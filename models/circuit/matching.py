"""Which circuit of the list each traced wire is: one assignment for all wires together, and what stays ambiguous."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.circuit.circuit_list import Circuit
from vision.findings import Question, Wire

# Costs are minus the logarithm of how likely the sight is if the wire is that circuit; the shares are our estimate of
# what tracing gets right, and only their order of size matters
_COLOUR_RIGHT, _STRIPE_MISSED, _COLOUR_WRONG = 0.6, 0.5, 0.03
_SIZE_LEAST, _SIZE_UNSEEN = 0.02, 0.1
_TOO_LONG = 0.02  # traced longer than the list says, beyond uncertainty and a twentieth
_OTHER_CONNECTOR = 0.005
_NOT_LISTED = -math.log(0.6 * 0.1 * 0.02)  # a wire that fits no circuit better than this is none of the list
_FORBIDDEN = 1e6
_CLEAR = math.log(15.0)
"""Another circuit is ruled out when taking it makes the whole assignment this much less likely (15 times)."""

Ends = Mapping[str, Sequence[tuple[str, str]]]


@dataclass(frozen=True)
class Match:
    """One traced wire: its circuit, or None with the circuits it may be. `listed` False: it fits none of them."""

    wire_id: str
    circuit: str | None
    candidates: tuple[str, ...]
    listed: bool


@dataclass(frozen=True)
class Matching:
    """Every wire's match, circuits no wire was found for, and what only a person can say."""

    matches: tuple[Match, ...]
    unseen: tuple[str, ...]
    questions: tuple[Question, ...]

    def circuit_of(self, wire_id: str) -> str | None:
        """The circuit of a wire; None where it is ambiguous, in no list, or not known."""
        return next((m.circuit for m in self.matches if m.wire_id == wire_id), None)


def match_wires(
    wires: Sequence[Wire],
    circuits: Sequence[Circuit],
    connectors: Mapping[str, str] | None = None,
    cavities: Ends | None = None,
) -> Matching:
    """Match traced wires with listed circuits by colour, size, length, connector and cavity; each circuit once.

    connectors : which connector of the list each traced termination is, by termination id. cavities : (connector,
    cavity) pairs read at the bench, by wire id: these are taken as certain.
    """
    if not wires:
        return Matching((), tuple(c.circuit for c in circuits), ())
    costs = np.array([[_cost(w, c, connectors or {}, (cavities or {}).get(w.id, ())) for c in circuits] for w in wires])
    costs = costs.reshape(len(wires), len(circuits))
    matches = tuple(_match(row, wires, circuits, costs) for row in range(len(wires)))
    taken = {name for match in matches for name in match.candidates}
    unseen = tuple(c.circuit for c in circuits if c.circuit not in taken)
    return Matching(matches, unseen, tuple(_question(w, m) for w, m in zip(wires, matches, strict=True) if _open(m)))


def _match(row: int, wires: Sequence[Wire], circuits: Sequence[Circuit], costs: np.ndarray) -> Match:
    best = _total(costs)
    fits = [
        column
        for column in range(len(circuits))
        # leaving this wire out costs at most _NOT_LISTED, so a dearer pair cannot come within reach of the best
        if costs[row, column] - _NOT_LISTED <= _CLEAR and _total(costs, row, column) - best <= _CLEAR
    ]
    names = tuple(circuits[column].circuit for column in fits)
    without = _total(np.delete(costs, row, axis=0)) + _NOT_LISTED - best
    listed = bool(fits)
    certain = len(fits) == 1 and without > 1e-9
    return Match(wires[row].id, names[0] if certain else None, names, listed)


def _total(costs: np.ndarray, row: int | None = None, column: int | None = None) -> float:
    """Least cost of the whole assignment, each wire with a circuit of its own or none; one pair forced if given."""
    if row is not None and column is not None:
        rest = np.delete(np.delete(costs, row, axis=0), column, axis=1)
        return float(costs[row, column]) + _total(rest)
    if not len(costs):
        return 0.0
    unlisted = np.where(np.eye(len(costs), dtype=bool), _NOT_LISTED, _FORBIDDEN)
    whole = np.hstack([costs, unlisted])
    chosen = linear_sum_assignment(whole)
    return float(whole[chosen].sum())


def _cost(wire: Wire, circuit: Circuit, connectors: Mapping[str, str], read: Sequence[tuple[str, str]]) -> float:
    if any(place not in circuit.ends() for place in read):
        return _FORBIDDEN
    seen = _colour(wire.colour, circuit.colour) * _size(wire, circuit)
    if wire.length_mm is not None and wire.length_mm.value - wire.length_mm.u95 > 1.05 * circuit.length_mm:
        seen *= _TOO_LONG
    for end in wire.ends:
        if end is not None and end in connectors and connectors[end] not in (circuit.from_, circuit.to):
            seen *= _OTHER_CONNECTOR
    # a cavity that was read is certain, whatever the photograph seemed to show
    return min(-math.log(seen), _NOT_LISTED - _CLEAR - 1) if read else -math.log(seen)


def _colour(seen: str, listed: str) -> float:
    one, other = (code.replace("GNYE", "GN/YE") for code in (seen, listed))
    if one == other:
        return _COLOUR_RIGHT
    return _STRIPE_MISSED if one == other.split("/")[0] else _COLOUR_WRONG


def _size(wire: Wire, circuit: Circuit) -> float:
    if not wire.size_candidates_mm2:
        return _SIZE_UNSEEN
    fitting = [c.p for c in wire.size_candidates_mm2 if math.isclose(c.size, circuit.size.mm2, rel_tol=0.1)]
    return max([_SIZE_LEAST, *fitting])


def _open(match: Match) -> bool:
    return match.listed and match.circuit is None


def _question(wire: Wire, match: Match) -> Question:
    likeliest = max(wire.size_candidates_mm2, key=lambda c: c.p, default=None)
    size = f", about {likeliest.size:g} mm²" if likeliest else ""
    named = " or ".join(match.candidates)
    if len(match.candidates) == 1:
        ask = f"Is wire {wire.id} ({wire.colour}{size}) circuit {named}, or in no list? Read its cavity at either end."
    else:
        ask = f"Which circuit is wire {wire.id} ({wire.colour}{size}): {named}? Read its cavity at either end."
    why = "Colour, size and connector fit more than one reading of the circuit list."
    return Question(ask=ask, why=why, changes="circuit list: size, fuse, length and class of this wire")
