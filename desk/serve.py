"""The commands `serve`, `backup` and `restore`: the shop's desk on this machine, kept safe and brought back."""

from __future__ import annotations

import os
from pathlib import Path

import click

# Slow imports wait inside the commands: --help must answer at once.
_FILE = click.Path(path_type=Path)
_ADDRESS = "LOOMTRIAGE_DATABASE"


@click.command()
@click.option(
    "--data", type=_FILE, default=Path("desk-data"), show_default=True, metavar="DIR", help="Folder of the records."
)
@click.option("--database", metavar="ADDRESS", help="Another database: postgresql+psycopg://user@host/name.")
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Where to listen.")
@click.option("--port", type=click.IntRange(0, 65535), default=8017, show_default=True)
@click.option("--https", is_flag=True, help="Behind a proxy that speaks TLS: cookies travel by it only.")
@click.option("--workers", type=click.IntRange(0, 16), default=1, show_default=True, help="Processes that assess.")
@click.option("--mat", "mats", type=_FILE, multiple=True, metavar="FILE", help="Layout file of another mat.")
@click.option("--rules", type=_FILE, metavar="FILE", help="Your limits (TOML) over the default ones.")
@click.option("--prices", type=_FILE, metavar="FILE", help="Your times and prices (TOML) over the examples.")
def serve(
    data: Path,
    database: str | None,
    host: str,
    port: int,
    https: bool,
    workers: int,
    mats: tuple[Path, ...],
    rules: Path | None,
    prices: Path | None,
) -> int:
    """Start the shop's desk: intake by phone, review in the browser, records that last."""
    from desk.hosting import HostingPlan, host_desk

    address = database or os.environ.get(_ADDRESS)
    return host_desk(HostingPlan(data, address, host, port, https, workers, mats, rules, prices), click.echo)


@click.command()
@click.argument("file", type=_FILE, metavar="FILE.tar")
@click.option("--data", type=_FILE, default=Path("desk-data"), show_default=True, metavar="DIR")
@click.option("--database", metavar="ADDRESS", help="The database, where it is not the one in --data.")
def backup(file: Path, data: Path, database: str | None) -> int:
    """Write everything the desk knows into one file; the desk may go on working."""
    from desk.errors import DeskError
    from desk.files import check_writable
    from desk.records.backup import write_backup
    from desk.records.database import open_database, sqlite_url
    from desk.records.photo_store import PhotoStore

    check_writable(file, "FILE.tar")
    address = database or os.environ.get(_ADDRESS) or sqlite_url(data)
    if not (data / "photos").is_dir():
        raise DeskError(f"--data: expected the folder of a desk, got {data} without photographs: name the right one")
    opened = open_database(address)
    try:
        done = write_backup(opened, PhotoStore(data / "photos"), file)
    finally:
        opened.close()
    return _said(done.amiss, f"Wrote {file}: {done.rows} rows, {done.photographs} photographs.")


@click.command()
@click.argument("file", type=_FILE, metavar="FILE.tar")
@click.option("--data", type=_FILE, default=Path("desk-data"), show_default=True, metavar="DIR")
@click.option("--database", metavar="ADDRESS", help="The database, where it is not the one in --data.")
def restore(file: Path, data: Path, database: str | None) -> int:
    """Fill an empty desk from a backup, every photograph held against its hash."""
    from desk.errors import DeskError
    from desk.hosting import locked
    from desk.records.backup import read_backup
    from desk.records.database import open_database, sqlite_url
    from desk.records.photo_store import open_store

    if not file.is_file():
        raise DeskError(f"{file}: expected a backup file, got none there: check the name")
    with locked(data):
        opened = open_database(database or os.environ.get(_ADDRESS) or sqlite_url(data))
        try:
            done = read_backup(file, opened, open_store(data / "photos"))
        finally:
            opened.close()
    return _said(done.amiss, f"Restored {done.rows} rows and {done.photographs} photographs into {data}.")


def _said(amiss: list[str], words: str) -> int:
    for line in amiss:
        click.echo(f"loomtriage: {line}", err=True)
    click.echo(words)
    return 2 if amiss else 0
