"""Middleware before every request: checks host, rate, token and forms, and sets the headers.

An admitted request has `scope["visit"]`, which includes the fields of a submitted form. They are
read and checked here, so that no page can forget to check.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Collection
from http.cookies import CookieError, SimpleCookie
from typing import NamedTuple
from urllib.parse import parse_qsl

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.page.admission import Gate, known_host, same_origin
from logger.page.pace import Pace, network_of

PER_S, BURST = 20.0, 80.0  # requests per address
TRIES_PER_S, TRIES = 0.2, 5.0  # attempts to give the token
MOST_BYTES = 65536  # per form
FORM_S = 10.0  # time limit for a form to arrive
MOST_FIELDS = 32
ENTER = "/enter"
FORM_TOKEN = "form"

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
    " manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # with no-referrer, browsers send a null Origin with forms
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Visit(NamedTuple):
    """Access rights of the visitor, the token for forms to show, and the fields submitted."""

    may_act: bool
    form_token: str
    fields: dict[str, str]


class Refused(Exception):  # noqa: N818 - a response, not an error
    """Response sent instead of the page."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Guard:
    """The middleware. `hosts` are the names of this machine, besides its addresses."""

    def __init__(self, app: ASGIApp, gate: Gate, hosts: Collection[str]) -> None:
        self._app, self._gate, self._hosts = app, gate, hosts
        self._requests, self._tries = Pace(PER_S, BURST), Pace(TRIES_PER_S, TRIES)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        try:
            scope["visit"] = await self._visit(scope, receive)
        except Refused as refused:
            retry = {"Retry-After": "5"} if refused.status == 429 else None
            words = PlainTextResponse(f"{refused}\n", refused.status, retry)
            await words(scope, receive, answer)
            return
        await self._app(scope, receive, answer)

    async def _visit(self, scope: Scope, receive: Receive) -> Visit:
        headers, now_s = Headers(scope=scope), time.monotonic()
        who = network_of((scope["client"] or ("",))[0])
        if not self._requests.allows(who, now_s):
            raise Refused(429, "Too many requests; wait a little.")
        if not known_host(headers.get("host", ""), self._hosts):
            raise Refused(421, "Unknown host name; open the page by its address.")
        cookie = _cookie(headers.get("cookie", ""), cookie_name(scope))
        may_act = bool(cookie) and self._gate.admits(cookie, time.time())
        form_token = self._gate.form(cookie) if may_act else ""
        if scope["method"] in ("GET", "HEAD"):
            return Visit(may_act, form_token, {})
        if scope["method"] != "POST":
            raise Refused(405, "Only GET and POST are accepted.")
        if not same_origin(headers):
            raise Refused(403, "Request from another site refused; nothing was done.")
        entering = scope["path"] == ENTER
        if entering and not self._tries.allows(who, now_s):
            raise Refused(429, "Too many wrong tokens; wait a little.")
        if not entering and not may_act:
            raise Refused(403, "Enter the token first, by the link in the menu; nothing was done.")
        fields = await _fields(headers, receive)
        if not entering and not self._gate.sent(cookie, fields.get(FORM_TOKEN, "")):
            raise Refused(403, "This form has expired; go back and reload the page.")
        return Visit(may_act, form_token, fields)


def cookie_name(scope: Scope) -> str:
    """Return the name of the cookie; browsers send cookies to all ports, so each has its own."""
    return f"mismatchd-page-{(scope.get('server') or ('', ''))[1]}"


def _cookie(header: str, name: str) -> str:
    try:
        morsel = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return "" if morsel is None else morsel.value


async def _fields(headers: Headers, receive: Receive) -> dict[str, str]:
    """Return the fields of a form; the last one of a name counts."""
    if headers.get("content-type", "").partition(";")[0] != "application/x-www-form-urlencoded":
        raise Refused(415, "A form must be sent as application/x-www-form-urlencoded.")
    body = b""
    try:
        async with asyncio.timeout(FORM_S):
            more = True
            while more:
                message = await receive()
                if message["type"] != "http.request":
                    raise Refused(400, "The form did not arrive.")
                body += message.get("body", b"")
                more = message.get("more_body", False)
                if len(body) > MOST_BYTES:
                    raise Refused(413, "The form is too long.")
    except TimeoutError:
        raise Refused(408, "The form did not arrive in time.") from None
    try:
        return dict(parse_qsl(body.decode(), True, max_num_fields=MOST_FIELDS, errors="strict"))
    except ValueError:
        raise Refused(400, "The form cannot be read.") from None
