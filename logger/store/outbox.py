"""The store as forwarders see it: what each has delivered of each table, and what was refused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from logger.store.database import Store
from logger.store.schema import transaction
from logger.store.tables import FORWARDED, Record, Table
from logger.utc import format_ns

HIGHEST = (1 << 63) - 1
FETCH_ROWS = 500
KEPT_REFUSALS = 1000  # of each forwarder
RETRACTIONS = "retractions"  # the table of these, and what of it was followed
VERSION_1_NAME = "influxdb"  # the one forwarder that version 1 of the schema knew

_POSITION = "live, gap_after, gap_upto, rewrites"
TIMES = {  # by table followed: the table and the column of its points' times
    "alarm_changes": ("alarms", "raised_ns"),
    "transmissions": ("transmissions", "start_ns"),
    "seconds": ("seconds", "time_ns"),
    "health": ("health", "time_ns"),
}
_MINE = "forwarder = ? AND followed = ?"


class OutboxPosition(NamedTuple):
    """How far a forwarder has got with a table: every id up to `live` is delivered but those in
    (gap_after, gap_upto]. `rewrites` is what tells that rows behind it have changed since."""

    live: int = 0
    gap_after: int = HIGHEST
    gap_upto: int = 0
    rewrites: int = 0

    @property
    def gap(self) -> int:
        """Ids to catch up with."""
        return max(0, self.gap_upto - self.gap_after)

    def took_live(self, after: int, upto: int) -> OutboxPosition:
        """Delivered (after, upto] with after >= live; what was passed over falls in the gap.

        The gap is one range, so it may come to hold rows that went out live before. Each is sent
        twice at most, as the gap closes from below.
        """
        skipped = self if after <= self.live else self.postponed(after)
        return skipped._replace(live=upto)

    def postponed(self, upto: int) -> OutboxPosition:
        """Nothing new was delivered; rows up to `upto` are left for the gap."""
        return self._replace(live=upto, gap_after=min(self.gap_after, self.live), gap_upto=upto)

    def took_gap(self, upto: int) -> OutboxPosition:
        """Delivered (gap_after, upto]."""
        if upto >= self.gap_upto:
            return self._replace(gap_after=HIGHEST, gap_upto=0)
        return self._replace(gap_after=upto)


class RefusedRow(NamedTuple):
    """A row that a server would not take; `row_ns` is the row's own time, `time_ns` that of the
    refusal, both UTC."""

    table: str
    row_id: int
    row_ns: int
    time_ns: int
    reason: str


class Retracted(NamedTuple):
    """Points of a table from `since_ns` to `until_ns` (inclusive) are to be deleted at a server:
    at `points` moments, with no row in between."""

    table: Table
    since_ns: int
    until_ns: int
    points: int


class Retractions(NamedTuple):
    """What to delete next, up to the id `upto`; `lost` were given up before, as there were too
    many."""

    upto: int
    spans: list[Retracted]
    lost: int


class ForwarderTotals(NamedTuple):
    """What the store knows of a forwarder: rows waiting, rows refused, the latest of them, and when
    the server last took rows."""

    backlog: int
    refused: int
    latest: list[RefusedRow]
    taken_ns: int | None

    def columns(self) -> dict[str, Any]:
        """As `mismatchd status` shows them."""
        return {
            "backlog": self.backlog,
            "last_success_utc": None if self.taken_ns is None else format_ns(self.taken_ns),
            "refused": self.refused,
            "refused_rows": [
                {
                    "table": row.table,
                    "id": row.row_id,
                    "time_utc": format_ns(row.row_ns),
                    "refused_utc": format_ns(row.time_ns),
                    "reason": row.reason,
                }
                for row in self.latest
            ],
        }


class Outbox(Store):
    """Open with `Outbox.reader`."""

    def begin(self, name: str) -> None:
        """Make the positions of a forwarder, where there are none yet. Raises StoreError."""
        with self._errors(), transaction(self._connection):
            self._connection.executemany(
                "INSERT OR IGNORE INTO forwarded (forwarder, followed) VALUES (?, ?)",
                [(name, table.name) for table in FORWARDED],
            )
            self._connection.execute(  # who has delivered nothing has nothing to delete
                "INSERT OR IGNORE INTO forwarded (forwarder, followed, live)"
                " VALUES (?, ?, (SELECT coalesce(max(id), 0) FROM retractions))",
                (name, RETRACTIONS),
            )

    def adopt(self, name: str) -> bool:
        """Let a forwarder that is new go on from where that of version 1 had got, once; whether it
        does. Raises StoreError."""
        with self._errors(), transaction(self._connection):
            return bool(
                self._connection.execute(
                    "UPDATE forwarded SET forwarder = ? WHERE forwarder = ?"
                    " AND NOT EXISTS (SELECT 1 FROM forwarded WHERE forwarder = ?)",
                    (name, VERSION_1_NAME, name),
                ).rowcount
            )

    def position(self, name: str, table: Table) -> OutboxPosition:
        """How far a forwarder has got; the start if it never began."""
        row = self._query_one(
            f"SELECT {_POSITION} FROM forwarded WHERE {_MINE}", (name, table.name)
        )
        return OutboxPosition() if row is None else OutboxPosition(*row)

    def save(
        self,
        name: str,
        table: Table,
        position: OutboxPosition,
        taken_ns: int | None,
        refused: Sequence[RefusedRow] = (),
    ) -> bool:
        """Keep a position, and rows set aside on the way. False, and nothing is done, if rows
        behind it were rewritten in the meantime. Raises StoreError."""
        execute = self._connection.execute
        with self._errors(), transaction(self._connection):
            saved = execute(
                "UPDATE forwarded SET live = ?, gap_after = ?, gap_upto = ?,"
                " refused = refused + ?, taken_ns = coalesce(?, taken_ns)"
                f" WHERE {_MINE} AND rewrites = ?",
                (*position[:3], len(refused), taken_ns, name, table.name, position.rewrites),
            ).rowcount
            if saved and refused:
                self._connection.executemany(
                    "INSERT INTO refused_rows"
                    " (forwarder, followed, row_id, row_ns, time_ns, reason)"
                    " VALUES (?, ?, ?, ?, ?, ?)",
                    [(name, *row) for row in refused[-KEPT_REFUSALS:]],
                )
                execute(
                    "DELETE FROM refused_rows WHERE forwarder = ?1 AND id <= (SELECT id"
                    " FROM refused_rows WHERE forwarder = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)",
                    (name, KEPT_REFUSALS),
                )
            return bool(saved)

    def put_back(self, name: str, table: Table, row_ids: Sequence[int]) -> None:
        """Have rows that were set aside delivered after all. Raises StoreError."""
        execute = self._connection.execute
        with self._errors(), transaction(self._connection):
            execute(
                "UPDATE forwarded SET gap_after = min(gap_after, ?), gap_upto = max(gap_upto, ?),"
                f" refused = refused - ?, rewrites = rewrites + 1 WHERE {_MINE}",
                (min(row_ids) - 1, max(row_ids), len(row_ids), name, table.name),
            )
            self._connection.executemany(
                f"DELETE FROM refused_rows WHERE {_MINE} AND row_id = ?",
                [(name, table.name, row_id) for row_id in row_ids],
            )

    def retractions(self, name: str, most: int) -> Retractions:
        """What a forwarder is to delete next, of `most` moments at most."""
        after = self._retracted_upto(name)
        rows = self._query(
            "SELECT id, followed, time_ns FROM retractions WHERE id > ? ORDER BY id LIMIT ?",
            (after, most),
        )
        if not rows:
            return Retractions(after, [], 0)
        spans: list[Retracted] = []
        for table in FORWARDED:
            for time_ns in sorted({row[2] for row in rows if row[1] == table.name}):
                last = spans[-1] if spans and spans[-1].table is table else None
                if last and not self._any_between(table, last.since_ns, time_ns):
                    spans[-1] = last._replace(until_ns=time_ns, points=last.points + 1)
                else:
                    spans.append(Retracted(table, time_ns, time_ns, 1))
        return Retractions(rows[-1][0], spans, rows[0][0] - after - 1)

    def _any_between(self, table: Table, since_ns: int, until_ns: int) -> bool:
        name, column = TIMES[table.name]
        found = f"SELECT 1 FROM {name} WHERE {column} BETWEEN ? AND ? LIMIT 1"
        return self._query_one(found, (since_ns, until_ns)) is not None

    def _retracted_upto(self, name: str) -> int:
        row = self._query_one(f"SELECT live FROM forwarded WHERE {_MINE}", (name, RETRACTIONS))
        return self._last_retraction() if row is None else int(row[0])

    def _last_retraction(self) -> int:
        return int(self._one("SELECT coalesce(max(id), 0) FROM retractions"))

    def retracted(self, name: str, upto: int) -> None:
        """Retractions up to this id were carried out. Rows at their moments, stored since or with
        other tags, are delivered (again), for what was deleted may have been theirs. Raises
        StoreError."""
        execute = self._connection.execute
        with self._errors(), transaction(self._connection):
            after = self._retracted_upto(name)
            for table in FORWARDED:
                first, last = execute(
                    f"SELECT min({table.number}), max({table.number}) FROM {table.source}"
                    f" WHERE {table.time} IN (SELECT time_ns FROM retractions"
                    " WHERE id > ? AND id <= ? AND followed = ?)",
                    (after, upto, table.name),
                ).fetchone()
                if first is not None:
                    execute(
                        "UPDATE forwarded SET gap_after = CASE WHEN live >= ?1"
                        " THEN min(gap_after, ?1 - 1) ELSE gap_after END,"
                        " gap_upto = CASE WHEN live >= ?1"
                        " THEN max(gap_upto, min(live, ?2)) ELSE gap_upto END,"
                        " rewrites = rewrites + 1 WHERE forwarder = ?3 AND followed = ?4",
                        (first, last, name, table.name),
                    )
            execute(f"UPDATE forwarded SET live = ? WHERE {_MINE}", (upto, name, RETRACTIONS))
            execute(
                "DELETE FROM retractions WHERE id < (SELECT min(live) FROM forwarded"
                " WHERE followed = ?)",
                (RETRACTIONS,),
            )

    def records_between(self, table: Table, after: int, upto: int, most: int) -> Iterator[Record]:
        """Complete rows with ids in (after, upto] in order, the first so many of them.

        Read it to its end without delay: until then it keeps the write-ahead log from shrinking.
        """
        with self._errors():
            rows = self._connection.execute(
                f"{table.select} WHERE {table.complete} AND {table.number} > ?"
                f" AND {table.number} <= ? ORDER BY {table.number} LIMIT ?",
                (after, upto, most),
            )
            while page := rows.fetchmany(FETCH_ROWS):
                yield from map(table.record, page)

    def newest_after(self, table: Table, after: int, most: int) -> int:
        """The id after which the newest rows begin, `most` of them, none at or before `after`."""
        row = self._query_one(
            f"SELECT {table.number} FROM {table.source} WHERE {table.complete}"
            f" AND {table.number} > ? ORDER BY {table.number} DESC LIMIT 1 OFFSET ?",
            (after, most),
        )
        return after if row is None else int(row[0])

    def newest(self, table: Table) -> Record | None:
        """The complete row with the highest id."""
        row = self._query_one(
            f"{table.select} WHERE {table.complete} ORDER BY {table.number} DESC LIMIT 1"
        )
        return None if row is None else table.record(row)

    def waiting(self, table: Table, position: OutboxPosition) -> int:
        """Rows before a position. Ids are counted, as rows would have to be read; so rows deleted
        or still going on inside may be among them."""
        return position.gap + self.newest_after(table, position.live, 0) - position.live

    def retractions_waiting(self, name: str) -> int:
        """How many are still to be carried out."""
        return max(0, self._last_retraction() - self._retracted_upto(name))

    def totals(self, name: str, latest: int = 3) -> ForwarderTotals:
        """What is stored of a forwarder."""
        refused, taken_ns = self._query_one(
            "SELECT coalesce(sum(refused), 0), max(taken_ns) FROM forwarded WHERE forwarder = ?",
            (name,),
        )
        rows: list[tuple[Any, ...]] = self._query(
            "SELECT followed, row_id, row_ns, time_ns, reason FROM refused_rows"
            " WHERE forwarder = ? ORDER BY id DESC LIMIT ?",
            (name, latest),
        )
        backlog = sum(self.waiting(table, self.position(name, table)) for table in FORWARDED)
        backlog += self.retractions_waiting(name)
        return ForwarderTotals(backlog, refused, [RefusedRow(*row) for row in rows], taken_ns)
