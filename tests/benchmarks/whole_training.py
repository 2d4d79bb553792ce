"""The whole of `retrain --from-samples` in small, from the first scene to a model that loads: some ten minutes.

    python tests/benchmarks/whole_training.py [--twice]

Thirty-two scenes 600 px wide and a few steps of every fit: the model is worth nothing, but each step of a training of
many hours has run on what the step before it makes. `--twice` trains again and compares: the same seed, the same model.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

import desk.training_set
from desk.retrain import recorded, train
from desk.train_plan import TrainSettings, jobs_for
from desk.training_set import SceneLesson
from models.damage.eye_training import EyeSettings
from models.damage.lessons import LESSONS_FILE, save_lessons
from models.damage.shell_eye_training import ShellEyeSettings
from models.damage.store import content_hash, load_model, save_model
from sample_images.scene import SceneSettings, render_scene
from sample_images.truth import Truth

SMALL = TrainSettings(
    scenes=32,
    epochs=1,
    first_members=1,
    second_members=1,
    eye=EyeSettings(steps=6, cells=64),
    shell_eye=ShellEyeSettings(steps=4, windows=8),
    workers=1,  # scenes are made small in this process alone
)
WIDTH_PX = 600


def small_scene(seed: int, scenario: str, settings: SceneSettings) -> tuple[np.ndarray, Truth]:
    """The scene as a small picture."""
    return render_scene(seed, scenario, replace(settings, width_px=WIDTH_PX))


def trained(folder: Path) -> str:
    """Train, write and read again; the model's content hash."""
    begun, step = time.monotonic(), ""
    found: list[SceneLesson] = []

    def show(now: str, _done: int, of: int) -> None:
        nonlocal step
        if now != step:
            step = now
            print(f"{time.monotonic() - begun:6.0f} s  {now} ({of})", flush=True)

    with patch.object(desk.training_set, "render_scene", small_scene):
        model = train(jobs_for(SMALL), SMALL, show, found.extend)
    save_model(model, folder)
    save_lessons(recorded(found), content_hash(model), folder / LESSONS_FILE)
    again = load_model(folder)
    assert content_hash(again) == content_hash(model)
    print(f"{time.monotonic() - begun:6.0f} s  {again.card['version']} from {len(found)} scenes with candidates")
    return content_hash(again)


def main() -> None:
    """Once, or twice and compared."""
    with tempfile.TemporaryDirectory() as folder:
        hashes = {trained(Path(folder)) for _ in range(2 if "--twice" in sys.argv else 1)}
    if len(hashes) > 1:
        raise SystemExit(f"the same seed gave two models: {sorted(hashes)}")


if __name__ == "__main__":
    main()
