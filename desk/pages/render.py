"""Fills the desk's templates; everything put into them is escaped."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from desk.pages.access import Visitor
from desk.pages.assets import static_url
from desk.pages.units import say_ago, say_length, say_moment
from desk.quote import HOW_WORDS, PROVISIONAL
from desk.shop.assemblies import CLASS_WORDS
from desk.shop.people import ROLE_WORDS, ROLES
from desk.wording import (
    CLOSING_WORDS,
    ROUTE_WORDS,
    VERDICT_WORDS,
    asked_no_more,
    asked_together,
    say_label,
    say_mark,
    say_places,
    say_plan,
    say_step,
    say_worst_of,
)
from models.repair.words import LABEL_WORDS

_HERE = Path(__file__).parent
_OPTION = re.compile(r" \([^()]*--[a-z-]+[^()]*\)")


@cache
def templates() -> Environment:
    """The templates, which fail on an unknown name rather than show nothing."""
    found = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    found.filters.update(
        length=say_length,
        moment=say_moment,
        ago=say_ago,
        label=say_label,
        mark=say_mark,
        places=say_places,
        without_options=without_options,
    )
    found.globals.update(
        CLASS_WORDS=CLASS_WORDS,
        LABEL_WORDS=LABEL_WORDS,
        ROUTE_WORDS=ROUTE_WORDS,
        ROLES=ROLES,
        ROLE_WORDS=ROLE_WORDS,
        say_plan=say_plan,
        say_step=say_step,
        asked_no_more=asked_no_more,
        asked_together=asked_together,
        say_worst_of=say_worst_of,
        CLOSING_WORDS=CLOSING_WORDS,
        HOW_WORDS=HOW_WORDS,
        PROVISIONAL=PROVISIONAL,
        VERDICT_WORDS=VERDICT_WORDS,
        static=static_url,
    )
    return found


def without_options(text: str) -> str:
    """A sentence without the names of command options in it; a page has fields instead."""
    return _OPTION.sub("", text)


def page(request: Request, name: str, /, status: int = 200, **context: Any) -> HTMLResponse:
    """A page for the person who asks; the template sees `visitor` (None before sign-in), `unit` and `path`."""
    visitor: Visitor | None = getattr(request.state, "visitor", None)
    account = visitor.account if visitor else None
    known = {
        "visitor": visitor,
        "account": account,
        "unit": account.unit if account else "mm",
        "theme": account.theme if account else "auto",
        "path": request.url.path,
        "has_review": request.app.state.has_review,
        "LABEL_WORDS": {name: say_label(name) for name in request.app.state.desk.labels},
    }
    return HTMLResponse(templates().get_template(name).render(known | context), status)
