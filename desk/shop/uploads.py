"""Photographs that arrive in pieces over a flaky connection: appended to, and gone on with where they broke off."""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from desk.records.errors import disk_error
from desk.shop.desk import Desk
from desk.shop.errors import Invalid, StaleForm, TooLarge
from vision.reading import Limits

_KEY = re.compile(r"[\w-]{8,80}")
_OLD_S = 7 * 24 * 3600.0


class WrongPlace(StaleForm):
    """A piece that does not begin where the last one ended; `received` says where to go on."""

    def __init__(self, received: int, offset: int) -> None:
        self.received = received
        super().__init__(
            f"expected the piece that begins at byte {received}, got the one at {offset}: go on from there"
        )


@dataclass(frozen=True)
class Part:
    """One photograph on its way in."""

    path: Path
    size_bytes: int

    @property
    def received(self) -> int:
        """How many bytes are here."""
        return self.path.stat().st_size if self.path.exists() else 0


def part_of(desk: Desk, person_id: int, assembly_id: int, key: str, size_bytes: int = 0) -> Part:
    """The part that a phone sends under its own key; nobody else's key leads to it, and no key leads to a path."""
    if not _KEY.fullmatch(key):
        raise Invalid("key", f"key: expected 8 to 80 letters, digits, dashes, got {len(key)} signs")
    most = Limits().max_bytes
    if size_bytes > most:
        raise TooLarge(f"expected at most {most / 1e6:.0f} MB, got {size_bytes / 1e6:.0f} MB: export it as JPEG")
    name = hashlib.sha256(f"{person_id}:{assembly_id}:{key}".encode()).hexdigest()
    return Part(desk.incoming / f"{name}.part", size_bytes)


@contextmanager
def appending(desk: Desk, part: Part, offset: int) -> Iterator[BinaryIO]:
    """The part's file, held by one request at a time and standing at its end."""
    if part.size_bytes < 1:
        raise Invalid("size", f"size: expected the photograph's size in bytes, got {part.size_bytes}")
    desk.store.room_for(part.size_bytes - part.received)
    try:
        stream = open(part.path, "ab")  # noqa: SIM115  closed below
    except OSError as error:
        raise disk_error(error, "a photograph", desk.incoming) from error
    with stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise WrongPlace(part.received, offset) from error
        here = os.fstat(stream.fileno()).st_size
        if offset != here:
            raise WrongPlace(here, offset)
        yield stream


def write_piece(desk: Desk, part: Part, stream: BinaryIO, piece: bytes) -> None:
    """Append; never beyond the size that was announced."""
    if stream.tell() + len(piece) > part.size_bytes:
        raise TooLarge(f"expected {part.size_bytes} bytes as announced, got more: send the photograph again")
    try:
        stream.write(piece)
    except OSError as error:
        raise disk_error(error, "a photograph", desk.incoming) from error


def sweep(desk: Desk) -> int:
    """Remove parts that nobody went on with for a week; how many."""
    old = [path for path in desk.incoming.glob("*.part") if time.time() - path.stat().st_mtime > _OLD_S]
    for path in old:
        path.unlink(missing_ok=True)
    return len(old)
