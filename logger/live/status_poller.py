"""Polls the store and the status socket on its own thread.

The live view therefore never waits for a disk or a busy daemon.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

from logger.errors import MismatchdError
from logger.live.screen import MOST_TRANSMISSIONS, AlarmAge, StationStatus
from logger.live.status import ask
from logger.store.faults import Faults
from logger.store.reader import Store
from logger.store.tables import TRANSMISSIONS

PERIOD_S = 2.0
LATEST = f"1 ORDER BY r.start_ns DESC LIMIT {MOST_TRANSMISSIONS}"


def read_station(store: Path) -> StationStatus:
    """Return the present state of the store and the daemon."""
    status = ask(store)
    try:
        with Store.reader(store) as reader:
            rows = [record.columns for record in reader.select(TRANSMISSIONS, LATEST)]
            faults = Faults(reader.database).headlines()
            now_ns = time.time_ns()
            alarms = [
                AlarmAge(alarm.id, alarm.kind, max(0.0, (now_ns - alarm.raised_ns) / 1e9))
                for alarm in reader.open_alarms()
            ]
    except MismatchdError as error:
        return StationStatus(status=status, trouble=str(error))
    return StationStatus(rows, alarms, status, faults=faults)


class StatusPoller:
    """Polls while used as a context manager; `latest` is the last result."""

    def __init__(self, store: Path) -> None:
        self.latest = StationStatus()
        self._store = store
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._poll, name="status", daemon=True)

    def __enter__(self) -> StatusPoller:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()

    def _poll(self) -> None:
        while True:
            self.latest = read_station(self._store)
            if self._ended.wait(PERIOD_S):
                return
