"""The ASGI application: all routes, behind the guard."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from contextlib import asynccontextmanager, suppress
from types import MappingProxyType

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from logger.errors import MismatchdError, UsageError
from logger.page import cables, faults, handbook, instrument, views, work
from logger.page.chart_renderer import Rendering
from logger.page.guard import Guard
from logger.page.site import Site, templates
from logger.page.stations import ROOT, Overview, StationChoice

log = logging.getLogger("mismatchd")

TITLES = {404: "Not found", 503: "Not available"}
PAGES = "There is no such page; choose a station:"
NONE: Mapping[str, str] = MappingProxyType({})
GONE = "There is no such page, or what it showed is past retention."


def application(
    sites: Sequence[Site],
    rendering: Rendering,
    hosts: Collection[str],
    invalid: Mapping[str, str] = NONE,
) -> StationChoice:
    """Return the application of the sites; `hosts` are the names of this machine.

    All sites have the same gate, so that a visitor gives the token once. `invalid` has the stations
    that cannot be served, and why.
    """
    for site in sites:
        site.sites = sites
    overview = Overview(sites, invalid)

    @asynccontextmanager
    async def working(_: Starlette) -> AsyncIterator[None]:
        runs = [site.watcher.run for site in sites]
        runs += [session.run for site in sites for session in site.sessions.values()]
        tasks = [asyncio.create_task(run()) for run in runs]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            rendering.close()
            for session in (session for site in sites for session in site.sessions.values()):
                with suppress(MismatchdError):
                    await session.close()

    app = Starlette(
        routes=[
            Route("/", views.home),
            Route("/recent", views.recent),
            Route("/overview", views.overview),
            Route("/events", work.readings),
            Route("/transmissions", views.transmissions),
            Route("/transmissions/{id:int}", views.transmission),
            Route("/captures", views.captures),
            Route("/captures/{id:int}", views.capture),
            Route("/charts/{kind}/{id:int}", views.chart),
            Route("/faults", faults.faults),
            Route("/faults/{id:int}", faults.fault),
            Route("/faults/{id:int}/acknowledge", faults.acknowledge, methods=["POST"]),
            Route("/faults/{id:int}/repair", faults.repair, methods=["POST"]),
            Route("/alarms", views.alarms),
            Route("/alarms/{id:int}", views.alarm),
            Route("/alarms/{id:int}/acknowledge", views.acknowledge, methods=["POST"]),
            Route("/alarms/{id:int}/shelve", views.shelve, methods=["POST"]),
            Route("/health", instrument.health),
            Route("/calibration", instrument.calibration),
            Route("/cables", cables.compare),
            Route("/drift", views.drift),
            Route("/report", views.report),
            Route("/report/file", views.report_file),
            Route("/journal", views.journal),
            Route("/journal", views.note, methods=["POST"]),
            Route("/help", handbook.topics),
            Route("/help/{name}.md", handbook.topic),
            Route("/help/{name}.svg", handbook.drawing),
            *(
                route
                for name in sites[0].sessions
                for route in (
                    Route(f"/{name}", work.session),
                    Route(f"/{name}/events", work.states),
                    Route(f"/{name}/{{what}}", work.tap, methods=["POST"]),
                )
            ),
            Route("/enter", work.enter),
            Route("/enter", work.entered, methods=["POST"]),
            Route("/leave", work.leave, methods=["POST"]),
            Route("/manifest.webmanifest", views.manifest),
            *(Route(site.prefix, add_slash) for site in sites if site.prefix),
            *([Route(ROOT, stations)] if sites[0].prefix else []),
            Route("/static/palette.css", views.palette),
            Mount("/static", StaticFiles(packages=[("logger.page", "static")])),
        ],
        middleware=[Middleware(Guard, sites[0].gate, hosts)],
        lifespan=working,
        exception_handlers={
            HTTPException: _show_status,
            MismatchdError: _refuse,
            views.Missing: _show_missing,
            Exception: _report_fault,
        },
    )
    app.state.overview = overview
    return StationChoice(app, sites)


def stations(request: Request, words: str = "", status: int = 200) -> Response:
    """Show all stations."""
    states = request.app.state.overview.states()
    text = templates().get_template("stations.html").render(stations=states, words=words)
    return HTMLResponse(text, status)


def add_slash(request: Request) -> Response:
    """Redirect to the first page of a station; links on it may be relative."""
    if request.scope["site"] is not None:  # below another station
        raise views.Missing
    return RedirectResponse(f"{request.url.path}/")


def _show_trouble(request: Request, status: int, words: str) -> Response:
    site: Site | None = request.scope["site"]
    if site is None:
        return stations(request, words, status)
    title = TITLES.get(status, "The request failed")
    return site.page(request, "trouble.html", {"words": words, "title": title}, status)


def _show_status(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404:
        return _show_missing(request, error)
    return _show_trouble(request, error.status_code, error.detail)


def _show_missing(request: Request, _: Exception) -> Response:
    if request.scope["site"] is None:
        name = request.url.path.removeprefix(ROOT).partition("/")[0]
        words = f"There is no station {name[:40]!r} here; these are served:"
        return stations(request, words if request.url.path.startswith(ROOT) else PAGES, 404)
    return _show_trouble(request, 404, GONE)


def _refuse(request: Request, error: Exception) -> Response:
    status = 400 if isinstance(error, UsageError) else 503
    return _show_trouble(request, status, str(error))


def _report_fault(request: Request, error: Exception) -> Response:
    log.error("page: %s: %r", request.url.path, error, exc_info=error)
    return _show_trouble(request, 500, "Internal error; see the log of `mismatchd page`.")
