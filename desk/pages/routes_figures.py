"""The page of figures over the months, and everything on record as files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Request
from markupsafe import Markup
from starlette.responses import Response, StreamingResponse

from desk import charts
from desk.charts import Dot, Line
from desk.figures import Figures, Spread, say_days, unit_of
from desk.pages.access import Visitor, desk_of, require
from desk.pages.render import page
from desk.shop import export
from desk.shop.desk import Desk
from desk.shop.looking_back import MONTHS, figures_of
from desk.statistics import Estimate
from desk.wording import say_label

router = APIRouter()
TheDesk = Annotated[Desk, Depends(desk_of)]
Reader = Annotated[Visitor, Depends(require("reviewer", "analyst"))]
Analyst = Annotated[Visitor, Depends(require("analyst"))]
Span = Annotated[int, Query(ge=1, le=120)]


@router.get("/figures", include_in_schema=False)
def figures_page(request: Request, desk: TheDesk, visitor: Reader, months: Span = MONTHS) -> Response:
    with desk.database.read() as session:
        found = figures_of(session, desk, months)
    return page(
        request, "figures.html.j2", found=found, charts=_charts(found), months=months, names=export.NAMES,
        words=export.WORDS, say_days=say_days, time_unit=_WORDS[_unit(found)[0]],
    )  # fmt: skip


@router.get("/api/v1/figures", tags=["looking back"])
def figures_api(desk: TheDesk, visitor: Reader, months: Span = MONTHS) -> dict[str, Any]:
    """The same figures as on the page: shares and kappas with their 95 % intervals and number of cases."""
    with desk.database.read() as session:
        return asdict(figures_of(session, desk, months))


@router.get("/exports/{name}.{kind}", include_in_schema=False)
def export_file(desk: TheDesk, visitor: Analyst, name: str, kind: Literal["csv", "json"]) -> Response:
    return _streamed(desk, name, kind)


@router.get("/api/v1/exports/{name}.{kind}", tags=["looking back"])
def export_api(desk: TheDesk, visitor: Analyst, name: str, kind: Literal["csv", "json"]) -> Response:
    """Rows of the records, streamed; `everything.json` holds all lists."""
    return _streamed(desk, name, kind)


def _streamed(desk: Desk, name: str, kind: str) -> Response:
    if not (name == "everything" and kind == "json"):
        export.known(name)
    lines: Iterator[bytes] = (
        export.csv_lines(desk.database, name) if kind == "csv" else export.json_parts(desk.database, name)
    )
    media = "text/csv; charset=utf-8" if kind == "csv" else "application/json"
    headers = {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    return StreamingResponse(lines, media_type=media, headers=headers)


def _charts(found: Figures) -> dict[str, Markup]:
    """The charts' SVG; every text in them is escaped there."""
    across = [month.month for month in found.months]
    unit, per_day = _unit(found)
    mix = [
        (say_label(label) if label else "nothing named yet", share.value or 0.0, f"{100 * (share.value or 0):.0f} %")
        for label, share in found.mix
    ]
    drawn = {
        "mix": charts.bars("Damage mix: share of assemblies by leading label", mix),
        "unsure": charts.lines(
            "Share of unsure answers by month", across, [Line("unsure", "a", [_share(m.unsure) for m in found.months])],
            100.0,
        ),
        "turnaround": charts.lines(
            f"Median {_WORDS[unit]} by month of intake", across,
            [
                Line("to the sign-off", "a", [_times(month.signed, per_day) for month in found.months]),
                Line("to the closing", "b", [_times(month.closed, per_day) for month in found.months]),
            ],
        ),
        "right": charts.lines(
            "Share of the model's sure labels that people kept, by month", across,
            [Line("kept", "a", [_share(month.right) for month in found.months])], 100.0,
        ),
        "kappa": charts.lines(
            "Cohen's kappa by month", across,
            [
                Line("two people", "a", [_kappa(month.kappa_people) for month in found.months]),
                Line("model and people", "b", [_kappa(month.kappa_model) for month in found.months]),
            ],
            1.0,
        ),
    }  # fmt: skip
    return {name: Markup(svg) for name, svg in drawn.items()}


def _share(found: Estimate) -> Dot:
    return Dot(*(None if v is None else 100 * v for v in (found.value, found.low, found.high)))


_WORDS = {"min": "minutes", "h": "hours", "days": "days"}


def _unit(found: Figures) -> tuple[str, float]:
    """One unit for the whole chart, by the longest time in it."""
    return unit_of(spread.high for month in found.months for spread in (month.signed, month.closed))


def _times(found: Spread, per_day: float) -> Dot:
    return Dot(*(None if v is None else per_day * v for v in (found.median, found.low, found.high)))


def _kappa(found: Estimate) -> Dot:
    return Dot(found.value, found.low, found.high)
