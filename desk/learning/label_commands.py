"""The command `label`: the labels a shop added, how far each has come, one more, one less."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from desk.learning.options import data_option, database_option, opened

# Slow imports wait inside the commands: --help must answer at once.


@click.group()
def label() -> None:
    """Damage labels of your own: list, add, remove."""


@label.command("list")
@data_option
@database_option
def listed(data: Path, database: str | None) -> int:
    """Each label with the places that carry it, and how many assemblies it lacks before a training is worth it."""
    from desk.learning.own_labels import labels_shown, say_labels

    with opened(data, database) as desk, desk.database.read() as session:
        click.echo(say_labels(labels_shown(session, desk)))
    return 0


@label.command("add")
@click.argument("name")
@data_option
@database_option
def add(name: str, data: Path, database: str | None) -> int:
    """Let reviewers give a new label from now on; a desk that runs takes it up at once."""
    from desk.learning.own_labels import OLD_ANSWERS, add_label

    with opened(data, database) as desk:
        done = add_label(desk, getpass.getuser(), name)
    click.echo(f"Reviewers can give {done.labels[-1]} from now on. {OLD_ANSWERS}")
    return 0


@label.command("remove")
@click.argument("name")
@data_option
@database_option
def remove(name: str, data: Path, database: str | None) -> int:
    """Take away a label that nobody used yet; one in use is refused."""
    from desk.learning.own_labels import remove_label

    with opened(data, database) as desk:
        remove_label(desk, getpass.getuser(), name)
    click.echo(f"Removed {name}: nobody had used it.")
    return 0
