"""Reading of stored rows and raw pairs."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from logger.errors import UsageError
from logger.rows import Alarm, AlarmEvent, ChangeKind
from logger.store.alarms import OPEN, select_alarms
from logger.store.database import Repository
from logger.store.durability import SPOOL
from logger.store.identity import station_id
from logger.store.journal import ANTENNA, WORK, JournalNotes
from logger.store.tables import Record, Table

if TYPE_CHECKING:
    from logger.store.archive import Archive

PAGE_ROWS = 2000


class Store(Repository):
    """Stored rows and raw pairs. It has no methods that write."""

    @classmethod
    def reader(cls, path: Path) -> Self:
        """Open the store for reading: methods that write fail. Raise StoreError.

        What a killed daemon has left in its spool is stored before, as the next one would do.
        """
        if os.path.exists(f"{path}{SPOOL}"):
            from logger.store.left_over import store_spooled

            store_spooled(path)
        return super().reader(path)

    @cached_property
    def archive(self) -> Archive:
        """The raw pairs."""
        from logger.store.archive import Archive  # needs numpy, which lists of rows do not

        return Archive(self.database)

    @property
    def station_id(self) -> str:
        """The station's id, a UUID of version 4."""
        return station_id(self.database)

    def open_alarms(self) -> list[Alarm]:
        """Return the alarms that have not cleared, oldest first."""
        return self.alarms(OPEN)

    def alarms(self, where: str, *values: Any) -> list[Alarm]:
        """Return alarms by a condition over `r`."""
        return select_alarms(self.database, where, *values)

    def capture(self, capture_id: int) -> tuple[int, int]:
        """Return first and last nanosecond of a capture. Raise UsageError if there is none."""
        span = self.database.query_row(
            "SELECT first_ns, last_ns FROM captures WHERE id = ?", (capture_id,)
        )
        if span is None:
            raise UsageError(
                f"there is no capture {capture_id}; `mismatchd export captures` lists them"
            )
        return span[0], span[1]

    def records(self, table: Table, since_ns: int, until_ns: int) -> Iterator[Record]:
        """Yield complete rows whose time lies in [since_ns, until_ns), in time order.

        They are read in pages, so that no long-lived reader keeps the write-ahead log from
        shrinking.
        """
        after = (since_ns, -1)
        while True:
            page = self.select(
                table,
                f"({table.time}, r.id) > (?, ?) AND {table.time} < ?"
                f" ORDER BY {table.time}, r.id LIMIT {PAGE_ROWS}",
                *after,
                until_ns,
            )
            yield from page
            if len(page) < PAGE_ROWS:
                return
            after = (page[-1].time_ns, page[-1].id)

    def select(self, table: Table, where: str, *values: Any) -> list[Record]:
        """Return complete rows of a table by a condition over `r`."""
        rows = self.database.query(f"{table.select} WHERE {table.complete} AND {where}", values)
        return [table.record(row) for row in rows]

    def latest(
        self, table: str, fields: Sequence[str], time: str, since_ns: int, until_ns: int, most: int
    ) -> list[tuple[Any, ...]]:
        """Return `fields` of the latest `most` rows whose `time` lies in [since_ns, until_ns).

        The rows are in order of `time`. The names are inserted into the SQL unchecked.
        """
        rows = self.database.query(
            f"SELECT {', '.join(fields)} FROM {table} WHERE {time} >= ? AND {time} < ?"
            f" ORDER BY {time} DESC LIMIT ?",
            (since_ns, until_ns, most),
        )
        return rows[::-1]

    def pages(
        self, table: str, fields: Sequence[str], most: int
    ) -> Iterator[list[tuple[Any, ...]]]:
        """Yield all rows as (id, *fields) in order of id, `most` at a time."""
        after = -1
        while True:
            page = self.database.query(
                f"SELECT id, {', '.join(fields)} FROM {table} WHERE id > ? ORDER BY id LIMIT ?",
                (after, most),
            )
            if page:
                yield page
            if len(page) < most:
                return
            after = page[-1][0]

    def counts(self) -> dict[str, int]:
        """Return the number of rows by table, of tables that this version has."""
        sources = ("transmissions WHERE ended", "seconds", "faults", "alarms")
        tables = {name for (name,) in self.database.query("SELECT name FROM sqlite_master")}
        return {
            source.split()[0]: self.database.query_value(f"SELECT count(*) FROM {source}")
            for source in sources
            if source.split()[0] in tables
        }

    def calibrations(self) -> dict[str, str | None]:
        """Return the calibrations used by transmissions, by id; None if the content is missing."""
        return dict(
            self.database.query(
                "SELECT used.id, c.text"
                " FROM (SELECT DISTINCT calibration_id AS id FROM transmissions) AS used"
                " LEFT JOIN calibrations AS c ON c.id = used.id ORDER BY used.id"
            )
        )

    def work(self) -> list[int]:
        """Return the times of repairs and adjustments in the journal, in order."""
        marks = ", ".join("?" * len(WORK))
        rows = self.database.query(
            f"SELECT time_ns FROM journal WHERE kind IN ({marks}) ORDER BY time_ns", WORK
        )
        return [time_ns for (time_ns,) in rows]

    def checks(self) -> tuple[tuple[int, int], ...]:
        """Return begin and end of the open ends keyed to check the coupler."""
        rows = self.database.query(
            "SELECT t.start_ns, v.time_ns FROM verifications AS v"
            " JOIN transmissions AS t ON t.id = v.open_transmission_id ORDER BY v.time_ns"
        )
        return tuple(rows)

    def notes(self) -> JournalNotes:
        """Return what the pipeline has to know of the journal."""
        antennas = self.database.query(
            "SELECT time_ns, text FROM journal WHERE kind = ? ORDER BY time_ns, id", (ANTENNA,)
        )
        return JournalNotes(tuple(self.work()), tuple(antennas), self.checks())

    def memories(self) -> dict[str, bytes]:
        """Return the last stored memories of rules, by kind."""
        return dict(self.database.query("SELECT rule, content FROM memories"))

    def last_change_id(self) -> int:
        """Return the id of the latest alarm change, 0 if there is none."""
        return int(self.database.query_value("SELECT coalesce(max(id), 0) FROM alarm_changes"))

    def acknowledgements(self, after: int, up_to: int) -> list[AlarmEvent]:
        """Return the acknowledgements among alarm changes (after, up_to], by any process."""
        rows = self.database.query(
            "SELECT alarm_id FROM alarm_changes WHERE id > ? AND id <= ?"
            " AND change = 'acknowledged' ORDER BY id",
            (after, up_to),
        )
        return [
            AlarmEvent(ChangeKind.ACKNOWLEDGED, self.alarms("r.id = ?", *row)[0]) for row in rows
        ]
