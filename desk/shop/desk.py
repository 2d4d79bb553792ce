"""One shop's desk: its data folder, database, photographs, rules, prices and mats, opened together."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from desk.errors import DeskError, one_line
from desk.records.database import Database, open_database, sqlite_url
from desk.records.migrate import migrate
from desk.records.photo_store import PhotoStore, open_store
from desk.shop.labels import AddedLabels
from models.repair import Rules, RulesError, load_rules
from models.repair.prices import Prices, PricesError, load_prices
from vision.findings import LABELS
from vision.layout import LayoutError, MatLayout, builtin_layouts, load_layout


@dataclass(frozen=True, eq=False)
class Desk:
    """Everything a request or a job needs. `https`: the desk is reached through TLS, so cookies travel by it only;
    `has_workers`: processes beside the served one assess and learn."""

    data: Path
    database: Database
    store: PhotoStore
    rules: Rules
    rules_sha256: str
    layouts: tuple[MatLayout, ...]
    prices: Prices
    added: AddedLabels
    https: bool = False
    has_workers: bool = True

    @property
    def labels(self) -> tuple[str, ...]:
        """Every label a place can be given here now: those of all models, then those that the shop added."""
        return (*LABELS, *self.added.now())

    @property
    def incoming(self) -> Path:
        """Where photographs lie while they are being sent."""
        return self.data / "incoming"

    @property
    def small_pictures(self) -> Path:
        """Small versions for the screen; made again when they are gone."""
        return self.data / "small"


def open_desk(
    data: Path,
    database: str | None = None,
    rules: Path | None = None,
    mats: Sequence[Path] = (),
    https: bool = False,
    prices: Path | None = None,
) -> Desk:
    """Open a desk in a data folder, which is made where it is missing, and bring its database to this version."""
    try:
        limits, money = load_rules(rules), load_prices(prices)
        layouts = tuple([load_layout(path) for path in mats] or builtin_layouts())
    except (LayoutError, PricesError, RulesError) as error:
        raise DeskError(one_line(error)) from error
    store = open_store(data / "photos")
    for folder in ("incoming", "small"):
        (data / folder).mkdir(exist_ok=True)
    opened = open_database(database or sqlite_url(data))
    migrate(opened)
    return Desk(data, opened, store, limits, hash_of_rules(limits), layouts, money, AddedLabels(data), https)


def hash_of_rules(rules: Rules) -> str:
    """What names the limits a decision was taken with."""
    return hashlib.sha256(rules.model_dump_json().encode()).hexdigest()
