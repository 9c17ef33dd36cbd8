"""The application: pages and JSON over one database, for one account or for whoever shows a token of another."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module
from threading import Thread

from fastapi import FastAPI
from fastapi.middleware.gzip import GZipMiddleware
from prometheus_client import CollectorRegistry
from starlette.staticfiles import StaticFiles

from api import (
    arrivals,
    assist,
    callpages,
    calls,
    chart,
    conditions,
    devices,
    fleet,
    health,
    mutes,
    noticeforms,
    noticepages,
    noticewishes,
    pages,
    photos,
    preferences,
    problems,
    quarantine,
    repairs,
    restchart,
    sheet,
    units,
    visitpages,
    visits,
    waves,
    work,
)
from api.arrivals import Arrivals
from api.etag import EntityTags
from api.queries import open_pool
from api.render import STATIC
from api.settings import ApiSettings
from api.shield import Shield

DESCRIPTION = """How hard the compressors of an account start, and which will need attention before they fail to start.

Times are UTC, RFC 3339; pressures kPa gauge; temperatures degrees Celsius. A list is
`{"items": [...], "next": cursor or null}`. Errors are problem documents (RFC 9457). Show a token as
`Authorization: Bearer TOKEN` or as the password of HTTP Basic."""


def _warm() -> None:
    """Load what the first reader of a unit's page would else wait seconds for."""
    for name in ("analytics.trend", "analytics.intervals", "api.startpictures"):
        import_module(name)


def create_app(settings: ApiSettings) -> FastAPI:
    """Return the ASGI application; it starts without a database and says so until there is one."""
    pool = open_pool(settings)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        pool.open(wait=False)
        Thread(target=_warm, name="warm", daemon=True).start()
        yield
        await app.state.arrivals.end()
        pool.close()

    app = FastAPI(
        title=settings.title,
        version="1",
        description=DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/openapi.json",
    )
    app.state.settings = settings
    app.state.pool = pool
    app.state.arrivals = Arrivals(settings.database)
    app.state.ending = lambda: False
    app.state.registry = CollectorRegistry()
    problems.install(app)
    for module in (
        calls,
        units,
        visits,
        photos,
        work,
        preferences,
        noticeforms,
        noticewishes,
        noticepages,
        mutes,
        fleet,
        devices,
        quarantine,
        repairs,
        health,
        chart,
        conditions,
        restchart,
        waves,
        sheet,
        assist,
        arrivals,
        callpages,
        visitpages,
        pages,
    ):
        app.include_router(module.router)
    for module in (units, pages):
        app.include_router(module.bare)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(EntityTags)
    app.add_middleware(GZipMiddleware, minimum_size=1_000)
    app.add_middleware(Shield, registry=app.state.registry)
    return app
