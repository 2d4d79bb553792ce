"""Rendered scenes as files."""

from __future__ import annotations

import cv2
import numpy as np

from sample_images.scene import SCENARIOS, SceneError

_QUALITY = 92


def as_jpeg(picture: np.ndarray) -> bytes:
    """The file of a rendered picture, (H, W, 3) uint8 BGR. Raises SceneError where it cannot be encoded."""
    done, code = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not done:
        raise SceneError(f"expected a picture of {picture.shape} to encode as JPEG, got a refusal: take another width")
    return code.tobytes()


def scenes_in_turn(count: int, seed: int) -> list[tuple[int, str]]:
    """(seed, scenario) of so many pictures of all kinds: picture i has scenario i mod 8 and seed `seed` + i // 8."""
    return [(seed + i // len(SCENARIOS), SCENARIOS[i % len(SCENARIOS)]) for i in range(count)]
