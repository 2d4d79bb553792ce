"""Options and folders that the learning commands share."""

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

# Slow imports wait inside the functions: --help must answer at once.
FILE = click.Path(path_type=Path)
_ADDRESS = "LOOMTRIAGE_DATABASE"


def data_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """`--data DIR`, the folder of the desk."""
    return click.option(
        "--data", type=FILE, default=Path("desk-data"), show_default=True, metavar="DIR", help="Folder of the records."
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
