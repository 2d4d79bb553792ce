"""Opens the shop's database, SQLite or PostgreSQL, with one code path for reading and one for writing."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event, func, select
from sqlalchemy.engine import Connection
from sqlalchemy.engine.url import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.orm import Session

from desk.records.errors import RecordsError, database_error

BUSY_MS = 10_000
"""How long a write waits for another one on SQLite before it gives up."""
_POOL = 24


@dataclass(frozen=True, eq=False)
class Database:
    """An open database. `read` gives a session for reading, `write` one whose rows are all kept or none."""

    url: URL
    engine: Engine

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session for reading; what is changed in it is not kept."""
        with told(), Session(self.engine, autoflush=False, expire_on_commit=False) as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """A session that commits at its end; once this returns, the rows survive a power cut."""
        writing = self.engine.execution_options(desk_writes=True)
        with told(), Session(writing, expire_on_commit=False) as session:
            yield session
            session.commit()

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


@contextmanager
def told() -> Iterator[None]:
    """Errors of the database as one clear line; what breaks a constraint stays what it is, for the caller to judge."""
    try:
        yield
    except DBAPIError as error:
        if type(error).__name__ in ("OperationalError", "InterfaceError", "InternalError", "DatabaseError"):
            raise database_error(error) from error
        raise


def hold(session: Session, name: str, alone: bool) -> None:
    """Hold a name until this write ends, `alone` or beside others who do not ask for it alone; wait for it until then.

    For what the rows themselves cannot lock, because it lies elsewhere. On SQLite writes wait in line anyway.
    """
    if session.get_bind().dialect.name != "postgresql":
        return
    lock = func.pg_advisory_xact_lock if alone else func.pg_advisory_xact_lock_shared
    session.execute(select(lock(zlib.crc32(name.encode()))))


def sqlite_url(data: Path) -> str:
    """Where the records lie when no other database is named."""
    return f"sqlite:///{data / 'desk.sqlite'}"


def open_database(address: str) -> Database:
    """Open the database at an address like `sqlite:////data/desk.sqlite` or `postgresql+psycopg://user@host/name`."""
    url = _checked(address)
    options: dict[str, Any] = {
        "pool_size": _POOL,
        "max_overflow": _POOL,
        "pool_pre_ping": url.get_backend_name() != "sqlite",
    }
    try:
        engine = create_engine(url, **options)
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise RecordsError(
            f"--database: expected the driver of {url.drivername}, got {error}: "
            "install it with pip install 'loomtriage[postgres]'"
        ) from error
    if url.get_backend_name() == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return Database(url, engine)


def _checked(address: str) -> URL:
    try:
        url = make_url(address)
    except ArgumentError as error:
        raise RecordsError(
            f"--database: expected an address like postgresql+psycopg://user@host/name, got {address!r}"
        ) from error
    if url.get_backend_name() not in ("sqlite", "postgresql"):
        raise RecordsError(f"--database: expected sqlite or postgresql+psycopg, got {url.drivername}")
    if url.get_backend_name() == "sqlite" and not url.database:
        raise RecordsError("--database: expected a file for SQLite, got none: its rows would not last")
    return url


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # we begin transactions ourselves, below
    cursor = connection.cursor()
    for pragma in (f"busy_timeout={BUSY_MS}", "journal_mode=WAL", "foreign_keys=ON", "synchronous=FULL"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    """A write takes its place in the line at once: a read that turns into a write could not wait for its turn."""
    writes = connection.get_execution_options().get("desk_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
