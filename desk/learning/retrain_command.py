"""The command `retrain`: from generated scenes alone, or from what reviewers corrected."""

from __future__ import annotations

import os
from pathlib import Path

import click

from desk.errors import DeskError
from desk.learning.options import FILE, data_option, database_option, opened, shelf_of


@click.command()
@click.option("--from-samples", is_flag=True, help="Train on photographs that sample_images makes.")
@click.option("--snapshot", metavar="ID", help="Train on a corrected set; `newest` is the newest kept.")
@click.option("--keep-out", type=FILE, metavar="FILE", help="Assemblies, one a line, that are held out of it.")
@click.option("--weight", type=click.FloatRange(0.1, 100), help="What a correction counts beside a generated lesson.")
@click.option("--scenes", type=click.IntRange(min=1), metavar="N", help="Scenes to name damage on (or to mix in).")
@click.option("--seed", type=click.IntRange(min=0), metavar="S", help="Seed of the scenes, or of the training.")
@click.option("-o", "--output", type=FILE, metavar="DIR", help="Folder for the model; default: the model in use.")
@click.option("--keep", type=FILE, metavar="DIR", help="Keep the made scenes here; those there are used again.")
@data_option
@database_option
def retrain(
    from_samples: bool,
    snapshot: str | None,
    keep_out: Path | None,
    weight: float | None,
    scenes: int | None,
    seed: int | None,
    output: Path | None,
    keep: Path | None,
    data: Path,
    database: str | None,
) -> int:
    """Train the damage model again; the same seed and versions give the same hash."""
    if from_samples == (snapshot is not None):
        raise DeskError(
            "retrain: expected --from-samples or --snapshot ID, got "
            + ("both: leave one out" if from_samples else "nothing to train on: add --from-samples or --snapshot ID")
        )
    import cv2

    cv2.setNumThreads(1)
    if snapshot is not None:
        if output is not None or keep is not None:
            raise DeskError("retrain: expected --output and --keep with --from-samples only: leave them out")
        return _from_corrections(snapshot, keep_out, weight, scenes, seed, data, database)
    if keep_out is not None or weight is not None:
        raise DeskError("retrain: expected --keep-out and --weight with --snapshot only: leave them out")
    from desk.retrain import retrain_from_samples

    model = retrain_from_samples(scenes, seed, output, keep)
    click.echo(f"Model {model.version}, content hash {model.card['content_sha256']}")
    return 0


def _from_corrections(
    snapshot: str,
    keep_out: Path | None,
    weight: float | None,
    scenes: int | None,
    seed: int | None,
    data: Path,
    database: str | None,
) -> int:
    from desk.console import training_progress
    from desk.learning.gather import refuse_taken_back
    from desk.learning.relearn import RelearnSettings
    from desk.learning.shelf import find_snapshot
    from desk.learning.sides import read_keep_out
    from desk.learning.train import train_from_corrections
    from vision.layout import builtin_layouts

    shelf = shelf_of(data)
    found = find_snapshot(shelf, snapshot)
    with opened(data, database) as desk, desk.database.read() as session:
        refuse_taken_back(session, found)
    away = read_keep_out(keep_out) if keep_out is not None else []
    usual = RelearnSettings()
    settings = RelearnSettings(
        seed=usual.seed if seed is None else seed,
        weight=usual.weight if weight is None else weight,
        scenes=usual.scenes if scenes is None else scenes,
        workers=min(os.cpu_count() or 1, 8),
    )
    with training_progress() as on_progress:
        done = train_from_corrections(shelf, found, settings, builtin_layouts(), away, on_progress)
    for line in done.amiss:
        click.echo(f"loomtriage: {line}", err=True)
    click.echo(f"Model {done.version} is proposed, content hash {done.content_sha256}")
    click.echo(f"Learnt from {done.trained_on}. Next: loomtriage model compare {done.version}")
    return 2 if done.amiss else 0
