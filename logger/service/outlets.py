"""Outlets of the daemon: forwarders, notifiers, metrics, the live feed and the review of faults.

Each works on a thread of its own, so that a slow one delays no other, and neither capture nor the
store. Most modules are imported only if they are configured, since they cost memory.
"""

from __future__ import annotations

import contextlib
import logging
import os
import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from drivers.contract import Driver, Sends
from logger.config.load import Config
from logger.live.feed import LiveFeed, Tap
from logger.live.meter import reading_of
from logger.live.reading import LiveReading
from logger.live.status import Status
from logger.service.fault_review import FaultReviewer
from logger.stages.view import View
from logger.store.tables import Event

if TYPE_CHECKING:
    from logger.forward.influx import InfluxForwarder
    from logger.notify.notifier import Notifier
    from logger.service.metrics import MetricsServer

log = logging.getLogger("mismatchd")

LIVE_S = 0.5  # at shutdown, time for the live feed,
DELIVER_S = 2.0  # and then for the forwarders and notifiers


class Outlets:
    """The outlets of one run.

    status    returns the daemon's status
    announce  is told of each event besides
    """

    def __init__(
        self, config: Config, status: Callable[[], Status], announce: Callable[[Event], None]
    ) -> None:
        self._config = config
        self._status = status
        self._announce = announce
        self.forwarders: list[InfluxForwarder] = []
        self.notifiers: list[Notifier] = []
        self._reviewer = FaultReviewer(config.store.path)
        self._metrics: MetricsServer | None = None
        self._threads: list[threading.Thread] = []
        self._all_stored = threading.Event()

    def start(self, driver: Driver) -> None:
        """Start what is configured, and the review of faults. Raise MismatchdError."""
        self._start_forwarders()
        self._start_notifiers(driver)
        if self._config.metrics is not None:
            from logger.service.metrics import MetricsServer  # http.server costs 10 MB

            self._metrics = MetricsServer(
                self._config.metrics, self._status, self._config.store.path
            )
        threading.Thread(target=self._reviewer.run, name="fault review", daemon=True).start()

    def report(self, item: Event) -> None:
        """Offer a stored row, or a change that is not stored yet, to all that wait for it."""
        self._announce(item)
        for notifier in self.notifiers:
            notifier.offer(item)
        self._reviewer.offer(item)

    @contextlib.contextmanager
    def live_feed(self, tap: Tap, open_kinds: Collection[str]) -> Iterator[None]:
        """Serve the live feed. Raise StatusError."""

        def reading(views: Sequence[View]) -> LiveReading:
            return reading_of(views, self._config.station.channel, tuple(open_kinds))

        feed = LiveFeed(self._config.store.path, tap, reading)
        thread = threading.Thread(target=_serve, args=(feed,), name="live", daemon=True)
        thread.start()
        try:
            yield
        finally:
            feed.end()
            thread.join(LIVE_S)

    def end(self, until_s: float) -> None:
        """Stop everything, after the last row was stored; what is not delivered waits there.

        `until_s` is the monotonic time by which to return.
        """
        self._all_stored.set()
        self._reviewer.end()
        for notifier in self.notifiers:
            notifier.end()
        deadline = min(until_s, time.monotonic() + DELIVER_S)
        for thread in self._threads:
            thread.join(max(0.0, deadline - time.monotonic()))
        for notifier in self.notifiers:
            notifier.abandon()
        if self._metrics is not None:
            self._metrics.close()

    def _start_forwarders(self) -> None:
        config = self._config
        if not config.forwarders:
            return
        from logger.forward.influx import build_forwarders

        self.forwarders = build_forwarders(
            config.store.path, config.forwarders, config.station.name, os.environ
        )
        for forwarder in self.forwarders:
            self._start_thread(forwarder.name, forwarder.run, self._all_stored)

    def _start_notifiers(self, driver: Driver) -> None:
        config = self._config
        if not config.notifiers:
            return
        from logger.diagnosis.advice import advise
        from logger.notify.build import build_notifiers
        from logger.notify.channel import ChannelContext
        from logger.service.upkeep import due
        from logger.store.identity import read_id

        context = ChannelContext(
            config.station.name,
            config.path.parent,
            os.environ,
            driver.send if isinstance(driver, Sends) else None,
            watching=True,
            status=self._status,
            store=config.store.path,
            station_id=read_id(config.store.path),
        )
        self.notifiers = build_notifiers(
            config.store.path, config.notifiers, context, self._status, advise, partial(due, config)
        )
        for notifier in self.notifiers:
            self._start_thread(f"notify {notifier.name}", notifier.run)

    def _start_thread(self, name: str, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, name=name, daemon=True)
        thread.start()
        self._threads.append(thread)


def _serve(feed: LiveFeed) -> None:
    try:
        feed.run()
    except Exception:  # viewers must not stop the daemon
        log.exception("the live feed has stopped")
