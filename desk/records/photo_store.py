"""Photographs on disk, each once, under the hash of its content."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from desk.records.errors import DiskFull, PhotoAltered, PhotoMissing, disk_error

_SHA256 = re.compile(r"[0-9a-f]{64}")
_SUFFIX = re.compile(r"\.[a-z0-9]{1,6}")
_BLOCK = 1 << 20
SPARE_BYTES = 200_000_000
"""Room that stays free for the database: a photograph is refused before rows cannot be written any more."""


@dataclass(frozen=True)
class PhotoStore:
    """The folder of photographs: `ab/abcdef….jpg`. A file in it is whole, on disk, and never changed."""

    folder: Path

    def path(self, sha256: str, suffix: str) -> Path:
        """Where a photograph lies; only hashes and plain suffixes make a path, so no name leads out of the folder."""
        if not _SHA256.fullmatch(sha256) or not _SUFFIX.fullmatch(suffix):
            raise PhotoMissing(f"expected a photograph's SHA-256 and suffix, got {sha256[:80]!r} {suffix[:20]!r}")
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def has(self, sha256: str, suffix: str) -> bool:
        """Whether the photograph's file is there."""
        return self.path(sha256, suffix).is_file()

    def take_in(self, file: Path, sha256: str, suffix: str) -> Path:
        """Move a complete file into the store; once this returns it survives a power cut. The same again is fine."""
        target = self.path(sha256, suffix)
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with open(file, "rb") as stream:
                os.fsync(stream.fileno())
            os.replace(file, target)
            _sync_folder(target.parent)
            _sync_folder(self.folder)
        except OSError as error:
            raise disk_error(error, "a photograph", self.folder) from error
        return target

    def checked(self, sha256: str, suffix: str) -> Path:
        """The photograph's path after its content was held against its hash."""
        path = self.path(sha256, suffix)
        try:
            found = hash_of(path)
        except FileNotFoundError as error:
            raise PhotoMissing(
                f"expected the photograph {sha256[:12]}… in {self.folder}, got no file: bring it back from a backup"
            ) from error
        if found != sha256:
            raise PhotoAltered(
                f"expected the photograph {sha256[:12]}… as it was stored, got a file altered since "
                f"(its hash is now {found[:12]}…): bring it back from a backup"
            )
        return path

    def room_for(self, size_bytes: int) -> None:
        """Raise DiskFull unless so many bytes fit and the database keeps room of its own."""
        free = shutil.disk_usage(self.folder).free
        if free < size_bytes + SPARE_BYTES:
            raise DiskFull(
                f"expected room for a photograph of {size_bytes / 1e6:.0f} MB beside {SPARE_BYTES / 1e6:.0f} MB "
                f"for the records, got {free / 1e6:.0f} MB free at {self.folder}: make room there, then send it again"
            )

    def files(self) -> Iterator[Path]:
        """Every photograph in the store."""
        yield from sorted(path for path in self.folder.glob("??/*") if _SHA256.fullmatch(path.stem))


def open_store(folder: Path) -> PhotoStore:
    """The store in `folder`, which is made where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, probe = tempfile.mkstemp(prefix=".probe-", dir=folder)
        os.close(handle)
        os.unlink(probe)
    except OSError as error:
        raise disk_error(error, "photographs", folder) from error
    return PhotoStore(folder)


def hash_of(path: Path) -> str:
    """SHA-256 of a file, read in blocks."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while block := stream.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _sync_folder(folder: Path) -> None:
    """A new name in a folder is on disk only when the folder is."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
