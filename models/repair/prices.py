"""The shop's times and prices: the shipped example, with the shop's own TOML laid over it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from models.repair.plan_programme import Weights

Amount = Annotated[float, Field(ge=0.0, le=1_000_000.0, allow_inf_nan=False, strict=True)]
Months = Annotated[int, Field(ge=0, le=600, strict=True)]

Days = Annotated[int, Field(ge=0, le=365, strict=True)]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[str, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class PricesError(ValueError):
    """A price file that cannot be used; `lines` holds one line for each mistake."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        super().__init__("\n".join(lines))


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Minutes(_Table):
    """Minutes of work."""

    joint: Amount
    terminal: Amount
    sleeve: Amount
    wire_per_m: Amount
    cavity: Amount
    open_covering_per_m: Amount
    tests_per_wire: Amount
    setting_up: Amount


class Price(_Table):
    """Prices in the file's currency."""

    labour_per_hour: Amount
    joint: Amount
    terminal: Amount
    seal: Amount
    plug: Amount
    housing: Amount
    sleeve: Amount
    wire_per_m_mm2: Amount
    unknown_size_mm2: Annotated[float, Field(gt=0.0, le=1000.0, strict=True)]
    surcharge_rodent: Amount


class AssemblyPrice(_Table):
    """What the customer may choose instead."""

    remanufactured: Amount
    remanufactured_minutes: Amount
    new: Amount
    new_minutes: Amount
    warranty_repair_months: Months
    warranty_remanufactured_months: Months
    warranty_new_months: Months


class Promise(_Table):
    """How a promised day is counted."""

    hours_per_day: Annotated[float, Field(gt=0.0, le=1000.0, strict=True)]
    working_days: Annotated[tuple[Weekday, ...], Field(min_length=1)]
    closed_days: tuple[date, ...]
    wait_days_repair: Days
    wait_days_remanufactured: Days
    wait_days_new: Days
    valid_days: Annotated[int, Field(ge=1, le=365, strict=True)]


class Prices(_Table):
    """All tables. `invented`: the numbers are examples, not a shop's."""

    currency: Annotated[str, Field(min_length=1, max_length=8)]
    invented: Annotated[bool, Field(strict=True)]
    minutes: Minutes
    price: Price
    assembly: AssemblyPrice
    promise: Promise

    def labour(self, minutes: float) -> float:
        """Price of so much work."""
        return minutes / 60 * self.price.labour_per_hour

    def weights(self) -> Weights:
        """What the plan minimises: work and material of a joint, a terminal and a metre of new wire."""
        return Weights(
            joint=self.labour(self.minutes.joint) + self.price.joint,
            terminal=self.labour(self.minutes.terminal) + self.price.terminal + self.price.seal,
            wire_per_m=self.labour(self.minutes.wire_per_m) + self.price.wire_per_m_mm2 * self.price.unknown_size_mm2,
        )


def load_prices(path: Path | None = None) -> Prices:
    """The example prices, with the shop's file laid over them; raises PricesError with all its mistakes."""
    base = tomllib.loads(resources.files("models.repair").joinpath("prices.toml").read_text("utf-8"))
    if path is None:
        return Prices.model_validate(base)
    try:
        own = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise PricesError(
            [f"{path.name}: expected a readable TOML file, got {error.strerror or 'no access'}"]
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PricesError([f"{path.name}: expected valid TOML in UTF-8, got {error}"]) from error
    try:
        return Prices.model_validate(_laid_over(base, own))
    except ValidationError as error:
        raise PricesError([f"{path.name}: {_line(detail)}" for detail in error.errors()]) from error


def _laid_over(base: Mapping[str, Any], top: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in top.items():
        below = merged.get(key)
        merged[key] = _laid_over(below, value) if isinstance(below, Mapping) and isinstance(value, Mapping) else value
    return merged


def _line(detail: Any) -> str:
    key = ".".join(str(part) for part in detail["loc"])
    if detail["type"] == "extra_forbidden":
        return f"{key}: expected no such key, got {detail['input']!r}"
    message = str(detail["msg"]).removeprefix("Input should be ")
    return f"{key}: expected {message[0].lower() + message[1:]}, got {detail['input']!r}"
