"""What a list of assemblies is narrowed to, read from an address; for the page and the API alike."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Query

from desk.shop.queue import Filters


def filters_of(
    text: str = "",
    label: str = "",
    route: str = "",
    state: str = "",
    vehicle: str = "",
    since: str = "",
    until: str = "",
) -> Filters:
    """Words, damage label, route, state, vehicle and days; what is left out narrows nothing."""
    return Filters(text, label, route, state, vehicle, since, until)


Narrowed = Annotated[Filters, Depends(filters_of)]
PageNumber = Annotated[int, Query(alias="page", ge=1, le=1_000_000)]
