"""Several stations on one page: an overview, and the pages of each below a prefix.

A request below /stations/KEY/ is answered by the pages of that station as if it were the only one:
this module takes the prefix off the request and puts it before the addresses of the answer.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Mapping, Sequence
from itertools import count
from typing import TYPE_CHECKING, NamedTuple

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.errors import StoreError
from logger.live.headline import list_states
from logger.rows import FaultState
from logger.store.activity import read_activity
from logger.store.faults import Faults
from logger.store.reader import Store
from logger.utc import format_optional
from logger.wording import capitalize

if TYPE_CHECKING:
    from logger.page.site import Site

ROOT = "/stations/"
READ_S = 5.0  # the overview is as old as this at most
# Addresses in a page. The text of others cannot look like one: its quotation marks are escaped.
_ADDRESS = re.compile(rf'( (?:href|action|data-part|data-stream)=")/(?!static/|{ROOT[1:]})')

# Origin in a redirection, if it has one.
_ORIGIN = re.compile(r"^(https?://[^/]*)?(?=/)")


def list_keys(names: Sequence[str]) -> list[str]:
    """Return a key for each name: letters, digits and hyphens, no two alike."""
    keys: list[str] = []
    for name in names:
        word = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "station"
        others = (f"{word}-{number}" for number in count(2))
        keys.append(word if word not in keys else next(key for key in others if key not in keys))
    return keys


def add_prefix(html: str, prefix: str) -> str:
    """Return a page whose addresses of the station's pages begin with `prefix`."""
    return _ADDRESS.sub(rf"\g<1>{prefix}/", html) if prefix else html


class StationChoice:
    """The middleware that sets `scope["site"]`; None if a request is not for a station."""

    def __init__(self, app: ASGIApp, sites: Sequence[Site]) -> None:
        self._app = app
        self._sites = {site.prefix: site for site in sites}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        prefix, path = self._split(scope["path"])

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start" and prefix:
                headers = MutableHeaders(scope=message)
                if "location" in headers:
                    headers["location"] = _ORIGIN.sub(prefix, headers["location"])
            await send(message)

        await self._app({**scope, "path": path, "site": self._sites.get(prefix)}, receive, answer)

    def _split(self, path: str) -> tuple[str, str]:
        """Return the prefix of a station, "" for none, and the rest of the path."""
        if path.startswith(ROOT):
            key, slash, rest = path.removeprefix(ROOT).partition("/")
            if slash and f"{ROOT}{key}" in self._sites:
                return f"{ROOT}{key}", f"/{rest}"
        return "", ROOT if path == "/" and "" not in self._sites else path


class StationState(NamedTuple):
    """A station in the overview. `level` sorts: 0 open fault, 1 unreadable, 2 silent, 3 fine.

    The address is "" if the station has no pages.
    """

    name: str
    address: str
    level: int
    words: str
    last_transmission_utc: str | None = None
    silent_since_utc: str | None = None


class Overview:
    """Reads the state of all stations, for all visitors at once."""

    def __init__(self, sites: Sequence[Site], invalid: Mapping[str, str]) -> None:
        """`invalid` has the stations without pages, and why they have none."""
        self._sites = sites
        self._invalid = [StationState(name, "", 1, words) for name, words in invalid.items()]
        self._lock = threading.Lock()
        self._states: list[StationState] = []
        self._read_s = -READ_S

    def states(self) -> list[StationState]:
        """Return the states, those to look at first."""
        with self._lock:
            if time.monotonic() - self._read_s > READ_S:
                states = [*map(_state_of, self._sites), *self._invalid]
                self._states = sorted(states, key=lambda state: state.level)
                self._read_s = time.monotonic()
            return self._states


def _state_of(site: Site) -> StationState:
    name, address = site.title, f"{site.prefix}/"
    try:
        with Store.reader(site.station.store) as store:
            faults = Faults(store.database).headlines()
            activity = read_activity(store.database, time.time_ns())
    except StoreError as error:
        return StationState(name, address, 1, f"Cannot be read: {error}")
    silent_ns = activity.silent_since_ns
    is_open = any(fault.state == FaultState.OPEN for fault in faults)
    return StationState(
        name,
        address,
        0 if is_open else 3 if silent_ns is None and activity.last_pairs_ns is not None else 2,
        f"{capitalize(list_states(faults))}." if faults else "",
        format_optional(activity.last_transmission_ns),
        format_optional(silent_ns),
    )
