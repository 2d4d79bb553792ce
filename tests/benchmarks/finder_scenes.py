"""How well finders taught on more and more scenes tell damaged cells on scenes that they did not see.

    python tests/benchmarks/finder_scenes.py KEPT [COUNT...]

KEPT is the folder of `loomtriage retrain --from-samples --keep KEPT`. Prints the average precision of each damage's
cells (area under precision against recall) and their mean: finders of 80, 160 and 320 scenes of one fold, or of the
COUNTs given, tested on every third scene of the other.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from functools import partial

import numpy as np
from sklearn.metrics import average_precision_score

from desk.cell_truth import CELL_CLASSES
from desk.finder_training import around, fit_passes
from desk.parallel import pool_map
from desk.train_plan import TrainSettings, fold_of, jobs_for
from desk.training_set import cell_lesson
from models.damage.store import load_model
from sample_images.scene import SCENARIOS
from vision.layout import builtin_layouts

DAMAGES = CELL_CLASSES[CELL_CLASSES.index("external_heat") :]


def main(folder: str, counts: list[int]) -> None:
    """Look at the scenes, fit, print a line for each count."""
    settings = TrainSettings(folder=folder)
    jobs = jobs_for(settings)
    mine = [j for i, j in enumerate(jobs) if fold_of(i) == 0]
    if max(counts) > len(mine):
        raise SystemExit(f"expected at most {len(mine)} scenes, got {max(counts)}")
    mine = mine[: max(counts)]
    other = [j for i, j in enumerate(jobs) if fold_of(i) == 1][: max(counts) : 3]
    looked = [
        *pool_map(
            partial(cell_lesson, layouts=builtin_layouts(), eye=load_model().finder.eye),
            [*mine, *other],
            settings.workers,
        )
    ]
    taught, held_out = looked[: len(mine)], [s for s in looked[len(mine) :] if len(s.classes)]
    y = np.concatenate([s.classes for s in held_out])
    for count in counts:
        start = time.process_time()
        # whole rounds of scenarios, evenly through the list
        rounds = np.linspace(0, len(mine) // len(SCENARIOS) - 1, count // len(SCENARIOS)).round().astype(int)
        chosen = [taught[r * len(SCENARIOS) + k] for r in rounds for k in range(len(SCENARIOS))]
        passes = fit_passes([s for s in chosen if len(s.classes)], replace(settings, scenes=count))
        p = np.concatenate([passes.probabilities(np.asarray(s.features), around(s)) for s in held_out])
        known = y >= 0
        each = [average_precision_score((y == CELL_CLASSES.index(d))[known], p[known, CELL_CLASSES.index(d)])
                for d in DAMAGES]  # fmt: skip
        told = ", ".join(f"{d} {a:.2f}" for d, a in zip(DAMAGES, each, strict=True))
        took = time.process_time() - start
        print(f"{count:5d} scenes: {np.mean(each):.3f} ({told}); {took:.0f} s to fit", flush=True)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(sys.argv[1], [int(n) for n in sys.argv[2:]] or [80, 160, 320])
