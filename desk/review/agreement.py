"""Agreement of two people who judged the same places: Cohen's kappa with its interval."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from desk.statistics import Estimate, bootstrap

Pair = tuple[str, str]
"""What the first and the second person called one place."""


def cohen_kappa(pairs: Sequence[Pair]) -> float | None:
    """Cohen 1960: (seen - chance) / (1 - chance); None without a pair, or where both only ever said one same word."""
    if not pairs:
        return None
    n = len(pairs)
    seen = sum(one == other for one, other in pairs) / n
    first, second = Counter(one for one, _ in pairs), Counter(other for _, other in pairs)
    chance = sum(first[label] * second[label] for label in first) / n**2
    return None if chance == 1.0 else (seen - chance) / (1 - chance)


def agreement(assemblies: Sequence[Sequence[Pair]]) -> Estimate:
    """Kappa over all places with its 95 % bootstrap interval; assemblies are drawn whole, their places belong together.

    The interval needs at least two assemblies; with one it is left out.
    """
    groups = [list(group) for group in assemblies if group]
    n = sum(len(group) for group in groups)

    def kappa(picked: Sequence[Sequence[Pair]]) -> float | None:
        return cohen_kappa([pair for group in picked for pair in group])

    if len(groups) < 2:
        return Estimate(kappa(groups), None, None, n)
    return bootstrap(groups, kappa, n_cases=n)
