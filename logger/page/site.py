"""State shared by all pages: the station, its live states, and the rendering of templates."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import msgspec
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse

from logger.charts.palette import THEMES
from logger.errors import StoreError
from logger.live.headline import fault_text, list_states
from logger.live.reading import LiveReading
from logger.live.reading_tracker import ReadingTracker
from logger.page.adjusting import Adjusting
from logger.page.admission import Gate
from logger.page.chart_renderer import ChartRenderer, Rendering
from logger.page.drawings import Station
from logger.page.events import MOST_STREAMS, LatestState
from logger.page.isolating import Isolating
from logger.page.measuring import Measuring
from logger.page.reading import UNKNOWN, live_state, place, scale
from logger.page.session import PageSession
from logger.page.stations import add_prefix
from logger.page.verifying import Verifying
from logger.page.watcher import Watcher
from logger.page.wiggling import Wiggling
from logger.store.faults import Faults, Headline
from logger.store.reader import Store
from logger.wiggle.words import percent
from logger.wording import capitalize, count, list_ids

PERIOD_S = 0.1
FAULTS_S = 1.0


class Site:
    """Pages of one station.

    With several stations, each has its `title` and the `prefix` of its addresses, and `sites` are
    those of all; otherwise they are the name, "" and this site alone.
    """

    def __init__(
        self,
        station: Station,
        gate: Gate,
        secure: bool,
        reference: Callable[[], str],
        rendering: Rendering,
        title: str | None = None,
        prefix: str = "",
    ) -> None:
        """`reference` returns the reference of the handbook as Markdown."""
        self.station, self.gate, self.secure = station, gate, secure
        self.reference = reference
        self.title, self.prefix = title or station.name, prefix
        self.sites: Sequence[Site] = (self,)
        self.live = LatestState()
        self.renderer = ChartRenderer(station, rendering)
        sessions: Sequence[PageSession[Any]] = (
            Wiggling(station.store),
            Adjusting(station, self.post),
            Isolating(station, self.post),
            Verifying(station, self.post),
            Measuring(station, self.post),
        )
        self.sessions = {session.name: session for session in sessions}
        self.boards = {name: LatestState() for name in self.sessions}
        self.watcher = Watcher(station.store, self._receive)
        self._tracker = ReadingTracker()
        self._connected = False
        self._posted_s = 0.0
        self._headlines: list[Headline] = []
        self._faults_read_s = -FAULTS_S

    def opened(self) -> Store:
        """Open the store for one page. Raises StoreError."""
        return Store.reader(self.station.store)

    def page(
        self, request: Request, template: str, values: dict[str, Any], status: int = 200
    ) -> HTMLResponse:
        """Render a whole page."""
        visit = request.scope["visit"]
        text = (
            templates()
            .get_template(template)
            .render(
                station=self.title,
                sites=self.sites,
                prefix=self.prefix,
                path=request.url.path,
                may_act=visit.may_act,
                form_token=visit.form_token,
                **self._troubles(),
                **values,
            )
        )
        return HTMLResponse(add_prefix(text, self.prefix), status)

    def initial_state(self) -> dict[str, Any]:
        """Return the state that the live page shows until the first event arrives."""
        return self._live_state() | {
            "state": UNKNOWN,
            "reason": "Waiting for the first state.",
            "marks": scale(self.station.limit),
            "limit": self.station.limit,
        }

    @property
    def audience(self) -> int:
        """Number of viewers of all live pages."""
        return sum(board.audience for board in (self.live, *self.boards.values()))

    @property
    def is_crowded(self) -> bool:
        """True if the live pages of all stations have as many viewers as they may."""
        return sum(site.audience for site in self.sites) >= MOST_STREAMS

    def post(self, session: PageSession[Any]) -> None:
        """Post the present state of a session."""
        self.boards[session.name].post(_json(self._live_state() | {"session": session.view()}))

    def _live_state(self) -> dict[str, Any]:
        now_s = time.monotonic()
        faults = self._faults(now_s)
        return live_state(self._tracker, self._connected, now_s, self.station.limit) | {
            "fault_line": capitalize(list_states(faults)) if faults else "",
            "faults": [{"id": each.id, "text": capitalize(fault_text(each))} for each in faults],
        }

    def _faults(self, now_s: float) -> list[Headline]:
        """Return the faults that are not closed, as they were FAULTS_S ago at most."""
        if now_s - self._faults_read_s > FAULTS_S:
            self._faults_read_s = now_s
            self._headlines = self._troubles()["active"]
        return self._headlines

    def _receive(self, readings: Sequence[LiveReading], connected: bool) -> None:
        now_s, before = time.monotonic(), self._tracker.newest
        for reading in readings:
            self._tracker.take(reading, now_s)
            for session in self.sessions.values():
                session.take(reading)
        self._connected = connected
        if not connected:
            self._tracker.lose()
        if self.audience or any(session.active for session in self.sessions.values()):
            self.watcher.keep_open()
        newest = self._tracker.newest
        moved = before is None or newest is None or newest.keyed != before.keyed
        if now_s - self._posted_s < PERIOD_S / 2 and not moved:
            return
        self._posted_s = now_s
        if self.live.audience:
            self.live.post(_json(self._live_state()))
        for session in self.sessions.values():
            if self.boards[session.name].audience:
                self.post(session)

    def _troubles(self) -> dict[str, Any]:
        """Return the faults that are not closed and the kinds of open alarms."""
        try:
            with self.opened() as store:
                alarms = [alarm.kind for alarm in store.open_alarms()]
                return {"active": Faults(store.database).headlines(), "open_alarms": alarms}
        except StoreError:
            return {"active": [], "open_alarms": []}


def mark_code(text: str) -> Markup:
    """Return text as HTML in which what stands between backticks is code."""
    parts = [escape(part) for part in text.split("`")]
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if place % 2 else part
        for place, part in enumerate(parts)
    )


def site_of(request: Request) -> Site:
    """Return the site that a request is for. Raise HTTPException if it is for no station."""
    site: Site | None = request.scope["site"]
    if site is None:
        raise HTTPException(404)
    return site


@cache
def templates() -> Environment:
    """Return the templates of all pages."""
    environment = Environment(
        loader=PackageLoader("logger.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"code": mark_code, "capitalize": capitalize}
    environment.globals.update(
        place=place, count=count, list_ids=list_ids, percent=percent, shade=THEMES["shade"]
    )
    return environment


def _json(state: dict[str, Any]) -> str:
    return msgspec.json.encode(state).decode()
