"""What a finder taught from corrections forgets and gains, and which part of a model a loss comes from.

    python tests/benchmarks/forgetting.py DATA [FRESH [VERSION]]

DATA is a desk's folder with a corrected set; its newest one is learnt from, with the generated scenes that a training
kept there (24 where there are none). Prints the log loss on what was kept out for each price of a
change of weights, then log loss and accuracy (the mean over classes) of the shipped finder and of the taught one
on FRESH (10) crowded scenes that neither saw. With the VERSION of a model kept on that desk: how well it names places
of FRESH usual scenes with its own finder and namers, and with either of them exchanged for the shipped one.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from desk.assess import findings_of
from desk.finder_training import around
from desk.learning.cells import kept_cells, look_at_reviewed
from desk.learning.compare import _answer, fresh_scenes
from desk.learning.finder import teach_finder
from desk.learning.finder_kept import Losses
from desk.learning.finder_rows import CellSettings
from desk.learning.generated import generated_lessons
from desk.learning.model_shelf import folder_of
from desk.learning.shelf import Shelf, find_snapshot
from desk.learning.sides import split
from desk.recognition import seen_by
from desk.records.photo_store import PhotoStore
from desk.statistics import macro_f1
from desk.training_set import CellLesson, SceneJob, cells_of
from models.damage.finder import Finder
from models.damage.store import load_model
from models.repair import load_rules
from sample_images.scene import SCENARIOS
from vision.cells import FEATURE_VERSION
from vision.layout import builtin_layouts
from vision.sight import first_look

CROWDED_SEED, USUAL_SEED = 910_000, 920_000
"""Seeds that no model learnt from."""


def main(data: str, fresh: int, version: str | None) -> None:
    """Teach, then hold both finders against fresh scenes; then exchange parts of a kept model."""
    shelf, base, layouts = Shelf(Path(data)), load_model(), builtin_layouts()
    photos = split(find_snapshot(shelf, None)).learn
    folds = split(find_snapshot(shelf, None)).folds()
    kept = shelf.lessons / f"generated-{FEATURE_VERSION}-{base.card['content_sha256'][:12]}"
    scenes = len([*kept.glob("*.lessons.npz")]) or 24
    mixed = generated_lessons(base, layouts, shelf.lessons, scenes, 1)
    eye = base.finder.eye
    reviewed = kept_cells(shelf.lessons, eye)
    cells = look_at_reviewed(photos, PhotoStore(shelf.data / "photos"), layouts, reviewed, 1, eye).cells
    crowded = [SceneJob(SCENARIOS[k % len(SCENARIOS)], CROWDED_SEED + k, None, 4) for k in range(fresh)]
    looks = [
        cells_of(seen_by(first_look(photo, layouts), eye), truth) for photo, truth in (job.load() for job in crowded)
    ]
    print(f"{len(cells)} corrected photographs, {scenes} generated scenes, {fresh} fresh ones", flush=True)
    print(say("shipped", base.finder, looks), flush=True)
    start = time.process_time()
    learnt = [(cells[p.sha256], folds[p.assembly]) for p in photos if p.sha256 in cells]
    taught = teach_finder(base.finder, learnt, mixed.cells, CellSettings(), 0)
    print(f"before: {_said(taught.kept.before)}")
    for ridge, one in taught.kept.losses.items():
        mark = "  <- kept" if ridge == taught.kept.ridge else ""
        print(f"  ridge {ridge:6g}: {_said(one)}{mark}")
    print(f"{say('taught', taught.final, looks)}; {time.process_time() - start:.0f} s of processor time", flush=True)
    if version is not None:
        own = load_model(folder_of(shelf, version))
        exchanged(
            {
                "shipped finder, shipped namers": base,
                "its finder, shipped namers": replace(base, finder=own.finder),
                "shipped finder, its namers": replace(own, finder=base.finder),
                "its finder, its namers": own,
                "finder taught now, shipped namers": replace(base, finder=taught.final),
            },
            fresh,
        )


def say(name: str, finder: Finder, lessons: list[CellLesson]) -> str:
    """A finder's figures on cells whose classes are known."""
    p = np.concatenate([finder.probabilities(s.features, around(s)) for s in lessons])
    y = np.concatenate([s.classes for s in lessons])
    at = [(y == c).nonzero()[0] for c in np.unique(y[y >= 0])]
    loss = np.mean([-np.log(np.maximum(p[rows, y[rows]], 1e-6)).mean() for rows in at])
    accuracy = np.mean([(p[rows].argmax(axis=1) == y[rows]).mean() for rows in at])
    return f"{name}: log loss {loss:.3f}, accuracy {accuracy:.3f}"


def _said(losses: Losses) -> str:
    """Both losses; a dash where there was nothing to ask."""
    told = ("–" if one is None else f"{one:.3f}" for one in (losses.generated, losses.corrected))
    return "generated {}, corrected {}".format(*told)


def exchanged(models: dict, fresh: int) -> None:
    """How well places of usual scenes are named by each of the models."""
    rules, places, found = load_rules(), {name: [] for name in models}, dict.fromkeys(models, 0)
    false, total = dict.fromkeys(models, 0), 0
    for case in fresh_scenes(fresh, USUAL_SEED):
        photo, truth = case.scene.load()
        look = first_look(photo, builtin_layouts())
        total += len(truth.regions)
        for name, model in models.items():
            answer = _answer(truth, findings_of(look, model, rules), case, rules)
            places[name] += answer.places
            found[name] += answer.found
            false[name] += answer.false
    for name in models:
        told = f"found {found[name]} of {total}, {false[name]} false"
        print(f"{name}: macro-F1 of places {macro_f1(places[name]):.3f}, {told}", flush=True)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    with threadpool_limits(1):
        main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 10, sys.argv[3] if len(sys.argv) > 3 else None)
