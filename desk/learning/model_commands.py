"""The command `model`: which models a desk has, how a proposed one compares, which one is in use."""

from __future__ import annotations

import getpass
import os
from pathlib import Path

import click

from desk.learning.options import FILE, data_option, database_option, opened, shelf_of


@click.group()
def model() -> None:
    """Models of the desk: list, compare, promote, roll back."""


@model.command("list")
@data_option
def listed(data: Path) -> int:
    """Every model, which is in use, and how that changed."""
    from desk.learning.model_text import say_models

    click.echo(say_models(shelf_of(data)))
    return 0


@model.command("compare")
@click.argument("version")
@click.option("--snapshot", metavar="ID", help="Where second opinions and kept-out photographs come from.")
@click.option("--scenes", type=click.IntRange(min=0), default=48, show_default=True, metavar="N", help="Fresh scenes.")
@click.option("--rules", type=FILE, metavar="FILE", help="Your limits (TOML) over the default ones.")
@data_option
@database_option
def compare(
    version: str, snapshot: str | None, scenes: int, rules: Path | None, data: Path, database: str | None
) -> int:
    """Let a proposed model and the one in use answer photographs that neither learnt from."""
    import cv2

    cv2.setNumThreads(1)
    from desk.console import training_progress
    from desk.errors import DeskError, one_line
    from desk.learning.compare import compare_models
    from desk.learning.gather import refuse_taken_back
    from desk.learning.model_text import say_comparison
    from desk.learning.shelf import find_snapshot, kept_snapshots
    from models.repair import RulesError, load_rules
    from vision.layout import builtin_layouts

    shelf = shelf_of(data)
    try:
        limits = load_rules(rules)
    except RulesError as error:
        raise DeskError(one_line(error)) from error
    found = find_snapshot(shelf, snapshot) if snapshot or kept_snapshots(shelf) else None
    if found is not None:
        with opened(data, database) as desk, desk.database.read() as session:
            refuse_taken_back(session, found)
    workers = min(os.cpu_count() or 1, 8)
    with training_progress() as on_progress:
        done = compare_models(shelf, version, found, limits, builtin_layouts(), scenes, workers, on_progress)
    click.echo(say_comparison(done))
    return 0


@model.command("card")
@click.argument("version")
@click.option("--json", "as_json", is_flag=True, help="Everything on the card, as one JSON object.")
@data_option
@database_option
def card(version: str, as_json: bool, data: Path, database: str | None) -> int:
    """What a model learnt from, its limits, and how well its labels held."""
    import json

    from desk.learning.model_text import say_card
    from desk.learning.page_values import card_json, examples_shown, model_card

    found = model_card(shelf_of(data), version)
    if not as_json:
        click.echo(say_card(found))
        return 0
    with opened(data, database) as desk, desk.database.read() as session:
        examples = examples_shown(session, shelf_of(data), version)
    click.echo(json.dumps(card_json(found, examples)))
    return 0


@model.command("curve")
@click.argument("version")
@data_option
def curve(version: str, data: Path) -> int:
    """How the labels of a model trained here got better with lessons, and what more corrections would buy."""
    from desk.errors import DeskError
    from desk.learning.model_text import say_curve
    from desk.learning.page_values import model_card

    found = model_card(shelf_of(data), version).curve
    if found is None:
        raise DeskError(f"model {version}: expected one with a learning curve, got none: train one from a snapshot")
    click.echo(say_curve(version, found))
    return 0


@model.command("answer")
@click.argument("version")
@click.argument("orders", nargs=-1, required=True, metavar="SHOP_ORDER...")
@data_option
@database_option
def answer(version: str, orders: tuple[str, ...], data: Path, database: str | None) -> int:
    """What a model would say of assemblies on record, beside the answer they have; nothing is put on record."""
    import cv2

    cv2.setNumThreads(1)
    from desk.console import training_progress
    from desk.learning.model_text import say_reassessed
    from desk.learning.reassess import all_would_answer

    with opened(data, database) as desk, training_progress() as on_progress:
        found = all_would_answer(desk, version, orders, on_progress)
    for one in found:
        click.echo(say_reassessed(one))
    return 0


@model.command("promote")
@click.argument("version")
@click.option("--reason", default="", metavar="TEXT", help="Why, where something speaks against it.")
@data_option
def promote(version: str, reason: str, data: Path) -> int:
    """Put a proposed model into use; the desk's workers take it up with their next photograph."""
    from desk.learning import model_shelf

    done = model_shelf.promote(shelf_of(data), version, getpass.getuser(), reason)
    click.echo(f"In use: {done.version} (before: {done.changes[-1].before}).")
    return 0


@model.command("rollback")
@click.option("--reason", required=True, metavar="TEXT", help="Why.")
@data_option
def rollback(reason: str, data: Path) -> int:
    """Go back to the model that was in use before the newest change."""
    from desk.learning import model_shelf

    done = model_shelf.rollback(shelf_of(data), getpass.getuser(), reason)
    click.echo(f"In use: {done.version} (before: {done.changes[-1].before}).")
    return 0
