"""The median of few values, many times over: numpy's own spends a fifth of a millisecond on each call."""

from __future__ import annotations

import numpy as np


def median(values: np.ndarray) -> np.ndarray:
    """Median along the first axis of (n, ...) values without nan, n > 0; what `np.median(values, axis=0)` gives."""
    n = len(values)
    middle = np.partition(values, (n // 2,) if n % 2 else (n // 2 - 1, n // 2), axis=0)
    return middle[n // 2] if n % 2 else 0.5 * middle[n // 2 - 1] + 0.5 * middle[n // 2]
