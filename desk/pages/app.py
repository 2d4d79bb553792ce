"""Puts the desk's web application together."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import metadata

from fastapi import FastAPI

from desk.pages import (
    opinion_routes,
    refusals,
    review_routes,
    routes_api,
    routes_api_learning,
    routes_api_more,
    routes_api_opinions,
    routes_api_papers,
    routes_figures,
    routes_intake,
    routes_learning,
    routes_orders,
    routes_papers,
    routes_people,
    routes_queue,
    routes_runs,
)
from desk.pages.assets import Assets
from desk.pages.guards import Guards
from desk.shop.desk import Desk

ROUTERS = (
    routes_people.router, routes_intake.router, routes_queue.router, review_routes.router, opinion_routes.router,
    routes_orders.router, routes_papers.router, routes_api.router, routes_api_more.router,
    routes_api_papers.router,
    routes_api_opinions.router,
    routes_api_learning.router,
    routes_figures.router,
    routes_learning.router,
    routes_runs.router,
)  # fmt: skip
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
    app.mount("/static", Assets(), name="static")
    refusals.install(app)
    for router in ROUTERS:
        app.include_router(router)
    # lists lead straight to the review where there is one
    paths = {getattr(route, "path", "") for router in ROUTERS for route in router.routes}
    app.state.has_review = "/assemblies/{assembly_id}/review" in paths
    return app
