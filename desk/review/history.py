"""Which entries of an assembly's history count: taken back, in conflict, settled."""

from __future__ import annotations

from collections.abc import Sequence

from desk.review.edits import Entry, Settle, Withdraw


def unseen_before(entries: Sequence[Entry]) -> list[int]:
    """Entries whose writer had not seen the newest one that somebody else had put on record before.

    One that is itself in doubt changed nothing and need not be seen; settling it is an entry of its own.
    """
    found: list[int] = []
    ordered = sorted(entries, key=lambda e: e.id)
    for index, entry in enumerate(ordered):
        seen = entry.based_on or 0
        others = [e for e in ordered[:index] if e.id > seen and e.person != entry.person and e.id not in found]
        if others and not isinstance(entry.edit, Settle):
            found.append(entry.id)
    return found


def waiting(entries: Sequence[Entry]) -> list[int]:
    """Entries in conflict that nobody has settled or taken back."""
    ordered = sorted(entries, key=lambda e: e.id)
    settled = {e.edit.entry for e in ordered if isinstance(e.edit, Settle)} | withdrawn(ordered)
    return [id for id in unseen_before(ordered) if id not in settled]


def withdrawn(entries: Sequence[Entry]) -> set[int]:
    """Entries taken back. A taking-back that was itself taken back does not count."""
    gone: set[int] = set()
    for entry in sorted(entries, key=lambda e: -e.id):
        if isinstance(entry.edit, Withdraw) and entry.id not in gone:
            gone.add(entry.edit.entry)
    return gone


def in_force(entries: Sequence[Entry]) -> list[Entry]:
    """The entries that count, in the order they count; one that was settled counts where it was settled."""
    ordered = sorted(entries, key=lambda e: e.id)
    gone, doubtful = withdrawn(ordered), set(unseen_before(ordered))
    by_id = {entry.id: entry for entry in ordered}
    found: list[Entry] = []
    for entry in ordered:
        if entry.id in gone or isinstance(entry.edit, Withdraw):
            continue
        if isinstance(entry.edit, Settle):
            kept = by_id.get(entry.edit.entry)
            if entry.edit.keep and kept is not None and kept.id not in gone and kept not in found:
                found.append(kept)
        elif entry.id not in doubtful:
            found.append(entry)
    return found
