"""The commands that learn: `dataset` keeps what reviewers said, for a later training."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from desk.errors import DeskError

if TYPE_CHECKING:
    from desk.learning.shelf import Shelf
    from desk.shop.desk import Desk

# Slow imports wait inside the commands: --help must answer at once.
_FILE = click.Path(path_type=Path)
_ADDRESS = "LOOMTRIAGE_DATABASE"


def data_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--data DIR`, the folder of the desk."""
    return click.option(
        "--data", type=_FILE, default=Path("desk-data"), show_default=True, metavar="DIR", help="Folder of the records."
    )(command)


def database_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--database ADDRESS`, where it is not the one in the folder."""
    return click.option("--database", metavar="ADDRESS", help="The database, where it is not the one in --data.")(
        command
    )


def shelf_of(data: Path) -> Shelf:
    """The shelf of a desk; DeskError where the folder is none of a desk."""
    from desk.learning.shelf import Shelf

    if not (data / "photos").is_dir():
        raise DeskError(f"--data: expected the folder of a desk, got {data} without photographs: name the right one")
    return Shelf(data)


@contextmanager
def opened(data: Path, database: str | None) -> Iterator[Desk]:
    """The desk of a folder, closed again at the end."""
    from desk.shop.desk import open_desk

    shelf_of(data)
    desk = open_desk(data, database or os.environ.get(_ADDRESS))
    try:
        yield desk
    finally:
        desk.database.close()


@click.group()
def dataset() -> None:
    """What reviewers confirmed, corrected, rejected and added: kept, shown, carried to another desk."""


@dataset.command("snapshot")
@data_option
@database_option
def take(data: Path, database: str | None) -> int:
    """Keep the corrected set as the records stand now."""
    from desk.learning.gather import gather
    from desk.learning.shelf import keep_snapshot
    from desk.learning.text import say_snapshot

    with opened(data, database) as desk, desk.database.read() as session:
        found = gather(session, desk)
    if not found.photos:
        raise DeskError("expected signed-off assemblies, got none: sign off reviews first; nothing was kept")
    keep_snapshot(shelf_of(data), found)
    click.echo(say_snapshot(found))
    return 0


@dataset.command("show")
@click.argument("snapshot", required=False, metavar="[ID]")
@data_option
def show(snapshot: str | None, data: Path) -> int:
    """Say what a snapshot holds (without ID the newest), and which others there are."""
    from desk.learning.shelf import find_snapshot, kept_snapshots
    from desk.learning.text import say_snapshot

    shelf = shelf_of(data)
    found = find_snapshot(shelf, snapshot)
    click.echo(say_snapshot(found))
    others = [one.id for one in kept_snapshots(shelf) if one.id != found.id]
    if others:
        click.echo(f"Other snapshots, newest first: {', '.join(others)}")
    return 0


@dataset.command("export")
@click.argument("snapshot", metavar="ID")
@click.argument("file", type=_FILE, metavar="FILE.json")
@data_option
def export(snapshot: str, file: Path, data: Path) -> int:
    """Write a snapshot into one file. The photographs stay in the store; each is named by its hash."""
    from desk.files import check_writable, write_whole
    from desk.learning.shelf import as_file, find_snapshot

    check_writable(file, "FILE.json")
    found = find_snapshot(shelf_of(data), snapshot)
    write_whole(file, as_file(found))
    click.echo(f"Wrote {file}: snapshot {found.id}, {len(found.photos)} photographs, {len(found.places)} places.")
    return 0


@dataset.command("import")
@click.argument("file", type=_FILE, metavar="FILE.json")
@data_option
def bring(file: Path, data: Path) -> int:
    """Take in a snapshot that was exported; one that was altered is refused."""
    from desk.learning.corrected import read_snapshot
    from desk.learning.shelf import keep_snapshot
    from desk.learning.text import say_snapshot
    from desk.records.photo_store import PhotoStore

    try:
        content = file.read_bytes()
    except OSError as error:
        raise DeskError(f"{file}: expected an exported snapshot, got {error.strerror}: check the name") from error
    found = read_snapshot(content, str(file))
    keep_snapshot(shelf_of(data), found)
    click.echo(say_snapshot(found))
    store = PhotoStore(data / "photos")
    absent = sum(not store.has(photo.sha256, photo.suffix) for photo in found.photos)
    if absent:
        click.echo(f"{absent} of its {len(found.photos)} photographs are not in this desk's store: they teach nothing.")
    return 0


COMMANDS = (dataset,)
"""Every command of this room."""
