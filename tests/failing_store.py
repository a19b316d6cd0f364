"""A keeper on a disk that fails: whatever fails, all rows are stored and reported, each once.

python -m tests.failing_store FOLDER N...

Started with the environment of a `Disk` whose files are in FOLDER. Every n-th operation fails, for
each n, kind of operation and failure, while rows are added; then the disk is well. Prints a JSON
object for each trial.
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from drivers.contract import SampleBlock
from logger.errors import StoreError
from logger.rows import AlarmEvent, Memory, Row, Samples
from logger.service.keeper import Keeper
from logger.service.reporter import Reporter
from logger.service.retention import Retention
from logger.store.reader import Store
from logger.store.tables import Event
from logger.store.writer import StoreWriter
from tests.disk import READ, SHORT, SYNC, TRUNCATE, WRITE, Control
from tests.test_store import SECOND, T0, alarm, second, transmission

EVER_NS = 1 << 62
FAILURES = [
    (errno.EIO, READ),
    (errno.EIO, WRITE),
    (errno.ENOSPC, WRITE),
    (SHORT, WRITE),
    (errno.EIO, SYNC),
    (errno.ENOSPC, SYNC),
    (errno.EIO, TRUNCATE),
    (errno.EIO, READ, WRITE, SYNC, TRUNCATE),
]
WELL, FAILING, WELL_AGAIN = 3, 12, 4  # commits
COMMIT_S = 2.0
MANY = 1000  # seconds in a store to be salvaged
LONGEST_S = 100.0  # from the end of the failures until all is stored


class Lines(logging.Handler):
    """What was logged."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Take a record."""
        self.lines.append(record.getMessage())


def rows_of(number: int) -> list[Row]:
    """Return the rows of a transmission with an alarm, of which pairs continue into the next."""
    start_ns = T0 + number * 4 * SECOND
    times = start_ns + 5_000_000 * np.arange(200)
    volts = np.random.default_rng(number).integers(0, 9, (2, 200)) / 1000
    return [
        transmission(start_ns),
        second(start_ns, start_ns),
        second(start_ns + SECOND, start_ns),
        alarm("raised", start_ns, start_ns=start_ns),
        alarm("cleared", start_ns + SECOND, start_ns=start_ns),
        Samples(SampleBlock(times, *volts)),
        Memory("rule", str(number).encode()),
    ]


def trial(path: Path, control: Control, error: int, kinds: tuple[int, ...], every: int) -> Any:
    """Return what came of it; `wrong` is empty if all is well."""
    handler = Lines()
    log = logging.getLogger("mismatchd")
    log.handlers, log.propagate = [handler], False
    reported: list[Event] = []
    now_s, number = 0.0, 0
    fails_at_start = every % 2 == 0
    if fails_at_start:
        control.fail(error, *kinds, every=every)

    def open_store(is_damaged: bool) -> StoreWriter:
        return (StoreWriter.salvage if is_damaged else StoreWriter.open)(path)

    keeper = Keeper(open_store, Reporter(reported.append), Retention(EVER_NS))

    def commit(count: int) -> None:
        nonlocal now_s, number
        for _ in range(count):
            keeper.add(rows_of(number), now_s)
            number += 1
            now_s += COMMIT_S
            keeper.commit_due(now_s)
            if keeper.store is not None and number % 3 == 0:
                keeper.store.database.execute("PRAGMA wal_autocheckpoint = 8")

    if not fails_at_start:
        commit(WELL)
        control.fail(error, *kinds, every=every)
    commit(FAILING)
    failures = control.heal()
    healed_s = now_s
    while keeper.has_rows and now_s < healed_s + LONGEST_S:
        now_s += COMMIT_S
        keeper.commit_due(now_s)
    commit(WELL_AGAIN)
    keeper.close()
    wrong = [*_stored(path, number), *_reported(reported, number)]
    if keeper.failure or keeper.dropped:
        wrong.append(f"{keeper.failure}; {keeper.dropped} dropped")
    return {
        "kinds": kinds,
        "error": errno.errorcode.get(error, "short"),
        "every": every,
        "failures": failures,
        "lines": handler.lines,
        "wrong": wrong,
    }


def salvage_trial(path: Path, control: Control, every: int) -> Any:
    """Let a sound store that is believed to be damaged be salvaged while reading fails."""
    with StoreWriter.open(path) as store:
        store.write([transmission(T0), *(second(T0 + n * SECOND) for n in range(MANY))])
    control.fail(errno.EIO, READ, every=every)
    with contextlib.suppress(StoreError):
        StoreWriter.salvage(path).close()
    failures = control.heal()
    with StoreWriter.open(path) as store:
        stored = store.counts()["seconds"]
    wrong = [] if stored == MANY else [f"{stored} of {MANY} seconds"]
    if list(path.parent.glob("*.damaged*")):
        wrong.append("a sound store was set aside")
    return {"every": every, "failures": failures, "wrong": wrong, "lines": []}


def _stored(path: Path, number: int) -> list[str]:
    """Return what is wrong in the store."""
    wrong = []
    with Store.reader(path) as store:
        database = store.database
        if (report := database.query_value("PRAGMA integrity_check")) != "ok":
            wrong.append(f"integrity: {report}")
        expected = {"transmissions": number, "seconds": 2 * number, "alarms": number}
        for table, count in {**expected, "alarm_changes": 2 * number}.items():
            if (stored := database.query_value(f"SELECT count(*) FROM {table}")) != count:
                wrong.append(f"{stored} of {count} {table}")
        if store.memories() != {"rule": str(number - 1).encode()}:
            wrong.append(f"memories: {store.memories()}")
        times = [block.time_ns for block in store.archive.blocks(-EVER_NS, EVER_NS)]
        due = [row.block.time_ns for n in range(number) for row in rows_of(n)[5:6]]  # type: ignore[union-attr]
        if not np.array_equal(np.concatenate(times), np.concatenate(due)):
            wrong.append(f"{sum(map(len, times))} of {200 * number} pairs")
    if beside := [piece.name for piece in path.parent.glob("*.damaged*")]:
        wrong.append(f"a sound store was set aside: {beside}")
    return wrong


def _reported(events: list[Event], number: int) -> list[str]:
    changes = Counter(
        (event.change, event.utc) for event in events if isinstance(event, AlarmEvent)
    )
    wrong = [f"{change} reported {n} times" for change, n in changes.items() if n > 1]
    if len(changes) != 2 * number:
        wrong.append(f"{len(changes)} of {2 * number} changes of alarms reported")
    return wrong


def main(folder: Path, numbers: Sequence[int]) -> None:
    """Run all trials."""
    control = Control(Path(os.environ["DISK_CONTROL"]))
    for every in numbers:
        path = folder / f"{every}" / "station.sqlite"
        print(json.dumps(salvage_trial(path, control, every)))
        for place, (error, *kinds) in enumerate(FAILURES):
            path = folder / f"{every}-{place}" / "station.sqlite"
            try:
                outcome = trial(path, control, error, tuple(kinds), every)
            except Exception as exception:
                control.heal()
                outcome = {"error": error, "kinds": kinds, "every": every}
                outcome["wrong"] = [f"raised {exception!r}"]
            print(json.dumps(outcome))


if __name__ == "__main__":
    main(Path(sys.argv[1]), [*map(int, sys.argv[2:])])
