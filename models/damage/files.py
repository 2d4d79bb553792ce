"""Writes one file whole or not at all, and onto the disk before it takes its place."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_file(path: Path, data: bytes) -> None:
    """A reader sees the old file or the new one; a power cut or a kill in the middle leaves one of both."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise
