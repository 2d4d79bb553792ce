"""The commands that learn: `dataset` keeps what reviewers said, for a later training."""

from __future__ import annotations

from pathlib import Path

import click

from desk.errors import DeskError
from desk.learning.label_commands import label
from desk.learning.model_commands import model
from desk.learning.options import FILE, data_option, database_option, opened, shelf_of
from desk.learning.retrain_command import retrain

# Slow imports wait inside the commands: --help must answer at once.


@click.group()
def dataset() -> None:
    """What reviewers confirmed, corrected, rejected and added: kept, shown, carried to another desk."""


@dataset.command("snapshot")
@data_option
@database_option
def take(data: Path, database: str | None) -> int:
    """Keep the corrected set as the records stand now."""
    from desk.console import training_progress
    from desk.learning.take import keep_now
    from desk.learning.text import say_snapshot
    from models.repair.words import several

    with opened(data, database) as desk, training_progress() as on_progress:
        found, doubtful = keep_now(desk, on_progress)
    click.echo(say_snapshot(found))
    if doubtful:
        click.echo(
            f"{several(doubtful, 'photograph')} left out: sent under several assemblies, nobody knows which they show"
        )
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
@click.argument("file", type=FILE, metavar="FILE.json")
@data_option
def export(snapshot: str, file: Path, data: Path) -> int:
    """Write a snapshot into one file. The photographs stay in the store; each is named by its hash."""
    from desk.files import check_writable, write_whole
    from desk.learning.shelf import as_file, find_snapshot
    from models.repair.words import several

    check_writable(file, "FILE.json")
    found = find_snapshot(shelf_of(data), snapshot)
    write_whole(file, as_file(found))
    taught = f"{several(len(found.photos), 'photograph')}, {several(len(found.places), 'place')}"
    click.echo(f"Wrote {file}: snapshot {found.id}, {taught}.")
    return 0


@dataset.command("import")
@click.argument("file", type=FILE, metavar="FILE.json")
@data_option
def bring(file: Path, data: Path) -> int:
    """Take in a snapshot that was exported; one that was altered is refused."""
    from desk.learning.take import absent_photographs, bring_in
    from desk.learning.text import say_snapshot

    try:
        content = file.read_bytes()
    except OSError as error:
        raise DeskError(f"{file}: expected an exported snapshot, got {error.strerror}: check the name") from error
    found = bring_in(shelf_of(data), content, str(file))
    click.echo(say_snapshot(found))
    absent = absent_photographs(shelf_of(data), [found])[found.id]
    if absent:
        click.echo(f"{absent} of its {len(found.photos)} photographs are not in this desk's store: they teach nothing.")
    return 0


@dataset.command("next")
@click.option("--count", type=click.IntRange(1, 200), default=10, show_default=True, help="How many assemblies.")
@data_option
@database_option
def teach(count: int, data: Path, database: str | None) -> int:
    """Which assemblies that wait for review would teach the model the most."""
    from desk.learning.waiting import to_confirm_first

    with opened(data, database) as desk, desk.database.read() as session:
        found = to_confirm_first(session, count)
    for one in found:
        click.echo(f"{one.shop_order:20} doubt {one.doubt:.0%}  {one.why}")
    if not found:
        click.echo("No assembly with places waits for review.")
    return 0


@dataset.command("doubts")
@click.option("--count", type=click.IntRange(1, 10_000), default=20, show_default=True, help="How many places.")
@data_option
@database_option
def doubts(count: int, data: Path, database: str | None) -> int:
    """Places whose given label the newest model trained here finds improbable."""
    from desk.learning.page_values import doubts_shown
    from desk.learning.shelf import Shelf
    from desk.learning.text import say_doubts

    with opened(data, database) as desk, desk.database.read() as session:
        found = doubts_shown(session, Shelf(desk.data), count)
    click.echo(say_doubts(found))
    return 0


@dataset.command("agreement")
@click.argument("snapshot", required=False, metavar="[ID]")
@data_option
def agreement(snapshot: str | None, data: Path) -> int:
    """How far two people agree on labels (without ID in the newest snapshot), and the ceiling for any model."""
    from desk.learning.doubts import agreed
    from desk.learning.shelf import find_snapshot
    from desk.learning.text import say_agreed

    found = find_snapshot(shelf_of(data), snapshot)
    click.echo(f"Snapshot {found.id} of {found.made_at[:10]}")
    click.echo(say_agreed(agreed(found)))
    return 0


@dataset.command("drift")
@data_option
@database_option
def drift(data: Path, database: str | None) -> int:
    """Whether photographs, findings and labels have moved, week by week."""
    import os

    from desk.console import training_progress
    from desk.learning.seen import look_at_drift
    from desk.learning.text import say_weeks

    with opened(data, database) as desk, desk.database.read() as session, training_progress() as on_progress:
        found = look_at_drift(session, desk, min(os.cpu_count() or 1, 8), on_progress)
    click.echo(say_weeks(found.weeks, found.baseline) if found else "No photograph has been assessed yet.")
    return 0


COMMANDS = (dataset, label, retrain, model)
"""Every command of this room."""
