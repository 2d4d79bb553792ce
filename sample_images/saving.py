"""Writes rendered scenes as photographs with their truth files."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from sample_images.scene import SCENARIOS, SceneError, SceneSettings, render_scene

_QUALITY = 92


def as_jpeg(picture: np.ndarray) -> bytes:
    """The file of a rendered picture, (H, W, 3) uint8 BGR. Raises SceneError where it cannot be encoded."""
    done, code = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not done:
        raise SceneError(f"expected a picture of {picture.shape} to encode as JPEG, got a refusal: take another width")
    return code.tobytes()


def write_samples(
    count: int,
    seed: int,
    out_dir: Path,
    progress: Callable[[int, int, str], None] | None = None,
    settings: SceneSettings | None = None,
) -> list[Path]:
    """Write `count` pictures and their truth: picture i has scenario i mod 8 and seed `seed` + i // 8."""
    out_dir.mkdir(parents=True, exist_ok=True)
    paths = []
    for i in range(count):
        scenario = SCENARIOS[i % len(SCENARIOS)]
        picture, truth = render_scene(seed + i // len(SCENARIOS), scenario, settings)
        path = out_dir / truth.photo
        _write_whole(path.with_suffix(".json"), json.dumps(truth.model_dump(), separators=(",", ":")).encode())
        _write_whole(path, as_jpeg(picture))
        paths.append(path)
        if progress is not None:
            progress(i + 1, count, path.name)
    return paths


def _write_whole(path: Path, data: bytes) -> None:
    """Write beside and rename, so that nobody reads half a file."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    with os.fdopen(handle, "wb") as file:
        file.write(data)
    os.replace(name, path)
