"""Column types that read back as they were written: moments in UTC, and whole lists as JSON."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import DateTime
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator


class Moment(TypeDecorator[datetime]):
    """A moment, always with its zone, always UTC; SQLite itself would give it back without one."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"expected a moment with its time zone, got {value.isoformat()} without one: give it UTC")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)
"""When a standing was computed that a migration left to be made again."""


def now() -> datetime:
    """This moment in UTC."""
    return datetime.now(UTC)
