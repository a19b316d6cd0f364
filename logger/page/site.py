"""State shared by all pages: the station, its live states, and the rendering of templates."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import msgspec
from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from logger.errors import StoreError
from logger.live.reading import LiveReading
from logger.live.reading_tracker import ReadingTracker
from logger.page.adjusting import Adjusting
from logger.page.admission import Gate
from logger.page.chart_renderer import ChartRenderer
from logger.page.drawings import Station
from logger.page.latest_state import LatestState
from logger.page.reading import place, scale, shown
from logger.page.watcher import Watcher
from logger.page.wiggling import Wiggling
from logger.store.reader import Store

PERIOD_S = 0.1


class Site:
    """Pages of one station."""

    def __init__(self, station: Station, gate: Gate, secure: bool) -> None:
        self.station, self.gate, self.secure = station, gate, secure
        self.cookie = "mismatchd-page"
        self.live, self.joints, self.positions = LatestState(), LatestState(), LatestState()
        self.artist = ChartRenderer(station)
        self.wiggling = Wiggling(station.store)
        self.adjusting = Adjusting(station, self.tell_positions)
        self.watcher = Watcher(station.store, self._heard)
        self._sight = ReadingTracker()
        self._posted_s = 0.0
        self._templates = Environment(
            loader=PackageLoader("logger.page"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals["place"] = place

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
            open_alarms=self._open_alarms(),
            **values,
        )
        return HTMLResponse(text, status)

    def first_sight(self) -> dict[str, Any]:
        """Return the state that the live page shows until the first event arrives."""
        return shown(self._sight, False, time.monotonic(), self.station.limit) | {
            "state": "waiting for the daemon",
            "marks": scale(self.station.limit),
            "limit": self.station.limit,
        }

    @property
    def audience(self) -> int:
        """Number of viewers of all live pages."""
        return sum(board.audience for board in (self.live, self.joints, self.positions))

    def tell_joints(self) -> None:
        """Post the present state of the wiggle session."""
        self._tell(self.joints, self.wiggling.shown())

    def tell_positions(self) -> None:
        """Post the present state of the adjusting session."""
        its = self.adjusting
        self._tell(self.positions, {"step": its.step} if its.active else None)

    def _tell(self, board: LatestState, session: dict[str, Any] | None) -> None:
        told = shown(self._sight, self._connected, time.monotonic(), self.station.limit)
        board.post(_json(told | {"session": session}))

    _connected = False

    def _heard(self, readings: Sequence[LiveReading], connected: bool) -> None:
        now_s = time.monotonic()
        for reading in readings:
            self._sight.take(reading, now_s)
            self.wiggling.take(reading)
            self.adjusting.take(reading)
        self._connected = connected
        if not connected:
            self._sight.lose()
        if self.audience or self.wiggling.active or self.adjusting.active:
            self.watcher.wanted()
        if now_s - self._posted_s < PERIOD_S / 2:
            return
        self._posted_s = now_s
        if self.live.audience:
            self.live.post(_json(shown(self._sight, connected, now_s, self.station.limit)))
        if self.joints.audience:
            self.tell_joints()
        if self.positions.audience:
            self.tell_positions()

    def _open_alarms(self) -> list[str]:
        try:
            with self.opened() as store:
                return [alarm.kind for alarm in store.open_alarms()]
        except StoreError:
            return []


def _json(told: dict[str, Any]) -> str:
    return msgspec.json.encode(told).decode()
