"""Figures over a shop's months: damage mix, unsure answers, turnaround, the model against people, people among them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

import numpy as np

from desk.review.agreement import Pair, agreement
from desk.statistics import Estimate, wilson

Item = TypeVar("Item")


@dataclass(frozen=True)
class Named:
    """One place of one signed-off assembly: what the model and the people called it, and a blind second opinion."""

    assembly_id: int
    at: datetime
    model: str | None
    unsure: bool
    people: str
    second: str | None = None


@dataclass(frozen=True)
class Turnaround:
    """Days from intake to the first sign-off, and to the closing; None where it has not come yet."""

    opened_at: datetime
    signed_days: float | None
    closed_days: float | None


@dataclass(frozen=True)
class Spread:
    """Median and middle half of some days."""

    median: float | None
    low: float | None
    high: float | None
    n: int


@dataclass(frozen=True)
class Month:
    """All that happened in one month, `2026-03`."""

    month: str
    assemblies: int
    unsure: Estimate
    signed: Spread
    closed: Spread
    right: Estimate
    kappa_model: Estimate
    kappa_people: Estimate


@dataclass(frozen=True)
class Figures:
    """The months in order, and over all of them the damage mix: assemblies by leading label, None where none."""

    months: tuple[Month, ...]
    mix: tuple[tuple[str | None, Estimate], ...]
    kappa_model: Estimate
    kappa_people: Estimate


def month_of(moment: datetime) -> str:
    """The month on the shop's own calendar."""
    local = moment.astimezone()
    return f"{local.year}-{local.month:02d}"


def spread(days: Iterable[float | None]) -> Spread:
    """Median and quartiles of those that are there."""
    known = [value for value in days if value is not None]
    if not known:
        return Spread(None, None, None, 0)
    low, median, high = np.quantile(known, [0.25, 0.5, 0.75])
    return Spread(float(median), float(low), float(high), len(known))


_UNITS = (("min", 24 * 60.0, 2 / 24), ("h", 24.0, 2.0), ("days", 1.0, math.inf))
"""Units of a time: so many to a day, used below so many days."""


def unit_of(days: Iterable[float | None]) -> tuple[str, float]:
    """The unit in which the longest of some times is best read, and how many of it are a day."""
    longest = max((value for value in days if value is not None), default=math.inf)
    return next((name, per_day) for name, per_day, below in _UNITS if longest < below or below == math.inf)


def say_days(found: Spread) -> tuple[str, str]:
    """Median with its unit, and the middle half in the same one: `35 min`, `20 to 50 min`; dashes where nothing is."""
    if found.median is None or found.low is None or found.high is None:
        return "–", ""
    unit, per_day = unit_of([found.high])
    median, low, high = (value * per_day for value in (found.median, found.low, found.high))
    digits = 0 if unit == "min" and high >= 10 else 1
    return f"{median:.{digits}f} {unit}", f"{low:.{digits}f} to {high:.{digits}f} {unit}"


def figures(
    opened: Sequence[tuple[datetime, str | None]],
    answers: Sequence[tuple[datetime, bool]],
    turnarounds: Sequence[Turnaround],
    places: Sequence[Named],
) -> Figures:
    """Everything by month. opened : each assembly and its leading label; answers : each assessment, and if unsure."""
    opened_in, answered_in = by_month(opened, lambda one: one[0]), by_month(answers, lambda one: one[0])
    turned_in, named_in = by_month(turnarounds, lambda one: one.opened_at), by_month(places, lambda one: one.at)
    mix = Counter(label for _, label in opened)
    ordered = sorted(mix.items(), key=lambda item: (item[0] is None, -item[1], item[0] or ""))
    return Figures(
        months=tuple(
            _month(
                name, len(opened_in.get(name, ())), [flag for _, flag in answered_in.get(name, ())],
                turned_in.get(name, ()), named_in.get(name, ()),
            )
            for name in sorted({*opened_in, *answered_in, *named_in})
        ),
        mix=tuple((label, wilson(count, len(opened))) for label, count in ordered),
        kappa_model=_kappa_model(places),
        kappa_people=_kappa_people(places),
    )  # fmt: skip


def by_month(items: Sequence[Item], at: Callable[[Item], datetime]) -> dict[str, list[Item]]:
    """The items of each month."""
    found: dict[str, list[Item]] = {}
    for item in items:
        found.setdefault(month_of(at(item)), []).append(item)
    return found


def _month(
    name: str, assemblies: int, unsure: Sequence[bool], turned: Sequence[Turnaround], named: Sequence[Named]
) -> Month:
    sure = [place for place in named if place.model is not None and not place.unsure]
    return Month(
        month=name,
        assemblies=assemblies,
        unsure=wilson(sum(unsure), len(unsure)),
        signed=spread(one.signed_days for one in turned),
        closed=spread(one.closed_days for one in turned),
        right=wilson(sum(place.model == place.people for place in sure), len(sure)),
        kappa_model=_kappa_model(named),
        kappa_people=_kappa_people(named),
    )


def _kappa_model(places: Sequence[Named]) -> Estimate:
    """The model's leading label against the people's, unsure ones among them."""
    return agreement(_by_assembly((p.assembly_id, (p.model, p.people)) for p in places if p.model is not None))


def _kappa_people(places: Sequence[Named]) -> Estimate:
    return agreement(_by_assembly((p.assembly_id, (p.people, p.second)) for p in places if p.second is not None))


def _by_assembly(pairs: Iterable[tuple[int, Pair]]) -> list[list[Pair]]:
    groups: dict[int, list[Pair]] = {}
    for assembly_id, pair in pairs:
        groups.setdefault(assembly_id, []).append(pair)
    return list(groups.values())
