"""Finds the photographs that arguments name, and writes files whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

from desk.errors import DeskError


def check_writable(path: Path, option: str) -> None:
    """Raise DeskError unless a file can be written at `path`; tries it in its folder and leaves nothing behind."""
    if path.is_dir():
        raise DeskError(f"{option}: expected a file to write, got the folder {path}: add a file name")
    try:
        handle, probe = tempfile.mkstemp(prefix=".loomtriage-", dir=path.parent)
    except OSError as error:
        raise DeskError(
            f"{option}: expected a folder that can be written, got {path.parent} ({error.strerror}): name another place"
        ) from error
    os.close(handle)
    os.unlink(probe)


def write_whole(path: Path, content: bytes | str) -> None:
    """Write through a temporary file and `os.replace`, so that a reader sees the old file or the new one."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    handle, temporary = tempfile.mkstemp(prefix=".loomtriage-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def make_folder(path: Path, option: str) -> None:
    """Make the folder (and its parents) unless it is there."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DeskError(f"{option}: expected a folder, got {path} ({error.strerror}): name another place") from error


def gather_photos(arguments: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """Photographs named directly or lying in named folders, each once in the order given, and one line per mistake."""
    from vision.reading import PhotoError, list_photos

    found: dict[Path, None] = {}
    mistakes = []
    for argument in arguments:
        try:
            for path in list_photos(argument) if argument.is_dir() else [argument]:
                found.setdefault(path)
        except PhotoError as error:
            mistakes.append(str(error))
    return list(found), mistakes
