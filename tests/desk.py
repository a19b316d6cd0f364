"""A desk with a radio, a bridge and a station of `tests.tune_stations`, keyed by a test."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.deadlines import scale
from tests.station import volts
from tests.tune_stations import Station

RATE = 200
LONGEST_S = 3.0  # key down
CHANNELS = {1: 26.965, 20: 27.205, 40: 27.405}


class Desk:
    """Writes a pair every 5 ms; `told`: the bridge tells the channel."""

    def __init__(self, master: int, station: Station, *, told: bool) -> None:
        self.station = station
        self._master = master
        self._told = told
        self._channel = 1
        self._line = b""
        self._over = threading.Event()
        self._release()
        self._thread = threading.Thread(target=self._write)

    def _set(self, forward_w: float, reflected_w: float) -> None:
        channel = f",{self._channel}" if self._told else ""
        self._line = f"{volts(forward_w):.4f},{volts(reflected_w):.4f}{channel}\n".encode()

    def _release(self) -> None:
        self._set(0.0, 0.0)

    def key(self, channel: int, seconds: float = 0.8, watts: float = 2.0) -> None:
        """Key down for so long; longer on a slow machine, which reads late and in bursts."""
        self._channel = channel
        coming_back = abs(self.station.at_radio(CHANNELS[channel]) + self.station.leak) ** 2
        self._set(watts, watts * coming_back)
        time.sleep(min(scale(seconds), max(seconds, LONGEST_S)))
        self._release()

    def _write(self) -> None:
        at = time.monotonic()
        while not self._over.wait(max(0.0, at - time.monotonic())):
            at += 1 / RATE
            try:
                os.write(self._master, self._line)
            except BlockingIOError:
                continue  # nobody reads


@contextmanager
def desk(master: int, station: Station, *, told: bool) -> Iterator[Desk]:
    """A desk at the master of a pseudo-terminal."""
    os.set_blocking(master, False)
    made = Desk(master, station, told=told)
    made._thread.start()
    try:
        yield made
    finally:
        made._over.set()
        made._thread.join()
