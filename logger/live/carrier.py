"""Measures a test carrier, through the running daemon or directly through the driver.

Both use the pipeline that also makes the stored rows of transmissions.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import NamedTuple, Protocol

from drivers.contract import Driver, EndOfInput, HasClock
from drivers.timeline import read_clocks
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.errors import StoreError
from logger.live.client import Follower
from logger.live.meter import reading_of
from logger.live.reading import LiveReading
from logger.pipeline import Pipeline
from logger.rows import Flag, SecondRows, Transmission
from logger.stages.view import View
from logger.store.reader import Store
from logger.store.tables import SECONDS, TRANSMISSIONS

LISTEN_S, LINGER_S = 0.2, 0.05
EVERYTHING = (-(1 << 63), (1 << 63) - 1)
COMMON = ("swr", "swr_low", "swr_high", "channel", "frequency_khz", "calibration_id", "antenna")


class SwrReading(NamedTuple):
    """An SWR with its 95 % interval."""

    swr: float
    low: float
    high: float

    @classmethod
    def of(cls, swr: float | None, low: float | None, high: float | None) -> SwrReading | None:
        """Return the reading; None below the readable floor, where a value is missing."""
        return None if swr is None or low is None or high is None else cls(swr, low, high)


class Carrier(NamedTuple):
    """Completed transmission; `id` is None if it is not in the store.

    `seconds_w` are the mean forward and reflected watts of its seconds.
    """

    id: int | None
    end_ns: int
    duration_s: float
    forward_w: float
    swr: float | None
    swr_low: float | None
    swr_high: float | None
    channel: int | None
    frequency_khz: float | None
    calibration_id: str
    flags: str
    seconds_w: Sequence[tuple[float, float]] = ()
    antenna: str | None = None

    @property
    def reading(self) -> SwrReading | None:
        """SWR with its interval, None if the power was below the readable floor."""
        return SwrReading.of(self.swr, self.swr_low, self.swr_high)


class CarrierSource(Protocol):
    """Source of readings and completed carriers."""

    def begin(self) -> None:
        """Ignore carriers that ended before this call."""

    def listen(self) -> tuple[LiveReading | None, Carrier | None]:
        """Return the newest reading and the first carrier ended since `begin`, or None."""

    def readings(self) -> list[LiveReading]:
        """Return all readings since the last call, for callers that do not wait for a carrier."""

    def notices(self) -> list[str]:
        """Return messages for the user since the last call."""

    def close(self) -> None:
        """Release the device or the connection."""


class DriverSource:
    """Source that reads the driver; no daemon runs.

    Raises LinkError if the device cannot be opened.
    """

    def __init__(self, config: Config, coupler: Coupler, driver: Driver) -> None:
        self._driver = driver
        self._channel = config.station.channel
        self._views: list[View] = []
        self._ended: Carrier | None = None
        self._seconds: list[SecondRows] = []
        self._pipeline = Pipeline(config, coupler, archive=False, tap=self._views.append)
        if config.antennas:
            with suppress(StoreError), Store.reader(config.store.path) as store:
                self._pipeline.know_antennas(store.notes().antennas)
        # Measuring takes a few minutes at most, so comparing the clocks once is enough.
        by_host = isinstance(driver, HasClock) and driver.clock == "host"
        self._offset_ns = read_clocks().offset_ns if by_host else 0
        driver.open()

    def begin(self) -> None:
        """See CarrierSource."""
        self._ended = None

    def listen(self) -> tuple[LiveReading | None, Carrier | None]:
        """See CarrierSource. Raises EndOfInput, LinkError."""
        try:
            block = self._driver.read(LISTEN_S, LINGER_S)
            rows = []
            if block is not None:
                dated = replace(block, time_ns=block.time_ns + self._offset_ns)
                rows = self._pipeline.process(dated)
        except EndOfInput:
            rows = self._pipeline.finish()
            if not any(isinstance(row, Transmission) for row in rows) and self._ended is None:
                raise
        self._seconds += [row for row in rows if isinstance(row, SecondRows)]
        for row in rows:
            if isinstance(row, Transmission) and row.ended and self._ended is None:
                own = [second for second in self._seconds if second.start_ns == row.start_ns]
                self._ended = _carrier_of(row, own)
                self._seconds.clear()
        views = self._views.copy()
        self._views.clear()
        return reading_of(views, self._channel, ()) if views else None, self._ended

    def readings(self) -> list[LiveReading]:
        """See CarrierSource. Raises EndOfInput, LinkError."""
        reading, _ = self.listen()
        return [] if reading is None else [reading]

    def notices(self) -> list[str]:
        """See CarrierSource."""
        return self._driver.notices()

    def close(self) -> None:
        """See CarrierSource."""
        self._driver.close()


class DaemonSource:
    """Source for a running daemon: readings come from its feed, carriers from its store."""

    def __init__(self, config: Config) -> None:
        self._follower = Follower(config.store.path)
        self._store = Store.reader(config.store.path)
        self._last_id = 0

    def begin(self) -> None:
        """See CarrierSource."""
        self._last_id = newest_id(self._store)

    def listen(self) -> tuple[LiveReading | None, Carrier | None]:
        """See CarrierSource."""
        shown = next((reading for reading in reversed(self.readings()) if reading.pairs), None)
        if shown is not None and shown.keyed:
            return shown, None
        return shown, first_after(self._store, self._last_id)

    def readings(self) -> list[LiveReading]:
        """See CarrierSource."""
        readings = self._follower.wait(LISTEN_S)
        if not self._follower.connected:
            time.sleep(LISTEN_S)
        return readings

    def notices(self) -> list[str]:
        """See CarrierSource."""
        return []

    def close(self) -> None:
        """See CarrierSource."""
        self._follower.close()
        self._store.close()


def newest_id(store: Store) -> int:
    """Return the id of the latest transmission, 0 if there is none. Raises StoreError."""
    newest = store.latest("transmissions", ("id",), "start_ns", *EVERYTHING, 1)
    return int(newest[0][0]) if newest else 0


def first_after(store: Store, last_id: int) -> Carrier | None:
    """Return the first transmission with an id above `last_id`, or None. Raises StoreError."""
    records = store.select(TRANSMISSIONS, "r.id > ? ORDER BY r.id LIMIT 1", last_id)
    if not records:
        return None
    row = records[0].columns
    seconds = store.select(SECONDS, "r.transmission_id = ? ORDER BY r.time_ns", row["id"])
    return Carrier(
        id=row["id"],
        end_ns=records[0].time_ns + round(row["duration_s"] * 1e6) * 1000,
        duration_s=row["duration_s"],
        forward_w=row["forward_w_mean"],
        flags=row["flags"],
        seconds_w=[(s.columns["forward_w"], s.columns["reflected_w"]) for s in seconds],
        **{name: row[name] for name in COMMON},
    )


def _carrier_of(row: Transmission, seconds: Sequence[SecondRows]) -> Carrier:
    return Carrier(
        id=None,
        end_ns=row.end_ns,
        duration_s=(row.end_ns - row.start_ns) / 1e9,
        forward_w=row.forward_w_mean,
        flags=Flag(row.flags).words(),
        seconds_w=[
            (second.forward_w, second.reflected_w) for part in seconds for second in part.rows()
        ],
        **{name: getattr(row, name) for name in COMMON},
    )
