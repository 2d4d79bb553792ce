"""Typed errors of the records; each is one line that is shown to the person as it stands."""

from __future__ import annotations

import errno
import sqlite3

from sqlalchemy.exc import DBAPIError

from desk.errors import DeskError


class RecordsError(DeskError):
    """Something about the shop's records keeps a request from being carried out; nothing was half-written."""


class DiskFull(RecordsError):
    """No room for a photograph or a row."""


class DatabaseBusy(RecordsError):
    """Another process holds the database for longer than we wait."""


class DatabaseOut(RecordsError):
    """The database cannot be reached or read."""


class PhotoMissing(RecordsError):
    """A photograph's file is gone from the store."""


class PhotoAltered(RecordsError):
    """A photograph's file no longer has the content it was stored under."""


class NotFound(RecordsError):
    """No row of that id, or none this person may see."""


_FULL = (errno.ENOSPC, errno.EDQUOT)


def disk_error(error: OSError, what: str, where: object) -> RecordsError:
    """The records error of a failed write of `what` into the folder `where`."""
    if error.errno in _FULL:
        return DiskFull(
            f"expected room for {what}, got a full disk at {where}: make room there, then send it again; "
            "nothing that was acknowledged is lost"
        )
    return RecordsError(
        f"expected to write {what} into {where}, got {error.strerror or error}: check the folder and its rights"
    )


def database_error(error: DBAPIError) -> RecordsError:
    """The records error of an error that SQLite or PostgreSQL reported."""
    original = error.orig
    text = str(original).strip().splitlines()[0] if str(original).strip() else type(original).__name__
    code = getattr(original, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL or "No space left" in text:
        return DiskFull(
            f"expected room in the database, got {text}: make room on its disk, then try again; "
            "nothing that was acknowledged is lost"
        )
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED) or getattr(original, "sqlstate", None) in (
        "55P03",
        "40001",
    ):
        return DatabaseBusy(
            f"expected the database to be free, got {text}: another program holds it; "
            "close it (a backup tool, a second desk), then try again"
        )
    return DatabaseOut(f"expected a database that answers, got {text}: check --database and its disk, then start again")
