"""Tells pictures made by one state of the scenes' code from those of another: the same seed may show another scene."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import PIL

import vision.layout


@lru_cache(maxsize=1)
def edition() -> str:
    """`scenes-` and eight hex digits of all that makes a scene's pixels: the code, the mats, the libraries that draw.

    A comment changes it, too: pictures are made again rather than taken for what they are not.
    """
    digest = hashlib.sha256(f"{np.__version__} {cv2.__version__} {PIL.__version__}".encode())
    own, seeing = Path(__file__).parent, Path(vision.layout.__file__).parent
    drawing = [seeing / f"{name}.py" for name in ("layout", "layout_file", "layout_raster")]
    mats = sorted(path for path in (seeing / "layouts").iterdir() if path.is_file())
    for path in (*sorted(own.glob("*.py")), *mats, *drawing):
        digest.update(path.name.encode() + path.read_bytes())
    return f"scenes-{digest.hexdigest()[:8]}"
