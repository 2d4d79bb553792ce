"""The folder where a desk keeps what it learns from: snapshots, lessons computed once, models."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from desk.errors import DeskError
from desk.learning.corrected import Snapshot, read_snapshot
from models.damage.files import write_file

NEWEST = "newest"
"""What names the newest snapshot."""


@dataclass(frozen=True)
class Shelf:
    """Folders of one desk. Everything under `lessons` can be thrown away and is computed again."""

    data: Path

    @property
    def snapshots(self) -> Path:
        """Corrected sets, each under its id."""
        return self.data / "learning" / "snapshots"

    @property
    def lessons(self) -> Path:
        """What was computed from photographs."""
        return self.data / "learning" / "lessons"

    @property
    def models(self) -> Path:
        """Trained models, each under its version, and which one is in use."""
        return self.data / "models"


def keep_snapshot(shelf: Shelf, snapshot: Snapshot) -> Path:
    """Put a snapshot on the shelf; the same content again is the same file."""
    shelf.snapshots.mkdir(parents=True, exist_ok=True)
    path = shelf.snapshots / f"{snapshot.id}.json"
    if not path.exists():
        write_file(path, as_file(snapshot))
    return path


def as_file(snapshot: Snapshot) -> bytes:
    """The file that holds one snapshot."""
    return (snapshot.model_dump_json(indent=1) + "\n").encode()


def kept_snapshots(shelf: Shelf) -> list[Snapshot]:
    """All snapshots, newest first."""
    found = [read_snapshot(path.read_bytes(), path.name) for path in shelf.snapshots.glob("*.json")]
    return sorted(found, key=lambda s: s.made_at, reverse=True)


def snapshot_named(shelf: Shelf, whole_id: object) -> Snapshot | None:
    """The snapshot of that whole id; None where it is not here or cannot be read (`kept_snapshots` says why)."""
    path = shelf.snapshots / f"{whole_id}.json"
    if path not in shelf.snapshots.glob("*.json"):
        return None
    try:
        return read_snapshot(path.read_bytes(), path.name)
    except (DeskError, OSError):
        return None


def find_snapshot(shelf: Shelf, wanted: str | None) -> Snapshot:
    """The snapshot whose id begins so, or the newest (None or `newest`); DeskError where there is none or several."""
    files = sorted(shelf.snapshots.glob("*.json"))
    if not files:
        raise DeskError(
            f"expected a snapshot in {shelf.snapshots}, got none: make one with loomtriage dataset snapshot"
        )
    if wanted is None or wanted == NEWEST:
        return kept_snapshots(shelf)[0]
    # a damaged one keeps nobody from the others
    mine = [read_snapshot(path.read_bytes(), path.name) for path in files if path.name.startswith(wanted)]
    if len(mine) != 1:
        known = ", ".join(path.stem for path in files[:5])
        raise DeskError(f"expected the id of one snapshot ({known}), got {wanted!r}, which fits {len(mine)}: name one")
    return mine[0]
