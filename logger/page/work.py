"""Pages that assist work at the antenna, the event streams, and the token page."""

from __future__ import annotations

import time

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from logger.cautions import TUNE, WIGGLE
from logger.page.admission import COOKIE_S
from logger.page.events import MOST_STREAMS, Events
from logger.page.latest_state import LatestState
from logger.page.site import Site
from logger.wiggle.session import KEY_DOWN_S, LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S
from logger.wiggle.words import JOINTS


def readings(request: Request) -> Events | Response:
    """Stream the state of the live page."""
    return _stream(_site(request), _site(request).live)


def joints(request: Request) -> Events | Response:
    """Stream the state of the wiggle page."""
    return _stream(_site(request), _site(request).joints)


async def wiggle(request: Request) -> Response:
    """Show the wiggle page, which finds the joint that changes the reflection."""
    site = _site(request)
    its = site.wiggling
    values = {
        "going": its.shown(),
        "ranked": its.ranked(),
        "left": None if its.active else its.unfinished(),
        "names": JOINTS,
        "cautions": WIGGLE,
        "seconds": KEY_DOWN_S,
        "seconds_span": (LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S),
        "shown": site.first_sight(),
    }
    return site.page(request, "wiggle.html", values)


async def tap(request: Request) -> Response:
    """Apply a tap on the wiggle page."""
    site = _site(request)
    its, fields = site.wiggling, request.scope["visit"].fields
    what = request.path_params["what"]
    if what == "begin":
        await its.begin(fields.get("joints", ""), fields.get("seconds", ""))
    elif what == "resume":
        await its.resume(fields.get("seconds", ""))
    elif what == "next":
        await its.go_on(fields.get("step", ""))
    elif what == "again":
        await its.again(fields.get("step", ""))
    else:
        await its.end()
    site.watcher.wanted()
    site.tell_joints()
    return RedirectResponse("/wiggle", 303)


def positions(request: Request) -> Events | Response:
    """Stream the state of the adjusting page."""
    return _stream(_site(request), _site(request).positions)


async def tune(request: Request) -> Response:
    """Show the adjusting page: the resonance at each position and the advised next setting."""
    site = _site(request)
    its = site.adjusting
    values = {
        "going": its.shown(),
        "left": None if its.active else its.unfinished(),
        "cautions": TUNE,
        "shown": site.first_sight(),
    }
    return site.page(request, "tune.html", values)


async def adjust(request: Request) -> Response:
    """Apply a tap on the adjusting page."""
    site = _site(request)
    its, fields = site.adjusting, request.scope["visit"].fields
    what, step = request.path_params["what"], fields.get("step", "")
    if what == "begin":
        await its.begin(fields)
    elif what == "resume":
        await its.resume()
    elif what == "set":
        await its.set(fields.get("at", ""), step)
    elif what == "channel":
        await its.channel(fields.get("channel", ""), step)
    elif what == "forget":
        await its.forget(step)
    else:
        await its.end()
    site.watcher.wanted()
    site.tell_positions()
    return RedirectResponse("/tune", 303)


def enter(request: Request) -> Response:
    """Show the form for the token."""
    return _site(request).page(request, "enter.html", {"wrong": False})


def entered(request: Request) -> Response:
    """Check the token given; set the cookie if it is right."""
    site = _site(request)
    if not site.gate.opens(request.scope["visit"].fields.get("token", "").strip()):
        return site.page(request, "enter.html", {"wrong": True}, 403)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        site.cookie,
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
    answer.delete_cookie(_site(request).cookie)
    return answer


def _stream(site: Site, board: LatestState) -> Events | Response:
    if site.audience >= MOST_STREAMS:
        return Response("Too many viewers connected.", 503, {"Retry-After": "5"})
    return Events(board, site.watcher.wanted)


def _site(request: Request) -> Site:
    site: Site = request.app.state.site
    return site
