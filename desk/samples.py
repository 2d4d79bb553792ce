"""Writes bench photographs whose truth is known, each with its truth file beside it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from desk import parallel
from desk.errors import DeskError
from desk.files import write_whole
from sample_images.saving import as_jpeg, scenes_in_turn
from sample_images.scene import SCENARIOS, SceneError, SceneSettings, render_scene


def make_samples(
    out: Path,
    count: int,
    seed: int,
    width: int | None = None,
    scenario: str | None = None,
    on_progress: Callable[..., None] | None = None,
    workers: int | None = None,
) -> list[Path]:
    """`count` photographs of all kinds of damage in turn, or of one `scenario` with seeds `seed`, `seed` + 1, ...

    workers : processes that render, None for as many as are worth starting; the files are the same to the byte
    """
    if scenario is not None and scenario not in SCENARIOS:
        raise DeskError(f"--scenario: expected one of {', '.join(SCENARIOS)}, got {scenario}: choose one of these")
    scenes = scenes_in_turn(count, seed) if scenario is None else [(seed + i, scenario) for i in range(count)]
    paths = []
    try:
        settings = SceneSettings() if width is None else SceneSettings(width_px=width)
        write = partial(write_scene, out, settings)
        for path in parallel.pool_map(write, scenes, workers or parallel.workers_for(count), 1):
            paths.append(path)
            if on_progress:
                on_progress()
    except SceneError as error:
        raise DeskError(f"samples: {error}") from error
    return paths


def write_scene(out: Path, settings: SceneSettings, scene: tuple[int, str]) -> Path:
    """Render and write a scene (seed, scenario); the truth first, so that no photograph lies there without one."""
    picture, truth = render_scene(*scene, settings)
    path = out / truth.photo
    write_whole(path.with_suffix(".json"), truth.model_dump_json())
    write_whole(path, as_jpeg(picture))
    return path
