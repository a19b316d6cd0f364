"""Pages that assist work at the antenna, the event streams, and the token page."""

from __future__ import annotations

import time

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from logger.cautions import TUNE, WIGGLE
from logger.page.admission import COOKIE_S
from logger.page.events import Events, LatestState
from logger.page.site import site_of
from logger.wiggle.session import KEY_DOWN_S, LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S
from logger.wiggle.words import JOINTS


def readings(request: Request) -> Events | Response:
    """Stream the state of the live page."""
    return _stream(request, site_of(request).live)


def joints(request: Request) -> Events | Response:
    """Stream the state of the wiggle page."""
    return _stream(request, site_of(request).joints)


async def wiggle(request: Request) -> Response:
    """Show the wiggle page, which finds the joint that changes the reflection."""
    site = site_of(request)
    wiggling = site.wiggling
    values = {
        "session": wiggling.view(),
        "ranked": wiggling.ranked(),
        "unfinished": None if wiggling.active else wiggling.unfinished(),
        "names": JOINTS,
        "cautions": WIGGLE,
        "seconds": KEY_DOWN_S,
        "seconds_span": (LEAST_KEY_DOWN_S, MOST_KEY_DOWN_S),
        "live": site.initial_state(),
    }
    return site.page(request, "wiggle.html", values)


async def tap(request: Request) -> Response:
    """Apply a tap on the wiggle page."""
    site = site_of(request)
    wiggling, fields = site.wiggling, request.scope["visit"].fields
    what = request.path_params["what"]
    if what == "begin":
        await wiggling.begin(fields.get("joints", ""), fields.get("seconds", ""))
    elif what == "resume":
        await wiggling.resume(fields.get("seconds", ""))
    elif what == "next":
        await wiggling.go_on(fields.get("step", ""))
    elif what == "again":
        await wiggling.again(fields.get("step", ""))
    else:
        await wiggling.end()
    site.watcher.keep_open()
    site.post_joints()
    return RedirectResponse("/wiggle", 303)


def positions(request: Request) -> Events | Response:
    """Stream the state of the adjusting page."""
    return _stream(request, site_of(request).positions)


async def tune(request: Request) -> Response:
    """Show the adjusting page: the resonance at each position and the advised next setting."""
    site = site_of(request)
    adjusting = site.adjusting
    values = {
        "session": adjusting.view(),
        "unfinished": None if adjusting.active else adjusting.unfinished(),
        "cautions": TUNE,
        "live": site.initial_state(),
    }
    return site.page(request, "tune.html", values)


async def adjust(request: Request) -> Response:
    """Apply a tap on the adjusting page."""
    site = site_of(request)
    adjusting, fields = site.adjusting, request.scope["visit"].fields
    what, step = request.path_params["what"], fields.get("step", "")
    if what == "begin":
        await adjusting.begin(fields)
    elif what == "resume":
        await adjusting.resume()
    elif what == "set":
        await adjusting.set(fields.get("at", ""), step)
    elif what == "channel":
        await adjusting.channel(fields.get("channel", ""), step)
    elif what == "forget":
        await adjusting.forget(step)
    else:
        await adjusting.end()
    site.watcher.keep_open()
    site.post_positions()
    return RedirectResponse("/tune", 303)


def enter(request: Request) -> Response:
    """Show the form for the token."""
    return site_of(request).page(request, "enter.html", {"wrong": False})


def entered(request: Request) -> Response:
    """Check the token given; set the cookie if it is right."""
    site = site_of(request)
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
    answer.delete_cookie(site_of(request).cookie)
    return answer


def _stream(request: Request, board: LatestState) -> Events | Response:
    site = site_of(request)
    if site.is_crowded:
        return Response("Too many viewers connected.", 503, {"Retry-After": "5"})
    return Events(board, site.watcher.keep_open)
