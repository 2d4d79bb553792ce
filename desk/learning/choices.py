"""What an analyst may choose of a training from corrections; pages read it without opening what trains."""

from __future__ import annotations

from dataclasses import dataclass

LEAST_MIXED_IN = 16
"""Fewer generated scenes hold too few examples of what nobody corrected."""


@dataclass(frozen=True)
class TrainingChoices:
    """As is usual where nothing else is said. `weight`: how many generated lessons one correction counts as; `scenes`:
    how many generated ones are mixed in."""

    seed: int = 0
    weight: float = 3.0
    scenes: int = 96
