"""Puts the desk's web application together."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import metadata

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from desk.pages import refusals, routes_people
from desk.pages.guards import Guards
from desk.pages.render import STATIC
from desk.shop.desk import Desk

ROUTERS = (routes_people.router,)
"""Every set of routes the desk has."""


def make_app(desk: Desk) -> FastAPI:
    """The application of one desk. The API's description lies at /api/v1/openapi.json; nothing is fetched elsewhere."""

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        desk.database.close()

    app = FastAPI(
        title="loomtriage desk",
        version=metadata.version("loomtriage"),
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        lifespan=lifespan,
    )
    app.state.desk = desk
    app.add_middleware(Guards)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    refusals.install(app)
    for router in ROUTERS:
        app.include_router(router)
    return app
