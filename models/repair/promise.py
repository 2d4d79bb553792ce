"""The day a shop promises: working days of waiting and of work, by the shop's own table."""

from __future__ import annotations

import math
from datetime import date, timedelta

from models.repair.prices import WEEKDAYS, Prices

_LONGEST_DAYS = 4000


def promised(prices: Prices, offer: str, minutes: float, start: date) -> date:
    """The day an offer is ready when it is agreed to on `start`: the wait, then the work, working days only.

    offer : name of one of `models.repair.offers`; the day of agreement itself does not count.
    """
    table = prices.promise
    waits = {
        "repair": table.wait_days_repair,
        "remanufactured assembly": table.wait_days_remanufactured,
        "new assembly": table.wait_days_new,
    }
    days = waits[offer] + max(1, math.ceil(minutes / 60 / table.hours_per_day))
    open_on = {WEEKDAYS.index(name) for name in table.working_days}
    day = start
    for _ in range(_LONGEST_DAYS):
        if days == 0:
            return day
        day += timedelta(days=1)
        days -= day.weekday() in open_on and day not in table.closed_days
    raise ValueError(f"expected a day within {_LONGEST_DAYS} days, got none: look at [promise] in the price file")
