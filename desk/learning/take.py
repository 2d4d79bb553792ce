"""Puts corrected sets on the shelf: the one of the records as they stand, or one that another desk exported."""

from __future__ import annotations

from collections.abc import Iterable

from desk.errors import DeskError
from desk.learning.corrected import Snapshot, read_snapshot
from desk.learning.gather import gather, sent_under_several
from desk.learning.shelf import Shelf, keep_snapshot
from desk.learning.sides import apart
from desk.parallel import Progress
from desk.records.photo_store import PhotoStore
from desk.shop.desk import Desk


def keep_now(desk: Desk, on_progress: Progress | None = None) -> tuple[Snapshot, int]:
    """Keep the corrected set as the records stand; it, and how many photographs were left out because they were sent
    under several assemblies. DeskError where nothing is signed off."""
    with desk.database.read() as session:
        found, doubtful = gather(session, desk, on_progress), len(sent_under_several(session))
    if not found.photos:
        raise DeskError("expected signed-off assemblies, got none: sign off reviews first; nothing was kept")
    keep_snapshot(Shelf(desk.data), found)
    return found, doubtful


def bring_in(shelf: Shelf, content: bytes, where: str) -> Snapshot:
    """Keep a snapshot from its file; CorrectedError where it is none, was altered or could not be learnt from because
    an assembly is among those learnt from and those held out."""
    found = read_snapshot(content, where)
    apart([p for p in found.photos if not p.blind], [p for p in found.photos if p.blind])
    keep_snapshot(shelf, found)
    return found


def absent_photographs(shelf: Shelf, snapshots: Iterable[Snapshot]) -> dict[str, int]:
    """How many photographs of each snapshot are not in this desk's store and so teach nothing."""
    store = PhotoStore(shelf.data / "photos")
    return {one.id: sum(not store.has(p.sha256, p.suffix) for p in one.photos) for one in snapshots}
