"""Pages that assist work at the antenna, the event streams, and the token page."""

from __future__ import annotations

import asyncio
import re
import time
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from logger.live.status import ask
from logger.page.admission import COOKIE_S
from logger.page.events import Events, LatestState
from logger.page.guard import cookie_name
from logger.page.session import PageSession
from logger.page.site import site_of

PAGE = re.compile(r"/(?!/)[\w./-]*")  # of this site


def readings(request: Request) -> Events | Response:
    """Stream the state of the live page."""
    return _stream(request, site_of(request).live)


def states(request: Request) -> Events | Response:
    """Stream the state of a session."""
    site = site_of(request)
    return _stream(request, site.boards[_session(request).name])


async def session(request: Request) -> Response:
    """Show the page of a session."""
    site, work = site_of(request), _session(request)
    values = await asyncio.to_thread(work.values)
    runs = await asyncio.to_thread(ask, site.station.store) is not None
    values |= {"live": site.initial_state(), "runs": runs}
    return site.page(request, f"{work.name}.html", values)


async def tap(request: Request) -> Response:
    """Apply a tap on the page of a session."""
    site, work = site_of(request), _session(request)
    what, fields = request.path_params["what"], request.scope["visit"].fields
    if what == "pause":
        await work.pause(fields.get("step", ""))
    else:
        await work.apply(what, fields)
    site.watcher.keep_open()
    site.post(work)
    return RedirectResponse(f"/{work.name}", 303)


def _session(request: Request) -> PageSession[Any]:
    return site_of(request).sessions[request.url.path.split("/")[1]]


def enter(request: Request) -> Response:
    """Show the form for the token."""
    to = request.query_params.get("to", "")
    return site_of(request).page(request, "enter.html", {"wrong": False, "to": to})


def entered(request: Request) -> Response:
    """Check the token given; set the cookie if it is right."""
    site, fields = site_of(request), request.scope["visit"].fields
    to = fields.get("to", "")
    if not site.gate.opens(fields.get("token", "").strip()):
        return site.page(request, "enter.html", {"wrong": True, "to": to}, 403)
    answer = RedirectResponse(to if PAGE.fullmatch(to) else "/", 303)
    answer.set_cookie(
        cookie_name(request.scope),
        site.gate.cookie(time.time()),
        max_age=COOKIE_S,
        secure=site.secure,
        httponly=True,
        samesite="strict",
    )
    return answer


def leave(request: Request) -> Response:
    """Delete the cookie on this device."""
    answer = RedirectResponse("/", 303)
    answer.delete_cookie(cookie_name(request.scope))
    return answer


def _stream(request: Request, board: LatestState) -> Events | Response:
    site = site_of(request)
    if site.is_crowded:
        return Response("Too many viewers connected.", 503, {"Retry-After": "5"})
    return Events(board, site.watcher.keep_open)
