"""Lengths and moments as a person reads them: in millimetres or inches, in the shop's own time."""

from __future__ import annotations

from datetime import UTC, datetime

from desk.records.columns import now
from desk.wording import MM_PER_INCH, say_sources
from desk.wording import say_length as say_measured_length
from vision.findings import Measure


def say_length(value: Measure | float | None, unit: str = "mm") -> str:
    """A length given in millimetres, in the person's unit and with it; a dash where there is none."""
    if value is None:
        return "–"
    if isinstance(value, Measure):
        return say_measured_length(value, unit)
    return f"{value / MM_PER_INCH:.2f} in" if unit == "in" else f"{value:g} mm"


def say_sources_of(value: Measure | None, unit: str = "mm") -> str:
    """What makes a length given in millimetres uncertain, in the person's unit."""
    if value is None or unit != "in":
        return say_sources(value, unit)
    listed = [one.model_copy(update={"u95": one.u95 / MM_PER_INCH}) for one in value.sources]
    return say_sources(value.model_copy(update={"sources": listed}), unit)


def say_moment(moment: datetime) -> str:
    """Date and time on the shop's own clock."""
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def say_ago(moment: datetime) -> str:
    """How long ago, in one unit."""
    minutes = max(0, round((now() - moment.astimezone(UTC)).total_seconds() / 60))
    if minutes < 90:
        return f"{minutes} min"
    hours = round(minutes / 60)
    return f"{hours} h" if hours < 48 else f"{round(hours / 24)} days"
