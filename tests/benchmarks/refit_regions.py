"""How long the namer takes to learn from 10 000 regions on two cores; the lessons are drawn."""

import time

import numpy as np

from models.damage.lessons import Lessons
from models.damage.refit import refit_namer

LABELS = ("external_heat", "electrical_overload", "rodent", "abrasion", "earlier_repair", "sound")
REGIONS, FEATURES, LIMIT_S = 10_000, 260, 60


def lessons(count: int) -> Lessons:
    """Thirty telling features among many: a forest gets three in four right."""
    rng = np.random.default_rng(0)
    y = rng.integers(0, len(LABELS), count)
    x = rng.normal(size=(count, FEATURES))
    x[:, :30] += 0.4 * rng.normal(size=(len(LABELS), 30))[y]
    groups = np.array([f"a{k}" for k in rng.integers(0, count // 4, count)])
    return Lessons(
        tuple(f"f{i}" for i in range(FEATURES)), x.astype(np.float32), np.array(LABELS)[y], groups, np.ones(count)
    )


if __name__ == "__main__":
    drawn = lessons(REGIONS)
    start = time.perf_counter()
    done = refit_namer(LABELS, drawn, 0, workers=2)
    seconds = time.perf_counter() - start
    right = float((np.array(LABELS)[done.held_out.argmax(axis=1)] == drawn.labels).mean())
    print(
        f"{REGIONS} regions of {FEATURES} features: {seconds:.0f} s (limit {LIMIT_S} s), right out of fold {right:.0%}"
    )
