"""Files beside the records that a backup carries: labels, corrected sets, models and which of them is used."""

from __future__ import annotations

import re
import tarfile
from pathlib import Path

from models.damage.files import write_file

_NAME = re.compile(
    r"kept/(labels\.toml|learning/seeds\.json|learning/snapshots/[0-9a-f]{8,64}\.json|models/in_use\.json"
    r"|models/[a-z]+-[0-9a-f]{10}/[a-z_]{1,40}\.(?:skops|json|npz))"
)
_PATTERNS = ("labels.toml", "learning/seeds.json", "learning/snapshots/*.json", "models/*-*/*", "models/in_use.json")


def add_kept(tar: tarfile.TarFile, data: Path) -> None:
    """Put every such file of a data folder into the backup; models before the word which of them is in use."""
    for pattern in _PATTERNS:
        for path in sorted(data.glob(pattern)):
            name = f"kept/{path.relative_to(data).as_posix()}"
            if path.is_file() and _NAME.fullmatch(name):
                tar.add(path, name, recursive=False)


def take_kept(tar: tarfile.TarFile, member: tarfile.TarInfo, data: Path) -> bool:
    """Bring one member back to its place; False where it is none of these. No other name leads anywhere."""
    name = _NAME.fullmatch(member.name)
    stream = tar.extractfile(member) if name else None
    if name is None or stream is None:
        return False
    path = data / name[1]
    path.parent.mkdir(parents=True, exist_ok=True)
    write_file(path, stream.read())
    return True
