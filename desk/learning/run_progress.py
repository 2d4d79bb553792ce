"""How far a long piece of work is: its steps one after the other, and an estimate of the time left."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from pydantic import TypeAdapter

from desk.learning.corrected import LearningValue


class Step(LearningValue):
    """One step: `done` of `total` items. `since`: when it began; `seconds`: how long it has taken so far."""

    name: str
    done: int
    total: int
    since: datetime
    seconds: float

    @property
    def ended(self) -> datetime:
        """When it was last heard of."""
        return self.since + timedelta(seconds=self.seconds)

    @property
    def rest_s(self) -> float | None:
        """Seconds that the items left will take at the pace so far; None before one is done."""
        return self.seconds / self.done * (self.total - self.done) if self.done else None


_STEPS = TypeAdapter(list[Step])


def steps_of(progress: dict[str, Any] | None) -> list[Step]:
    """The steps of a kept progress, in the order in which they began."""
    return _STEPS.validate_python((progress or {}).get("steps", []))


def as_progress(steps: Sequence[Step]) -> dict[str, Any]:
    """The steps as plain values to keep."""
    return {"steps": _STEPS.dump_python(list(steps), mode="json")}


def moved_on(steps: Sequence[Step], name: str, done: int, total: int, at: datetime, begun: datetime) -> list[Step]:
    """The steps after a report that ``done`` of ``total`` items of a step are done; ``begun``: when the work began."""
    before = next((s for s in steps if s.name == name), None)
    since = before.since if before else (steps[-1].ended if steps else begun)
    seconds = max((at - since).total_seconds(), 0.0)
    now = Step(name=name, done=done, total=total, since=since, seconds=seconds)
    return [*(s for s in steps if s.name != name), now]


class Left(LearningValue):
    """Seconds left. `step`: of the present step, None before its first item is done; `whole`: of everything, None
    where no earlier work of the kind tells how long the steps to come take."""

    step: float | None
    whole: float | None


def time_left(steps: Sequence[Step], at: datetime, earlier: Sequence[Step] = ()) -> Left:
    """What is left at a moment; ``earlier``: the steps of a finished work of the same kind."""
    if not steps:
        return Left(step=None, whole=sum(s.seconds for s in earlier) if earlier else None)
    now = steps[-1]
    mine = now.rest_s
    if mine is not None:  # since the last report time has passed too
        mine = max(mine - max((at - now.ended).total_seconds(), 0.0), 0.0)
    names = [s.name for s in earlier]
    if mine is None or now.name not in names:
        return Left(step=mine, whole=None)
    begun = {s.name for s in steps}
    coming = [s.seconds for s in earlier[names.index(now.name) + 1 :] if s.name not in begun]
    return Left(step=mine, whole=mine + sum(coming))


def say_left(seconds: float | None) -> str:
    """An estimate in words, no finer than it deserves."""
    if seconds is None:
        return "not known yet"
    if seconds < 60:
        return "less than a minute"
    if seconds < 90 * 60:
        minutes = round(seconds / 60)
        return f"about {minutes} minute{'s' if minutes > 1 else ''}"
    return f"about {seconds / 3600:.1f} hours"
