"""A whole desk as one tar file, and back: rows as JSON lines and photographs by hash, whatever the database."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import re
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, DateTime, LargeBinary, MetaData, Table, select, text

from desk.errors import DeskError, one_line
from desk.records import tables
from desk.records.columns import now
from desk.records.database import Database, told
from desk.records.errors import PhotoAltered, PhotoMissing, RecordsError, disk_error
from desk.records.kept_files import add_kept, take_kept
from desk.records.migrate import migrate, newest, revision_of
from desk.records.photo_store import PhotoStore

FORMAT = "loomtriage-backup-1"
_LEFT_OUT = ("session", "one_time_link", "sign_in_failure", "alembic_version")
"""Whoever was signed in signs in again; a link in an old backup must not open the desk."""
_PHOTO = re.compile(r"photos/([0-9a-f]{64})(\.[a-z0-9]{1,6})")
_ROWS = re.compile(r"rows/([a-z_]+)\.jsonl")
_BATCH = 500


@dataclass
class Told:
    """What a backup or restore did: rows and photographs, and one line for every photograph that was amiss."""

    rows: int = 0
    photographs: int = 0
    amiss: list[str] = field(default_factory=list)


def write_backup(database: Database, store: PhotoStore, target: Path) -> Told:
    """Write the backup whole or not at all; the desk may go on working meanwhile."""
    done = Told()
    handle, temporary = tempfile.mkstemp(prefix=".loomtriage-", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as stream, tarfile.open(fileobj=stream, mode="w|") as tar:
            head = {"format": FORMAT, "revision": revision_of(database), "made_at": now().isoformat()}
            _add(tar, "backup.json", json.dumps(head).encode())
            photographs = _write_rows(database, tar, done)
            for sha256, suffix in photographs:
                _add_photo(tar, store, sha256, suffix, done)
            add_kept(tar, store.folder.parent)
        with open(temporary, "rb") as written:
            os.fsync(written.fileno())
        os.replace(temporary, target)
    except OSError as error:
        Path(temporary).unlink(missing_ok=True)
        raise disk_error(error, "the backup", target.parent) from error
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return done


def read_backup(source: Path, database: Database, store: PhotoStore) -> Told:
    """Fill an empty desk from a backup; every photograph is held against its hash. All rows come or none."""
    done = Told()
    try:
        with tarfile.open(source, "r:") as tar:
            revision = _head(tar, source)
            _refuse_unless_empty(database)
            migrate(database, revision)
            _read_photos(tar, store, done)
            _read_rows(tar, database, done)
    except (tarfile.TarError, json.JSONDecodeError, UnicodeDecodeError, EOFError) as error:
        raise DeskError(
            f"{source.name}: expected a backup of a desk, got a file that is not whole ({error})"
        ) from error
    except OSError as error:
        raise disk_error(error, "the restored desk", store.folder) from error
    migrate(database)
    _missing_photos(database, store, done)
    return done


def _write_rows(database: Database, tar: tarfile.TarFile, done: Told) -> list[tuple[str, str]]:
    """All tables as of one moment; gives the photographs they speak of."""
    isolation = {} if database.url.get_backend_name() == "sqlite" else {"isolation_level": "REPEATABLE READ"}
    with told(), database.engine.connect().execution_options(**isolation) as connection:
        for table in tables.Table.metadata.sorted_tables:
            if table.name in _LEFT_OUT:
                continue
            with tempfile.TemporaryFile() as spool:
                for row in connection.execute(select(table).order_by(*table.primary_key)).mappings():
                    spool.write(json.dumps({k: _plain(v) for k, v in row.items()}, ensure_ascii=False).encode() + b"\n")
                    done.rows += 1
                info = tarfile.TarInfo(f"rows/{table.name}.jsonl")
                info.size = spool.tell()
                spool.seek(0)
                tar.addfile(info, spool)
        photograph = tables.Photograph
        found = connection.execute(select(photograph.sha256, photograph.suffix).distinct().order_by(photograph.sha256))
        return [(row.sha256, row.suffix) for row in found]


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value


def _add(tar: tarfile.TarFile, name: str, data: bytes) -> None:
    info = tarfile.TarInfo(name)
    info.size = len(data)
    tar.addfile(info, io.BytesIO(data))


def _add_photo(tar: tarfile.TarFile, store: PhotoStore, sha256: str, suffix: str, done: Told) -> None:
    try:
        path = store.checked(sha256, suffix)
    except (PhotoMissing, PhotoAltered) as error:
        done.amiss.append(one_line(error))
        return
    tar.add(path, f"photos/{sha256}{suffix}", recursive=False)
    done.photographs += 1


def _head(tar: tarfile.TarFile, source: Path) -> str:
    member = tar.next()
    stream = tar.extractfile(member) if member is not None and member.name == "backup.json" else None
    head = json.loads(stream.read()) if stream else {}
    if not isinstance(head, dict) or head.get("format") != FORMAT or not isinstance(head.get("revision"), str):
        raise DeskError(f"{source.name}: expected a backup made by `loomtriage backup`, got another tar file")
    revision: str = head["revision"]
    return revision


def _refuse_unless_empty(database: Database) -> None:
    if revision_of(database) is None:
        return
    with told(), database.engine.connect() as connection:
        if connection.execute(text("SELECT 1 FROM person LIMIT 1")).first() is not None:
            raise RecordsError(
                "expected an empty desk to restore into, got one with people: name another --data folder "
                "(or --database); nothing was changed"
            )
    if revision_of(database) != newest():
        raise RecordsError("expected an empty desk of this version, got an older one: name a new --data folder")


def _read_photos(tar: tarfile.TarFile, store: PhotoStore, done: Told) -> None:
    """Only names made of a hash are taken, and only content that has it."""
    for member in tar:
        if take_kept(tar, member, store.folder.parent):
            continue
        name = _PHOTO.fullmatch(member.name)
        stream = tar.extractfile(member) if name else None
        if name is None or stream is None:
            continue
        digest = hashlib.sha256()
        with tempfile.NamedTemporaryFile(dir=store.folder, prefix=".restore-", delete=False) as file:
            while block := stream.read(1 << 20):
                digest.update(block)
                file.write(block)
        if digest.hexdigest() == name[1]:
            store.take_in(Path(file.name), name[1], name[2])
            done.photographs += 1
        else:
            Path(file.name).unlink()
            done.amiss.append(f"photograph {name[1][:12]}…: expected its content, got altered bytes in the backup")


def _read_rows(tar: tarfile.TarFile, database: Database, done: Told) -> None:
    """Rows go into the tables as they were at the backup's version; the migrations then bring them here."""
    members = {name[1]: member for member in tar.getmembers() if (name := _ROWS.fullmatch(member.name))}
    with told(), database.engine.execution_options(desk_writes=True).begin() as connection:
        schema = MetaData()
        schema.reflect(connection)
        for table in schema.sorted_tables:
            stream = tar.extractfile(members[table.name]) if table.name in members else None
            if stream is None or table.name in _LEFT_OUT:
                continue
            for batch in _batches(stream, table):
                connection.execute(table.insert(), batch)
                done.rows += len(batch)
            _count_on(connection, table)


def _batches(stream: Any, table: Table) -> Iterator[list[dict[str, Any]]]:
    batch: list[dict[str, Any]] = []
    for line in stream:
        batch.append({name: _typed(table, name, value) for name, value in json.loads(line).items()})
        if len(batch) == _BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _typed(table: Table, name: str, value: Any) -> Any:
    kind = table.columns[name].type
    if value is not None and isinstance(kind, DateTime):
        return datetime.fromisoformat(value)
    return base64.b64decode(value["base64"]) if value is not None and isinstance(kind, LargeBinary) else value


def _count_on(connection: Connection, table: Table) -> None:
    """PostgreSQL numbers on after the highest id that was restored."""
    if connection.dialect.name == "postgresql" and [column.name for column in table.primary_key] == ["id"]:
        connection.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), "
                f"(SELECT coalesce(max(id), 1) FROM {table.name}), (SELECT count(*) > 0 FROM {table.name}))"
            )
        )


def _missing_photos(database: Database, store: PhotoStore, done: Told) -> None:
    with database.read() as session:
        for row in session.scalars(select(tables.Photograph)):
            if not store.has(row.sha256, row.suffix):
                done.amiss.append(f"photograph {row.sha256[:12]}… ({row.name}): not in the backup")
