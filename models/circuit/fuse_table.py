"""Blade fuses: standard ratings, colours by body, and the time limits within which a fuse opens."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np

from models.circuit.errors import CircuitError, UnknownFuseError

_TABLE: dict[str, Any] = tomllib.loads(resources.files("models.circuit").joinpath("fuse_table.toml").read_text("utf-8"))
TRACING_LEAD_SHARE: float = _TABLE["tracing_lead"]["share"]
TRACING_LEAD_SOURCE: str = _TABLE["tracing_lead"]["source"]
_LATEST_FOR: str = _TABLE["gates"]["latest_for"]
GATES_SOURCE: str = _TABLE["gates"]["source"] + (" (from memory)" if _TABLE["gates"]["from_memory"] else "")


@dataclass(frozen=True)
class Fuse:
    """One blade fuse: rating, and its colour in each body it is made in, as (body, colour) pairs."""

    rating_a: float
    colours: tuple[tuple[str, str], ...]
    source: str

    @property
    def made_large_too(self) -> bool:
        """Whether this rating is made in the standard body, whose times are taken, and in the slower large one."""
        return {_LATEST_FOR, "large"} <= {body for body, _ in self.colours}

    def says(self) -> str:
        """`10 A (red)`, `20 A (yellow)`, `50 A (red, large body)`."""
        seen = dict.fromkeys(colour + (", large body" if body == "large" else "") for body, colour in self.colours)
        first = next(iter(seen))
        return f"{self.rating_a:g} A ({first})"


@dataclass(frozen=True)
class Gate:
    """At `share` of the rating a fuse holds for at least `least_s` and opens within `most_s`; None: it need not."""

    share: float
    least_s: float
    most_s: float | None


GATES: tuple[Gate, ...] = tuple(Gate(g["share"], g["least_s"], g.get("most_s")) for g in _TABLE["gates"]["gate"])
"""Standard time limits, by rising share of the rating."""


def _fuses() -> dict[float, Fuse]:
    colours: dict[float, list[tuple[str, str]]] = {}
    sources: dict[float, str] = {}
    for body in _TABLE["body"]:
        for row in body["fuses"]:
            colours.setdefault(row["a"], []).append((body["name"], row["colour"]))
            sources[row["a"]] = body["source"] + (" (from memory)" if row.get("from_memory") else "")
    return {rating: Fuse(rating, tuple(colours[rating]), sources[rating]) for rating in sorted(colours)}


_FUSES = _fuses()
STANDARD_RATINGS_A: tuple[float, ...] = tuple(_FUSES)
"""Every rating a blade fuse is made in, smallest first."""


def fuse(rating_a: float) -> Fuse:
    """The blade fuse of this rating; UnknownFuseError, naming its neighbours, where none is made."""
    if rating_a in _FUSES:
        return _FUSES[rating_a]
    below = [f"{r:g}" for r in STANDARD_RATINGS_A if r < rating_a][-1:]
    above = [f"{r:g}" for r in STANDARD_RATINGS_A if r > rating_a][:1]
    near = " or ".join(below + above) or "a standard rating"
    raise UnknownFuseError(f"fuse rating: expected {near} A, got {rating_a:g} A, which no blade fuse has")


def largest_standard_at_most(current_a: float) -> float:
    """The largest standard rating that does not exceed `current_a`; CircuitError where even the smallest does."""
    fitting = [rating for rating in STANDARD_RATINGS_A if rating <= current_a * (1 + 1e-9)]
    if not fitting or not math.isfinite(current_a):
        least = STANDARD_RATINGS_A[0]
        raise CircuitError(f"fuse rating: expected a current of at least {least:g} A, got {current_a:g} A")
    return fitting[-1]


def tracing_lead_rating(circuit_rating_a: float) -> float:
    """Fuse for a tracing lead: 75 % of the circuit's rating, then the next standard rating at or below.

    Common practice of the trade, no published source: 10 A gives 7.5 A.
    """
    return largest_standard_at_most(TRACING_LEAD_SHARE * fuse(circuit_rating_a).rating_a)


def opening_band_s(rating_a: float, current_a: float) -> tuple[float, float | None]:
    """Least and most time (s) in which a sound fuse opens at this current; most None: no latest time is known.

    More current never opens it later, so between two gates it holds at least as long as the higher gate says; above
    the last gate nothing is said (0 s). Its longest time bends upward towards small currents, so between gates it
    stays below the straight line, log-log, that joins them.
    """
    found = fuse(rating_a)
    share = current_a / found.rating_a * (1 + 1e-12)
    least = next((gate.least_s for gate in GATES if gate.share * (1 + 1e-9) >= share), 0.0)
    closing = [(gate.share, gate.most_s) for gate in GATES if gate.most_s is not None]
    timed = _LATEST_FOR in dict(found.colours) and share >= closing[0][0]
    return least, _on_the_line(share, closing) if timed else None


def _on_the_line(share: float, points: list[tuple[float, float]]) -> float:
    """Time at `share` on the log-log polyline through `points`, held constant after the last."""
    logs = [(math.log(x), math.log(t)) for x, t in points]
    return math.exp(float(np.interp(math.log(share), [x for x, _ in logs], [t for _, t in logs])))
