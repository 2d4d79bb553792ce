"""Brings an uploaded file onto the disk of the records, where it can be moved into the store."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from desk.records.errors import disk_error
from desk.shop.desk import Desk


@contextmanager
def spooled(desk: Desk, stream: IO[bytes]) -> Iterator[Path]:
    """The stream's content as a file of its own; gone afterwards unless it was moved away."""
    desk.store.room_for(0)
    try:
        with tempfile.NamedTemporaryFile(dir=desk.incoming, prefix="form-", delete=False) as file:
            path = Path(file.name)
            shutil.copyfileobj(stream, file)
    except OSError as error:
        raise disk_error(error, "a photograph", desk.incoming) from error
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)
