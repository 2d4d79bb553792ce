"""Writes bench photographs whose truth is known, each with its truth file beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from desk.errors import DeskError
from desk.files import write_whole
from sample_images.saving import as_jpeg, write_samples
from sample_images.scene import SCENARIOS, SceneError, SceneSettings, render_scene


def make_samples(
    out: Path,
    count: int,
    seed: int,
    width: int | None = None,
    scenario: str | None = None,
    on_progress: Callable[..., None] | None = None,
) -> list[Path]:
    """`count` photographs of all kinds of damage in turn, or of one `scenario` with seeds `seed`, `seed` + 1, ..."""
    try:
        settings = SceneSettings() if width is None else SceneSettings(width_px=width)
        if scenario is None:
            return write_samples(count, seed, out, progress=on_progress, settings=settings)
        if scenario not in SCENARIOS:
            raise DeskError(f"--scenario: expected one of {', '.join(SCENARIOS)}, got {scenario}: choose one of these")
        scenes = ((seed + i, scenario) for i in range(count))
        return write_scenes(out, scenes, settings, on_progress)
    except SceneError as error:
        raise DeskError(f"samples: {error}") from error


def write_scenes(
    out: Path,
    scenes: Iterable[tuple[int, str]],
    settings: SceneSettings,
    on_progress: Callable[..., None] | None = None,
) -> list[Path]:
    """Render and write the scenes (seed, scenario); the truth first, so that no photograph lies there without one."""
    paths = []
    for seed, scenario in scenes:
        picture, truth = render_scene(seed, scenario, settings)
        path = out / truth.photo
        write_whole(path.with_suffix(".json"), truth.model_dump_json())
        write_whole(path, as_jpeg(picture))
        paths.append(path)
        if on_progress:
            on_progress()
    return paths
