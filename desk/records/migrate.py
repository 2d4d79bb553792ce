"""Brings a database to this version's tables, and tells which version it has."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from desk.records.database import Database, told
from desk.records.errors import RecordsError

_SCRIPTS = Path(__file__).parent / "migrations"


def migrate(database: Database, to: str = "head") -> None:
    """Bring the tables up to this version (or to the revision `to`) in one transaction."""
    config = _config()
    with told(), database.engine.execution_options(desk_writes=True).begin() as connection:
        found = MigrationContext.configure(connection).get_current_revision()
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        if found is not None and found not in known:
            raise RecordsError(
                f"expected a database of this version ({newest()}) or an older one, got {found}: "
                "it was made by a newer loomtriage; install that one"
            )
        config.attributes["connection"] = connection
        command.upgrade(config, to)


def newest() -> str:
    """The revision that this version of the package works with."""
    revision = ScriptDirectory.from_config(_config()).get_current_head()
    assert revision is not None  # the package ships its migrations
    return revision


def revision_of(database: Database) -> str | None:
    """The revision a database has; None where it is empty."""
    with told(), database.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
