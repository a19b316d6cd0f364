"""A bridge in the hands of a test: it prints pairs, keyed or not, as the test says."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Iterator

from tests.station import line

PAIRS_PER_S = 200


class Hands:
    """The transmitter's key and what is connected: `key` sends a carrier of these watts into
    something of this SWR."""

    def __init__(self, master: int) -> None:
        self._master = master
        self._line = line(0, 0)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        os.set_blocking(self._master, False)
        begun_s, printed = time.monotonic(), 0
        while not self._stop.wait(0.02):
            due = round(PAIRS_PER_S * (time.monotonic() - begun_s))
            with contextlib.suppress(BlockingIOError):  # nobody reads
                os.write(self._master, self._line * (due - printed))
            printed = due

    def send(self, forward_w: float, reflected_w: float) -> None:
        """Print these powers from now on."""
        self._line = line(forward_w, reflected_w)

    def key(self, swr: float, seconds: float = 0.9, watts: float = 1.0) -> None:
        """A carrier, and back."""
        time.sleep(0.3)
        rho = (swr - 1) / (swr + 1)
        self.send(watts, watts * rho**2)
        time.sleep(seconds)
        self.send(0, 0)

    def stop(self) -> None:
        """Put the key down for good."""
        self._stop.set()
        self._thread.join()
        os.set_blocking(self._master, True)


@contextlib.contextmanager
def hands(master: int) -> Iterator[Hands]:
    """One that is stopped at the end."""
    held = Hands(master)
    try:
        yield held
    finally:
        held.stop()
