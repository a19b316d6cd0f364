"""State shared by all pages: the station, its live states, and the rendering of templates."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import HTMLResponse

from logger.errors import StoreError
from logger.live.headline import fault_text, list_states
from logger.live.reading import LiveReading
from logger.live.reading_tracker import ReadingTracker
from logger.page.adjusting import Adjusting
from logger.page.admission import Gate
from logger.page.chart_renderer import ChartRenderer
from logger.page.drawings import Station
from logger.page.events import LatestState
from logger.page.isolating import Isolating
from logger.page.measuring import Measuring
from logger.page.reading import UNKNOWN, live_state, place, scale
from logger.page.session import PageSession
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
    """Pages of one station."""

    def __init__(
        self, station: Station, gate: Gate, secure: bool, reference: Callable[[], str]
    ) -> None:
        """`reference` returns the reference of the handbook as Markdown."""
        self.station, self.gate, self.secure = station, gate, secure
        self.reference = reference
        self.cookie = "mismatchd-page"
        self.live = LatestState()
        self.renderer = ChartRenderer(station)
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
        self._templates = Environment(
            loader=PackageLoader("logger.page"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters["code"] = mark_code
        self._templates.globals.update(place=place, count=count, list_ids=list_ids, percent=percent)

    def opened(self) -> Store:
        """Open the store for one page. Raises StoreError."""
        return Store.reader(self.station.store)

    def page(
        self, request: Request, template: str, values: dict[str, Any], status: int = 200
    ) -> HTMLResponse:
        """Render a whole page."""
        visit = request.scope["visit"]
        text = self._templates.get_template(template).render(
            station=self.station.name,
            path=request.url.path,
            may_act=visit.may_act,
            form_token=visit.form_token,
            **self._troubles(),
            **values,
        )
        return HTMLResponse(text, status)

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
        now_s = time.monotonic()
        for reading in readings:
            self._tracker.take(reading, now_s)
            for session in self.sessions.values():
                session.take(reading)
        self._connected = connected
        if not connected:
            self._tracker.lose()
        if self.audience or any(session.active for session in self.sessions.values()):
            self.watcher.keep_open()
        if now_s - self._posted_s < PERIOD_S / 2:
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
    """Return the site that a request is for."""
    site: Site = request.app.state.site
    return site


def _json(state: dict[str, Any]) -> str:
    return msgspec.json.encode(state).decode()
