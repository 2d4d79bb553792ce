"""Agreement of two people who judged the same places: Cohen's kappa with its interval."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from desk.statistics import Estimate

Pair = tuple[str, str]
"""What the first and the second person called one place."""

_RESAMPLES = 1000


def cohen_kappa(pairs: Sequence[Pair]) -> float | None:
    """Cohen 1960: (seen - chance) / (1 - chance); None without a pair, or where both only ever said one same word."""
    if not pairs:
        return None
    n = len(pairs)
    seen = sum(one == other for one, other in pairs) / n
    first, second = Counter(one for one, _ in pairs), Counter(other for _, other in pairs)
    chance = sum(first[label] * second[label] for label in first) / n**2
    return None if chance == 1.0 else (seen - chance) / (1 - chance)


def agreement(assemblies: Sequence[Sequence[Pair]], seed: int = 0) -> Estimate:
    """Kappa over all places with its 95 % bootstrap interval; assemblies are drawn whole, their places belong together.

    The interval needs at least two assemblies; with one it is left out.
    """
    groups = [list(group) for group in assemblies if group]
    n = sum(len(group) for group in groups)
    value = cohen_kappa([pair for group in groups for pair in group])
    if len(groups) < 2 or value is None:
        return Estimate(value, None, None, n)
    draws = _draws(groups, np.random.default_rng(seed))
    low, high = np.quantile(draws, [0.025, 0.975])
    return Estimate(value, float(low), float(high), n)


def _draws(groups: Sequence[Sequence[Pair]], rng: np.random.Generator) -> np.ndarray:
    """Kappas of assemblies drawn with replacement, (N,); draws that have none are left out.

    Assemblies with the same pairs are one kind: how often each kind is drawn is multinomial, so that a hundred
    thousand assemblies cost no more than their few hundred kinds.
    """
    labels = {
        label: i for i, label in enumerate(sorted({label for group in groups for pair in group for label in pair}))
    }
    kinds = Counter(tuple(sorted(Counter(group).items())) for group in groups)
    table = np.zeros((len(kinds), len(labels), len(labels)))
    for row, kind in enumerate(kinds):
        for (one, other), count in kind:
            table[row, labels[one], labels[other]] = count
    drawn = rng.multinomial(len(groups), np.array(list(kinds.values())) / len(groups), size=_RESAMPLES)
    counts = np.tensordot(drawn, table, axes=1)  # (draws, first, second)
    n = counts.sum((1, 2))
    seen = np.trace(counts, axis1=1, axis2=2) / n
    chance = (counts.sum(2) * counts.sum(1)).sum(1) / n**2
    some = chance < 1 - 1e-12
    return np.asarray((seen[some] - chance[some]) / (1 - chance[some]))
