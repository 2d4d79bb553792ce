"""The demonstration: the morning's intake of an invented rebuild shop, one photograph of each kind of damage."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from desk import parallel
from desk.errors import DeskError
from desk.samples import write_scene
from sample_images.scene import SCENARIOS, SceneError, SceneSettings

SHOP = "Lantern Yard rebuild shop (invented): the morning's intake"
WIDTH_PX = 1800
_TRIES = 5


def make_demo_photos(out: Path, seed: int, on_progress: Callable[..., None] | None = None) -> list[Path]:
    """One photograph of each scenario on a mat, with its truth file."""
    if on_progress:
        on_progress(total=len(SCENARIOS))
    paths = []
    for path in parallel.pool_map(partial(_photo, out, seed), SCENARIOS, parallel.workers_for(len(SCENARIOS)), 1):
        paths.append(path)
        if on_progress:
            on_progress()
    return paths


def _photo(out: Path, seed: int, scenario: str) -> Path:
    """A seed whose damage lies hidden is passed over for the next."""
    settings = SceneSettings(width_px=WIDTH_PX, no_mat_share=0.0)
    last: SceneError | None = None
    for attempt in range(seed, seed + _TRIES):
        try:
            return write_scene(out, settings, (attempt, scenario))
        except SceneError as error:
            last = error
    raise DeskError(f"demo: {last}: choose another --seed")
