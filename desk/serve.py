"""The command `serve`: starts the shop's desk on this machine."""

from __future__ import annotations

import os
from pathlib import Path

import click

# Slow imports wait inside the commands: --help must answer at once.
_FILE = click.Path(path_type=Path)


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
def serve(
    data: Path,
    database: str | None,
    host: str,
    port: int,
    https: bool,
    workers: int,
    mats: tuple[Path, ...],
    rules: Path | None,
) -> int:
    """Start the shop's desk: intake by phone, review in the browser, records that last."""
    from desk.hosting import HostingPlan, host_desk

    address = database or os.environ.get("LOOMTRIAGE_DATABASE")
    return host_desk(HostingPlan(data, address, host, port, https, workers, mats, rules), click.echo)
