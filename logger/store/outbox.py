"""The store as forwarders see it: deliveries of each forwarder by table, and refused rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from logger.store.database import Repository
from logger.store.identity import station_id
from logger.store.tables import FORWARDED, Record, Table

HIGHEST = (1 << 63) - 1
MOST_REFUSALS = 1000  # stored for each forwarder
RETRACTIONS = "retractions"  # name of their table, and of a forwarder's position in it
VERSION_1_NAME = "influxdb"  # the only forwarder in version 1 of the schema

_POSITION = "live, gap_after, gap_upto, rewrites"
TIMES = {  # by table followed, the column of its points' times
    "transmissions": "start_ns",
    "alarm_changes": "time_ns",
    "fault_changes": "time_ns",
    "excursions": "time_ns",
    "journal": "time_ns",
    "seconds": "time_ns",
    "health": "time_ns",
}
_WHERE = "forwarder = ? AND followed = ?"


class OutboxPosition(NamedTuple):
    """Position of a forwarder in a table.

    Every id up to `live` is delivered except those in (gap_after, gap_upto]. `rewrites` counts
    changes of rows, which widen the stored gap, also beyond the stored `live`.
    """

    live: int = 0
    gap_after: int = HIGHEST
    gap_upto: int = 0
    rewrites: int = 0

    @property
    def gap(self) -> int:
        """Number of ids in the gap."""
        return max(0, self.gap_upto - self.gap_after)

    def followed(self, stored: OutboxPosition) -> OutboxPosition:
        """Return this position with the rows behind it that were rewritten since it was stored."""
        after = min(self.gap_after, stored.gap_after)
        upto = min(max(self.gap_upto, stored.gap_upto), self.live)
        if after >= upto:
            after, upto = HIGHEST, 0
        return OutboxPosition(self.live, after, upto, stored.rewrites)

    def took_live(self, after: int, upto: int) -> OutboxPosition:
        """Return the position after delivery of (after, upto], after >= live; skipped ids are gap.

        The gap is one range, so it may come to include rows that were delivered live before. Each
        is sent at most twice, as the gap closes from below.
        """
        skipped = self if after <= self.live else self.postponed(after)
        return skipped._replace(live=upto)

    def postponed(self, upto: int) -> OutboxPosition:
        """Return the position after leaving rows up to `upto` for the gap, undelivered."""
        return self._replace(live=upto, gap_after=min(self.gap_after, self.live), gap_upto=upto)

    def took_gap(self, upto: int) -> OutboxPosition:
        """Return the position after delivery of (gap_after, upto]."""
        if upto >= self.gap_upto:
            return self._replace(gap_after=HIGHEST, gap_upto=0)
        return self._replace(gap_after=upto)


class RefusedRow(NamedTuple):
    """A row that a server refused; `row_ns` is its own time, `time_ns` the refusal's, both UTC."""

    table: str
    row_id: int
    row_ns: int
    time_ns: int
    reason: str


class Retracted(NamedTuple):
    """Points of a table to be deleted at a server.

    They are at `points` moments from `since_ns` to `until_ns` (inclusive), with no row in between;
    `is_marked`: with the tag `station_id`.
    """

    table: Table
    since_ns: int
    until_ns: int
    points: int
    is_marked: bool


class Retractions(NamedTuple):
    """The next deletions, up to the id `upto`; `lost` counts earlier ones dropped on overflow."""

    upto: int
    spans: list[Retracted]
    lost: int


class ForwarderTotals(NamedTuple):
    """Totals of a forwarder.

    The rows waiting, the rows refused, the latest of these, and the time when the server last
    accepted rows.
    """

    backlog: int
    refused: int
    latest: list[RefusedRow]
    taken_ns: int | None


class Outbox(Repository):
    """Deliveries of forwarders. Methods raise StoreError."""

    def begin(self, name: str) -> None:
        """Insert the positions of a forwarder where they are missing."""
        # A power cut may repeat the deliveries of a few seconds, too.
        self.database.execute("PRAGMA synchronous = NORMAL")
        self.database.limit_cache()
        with self.database.transaction():
            self.database.execute_many(
                "INSERT OR IGNORE INTO forwarded (forwarder, followed) VALUES (?, ?)",
                [(name, table.name) for table in FORWARDED],
            )
            self.database.execute(  # a forwarder without deliveries has nothing to delete
                "INSERT OR IGNORE INTO forwarded (forwarder, followed, live)"
                " VALUES (?, ?, (SELECT coalesce(max(id), 0) FROM retractions))",
                (name, RETRACTIONS),
            )

    def adopt(self, name: str) -> bool:
        """Let a new forwarder continue from the position of the version 1 forwarder, once.

        Return True if it does.
        """
        return bool(
            self.database.execute(
                "UPDATE forwarded SET forwarder = ? WHERE forwarder = ?"
                " AND NOT EXISTS (SELECT 1 FROM forwarded WHERE forwarder = ?)",
                (name, VERSION_1_NAME, name),
            )
        )

    def station_id(self) -> str:
        """Return the id of the station."""
        return station_id(self.database)

    def unmarked(self, name: str) -> dict[str, int]:
        """Return the UTC ns up to which points of each table have no tag `station_id`."""
        return dict(
            self.database.query(
                "SELECT followed, unmarked_until_ns FROM forwarded WHERE forwarder = ?", (name,)
            )
        )

    def position(self, name: str, table: Table) -> OutboxPosition:
        """Return the stored position of a forwarder; the start if it never began."""
        row = self.database.query_row(
            f"SELECT {_POSITION} FROM forwarded WHERE {_WHERE}", (name, table.name)
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
        """Store a position, and rows refused on the way.

        Return False without a change if rows behind it were rewritten in the meantime.
        """
        execute = self.database.execute
        with self.database.transaction():
            saved = execute(
                "UPDATE forwarded SET live = ?, gap_after = ?, gap_upto = ?,"
                " refused = refused + ?, taken_ns = coalesce(?, taken_ns)"
                f" WHERE {_WHERE} AND rewrites = ?",
                (*position[:3], len(refused), taken_ns, name, table.name, position.rewrites),
            )
            if saved and refused:
                self.database.execute_many(
                    "INSERT INTO refused_rows"
                    " (forwarder, followed, row_id, row_ns, time_ns, reason)"
                    " VALUES (?, ?, ?, ?, ?, ?)",
                    [(name, *row) for row in refused[-MOST_REFUSALS:]],
                )
                execute(
                    "DELETE FROM refused_rows WHERE forwarder = ?1 AND id <= (SELECT id"
                    " FROM refused_rows WHERE forwarder = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)",
                    (name, MOST_REFUSALS),
                )
            return bool(saved)

    def put_back(self, name: str, table: Table, row_ids: Sequence[int]) -> None:
        """Schedule refused rows for delivery again."""
        execute = self.database.execute
        with self.database.transaction():
            execute(
                "UPDATE forwarded SET gap_after = min(gap_after, ?), gap_upto = max(gap_upto, ?),"
                f" refused = refused - ?, rewrites = rewrites + 1 WHERE {_WHERE}",
                (min(row_ids) - 1, max(row_ids), len(row_ids), name, table.name),
            )
            self.database.execute_many(
                f"DELETE FROM refused_rows WHERE {_WHERE} AND row_id = ?",
                [(name, table.name, row_id) for row_id in row_ids],
            )

    def retractions(self, name: str, most: int) -> Retractions:
        """Return the next deletions of a forwarder, from at most `most` retractions."""
        after = self._retracted_upto(name)
        rows = self.database.query(
            "SELECT id, followed, time_ns FROM retractions WHERE id > ? ORDER BY id LIMIT ?",
            (after, most),
        )
        if not rows:
            return Retractions(after, [], 0)
        spans: list[Retracted] = []
        unmarked = self.unmarked(name)
        for table in FORWARDED:
            for time_ns in sorted({row[2] for row in rows if row[1] == table.name}):
                marked = time_ns > unmarked[table.name]
                last = spans[-1] if spans and spans[-1].table is table else None
                is_next = last is not None and last.is_marked == marked
                if last and is_next and not self._any_between(table, last.since_ns, time_ns):
                    spans[-1] = last._replace(until_ns=time_ns, points=last.points + 1)
                else:
                    spans.append(Retracted(table, time_ns, time_ns, 1, marked))
        return Retractions(rows[-1][0], spans, rows[0][0] - after - 1)

    def _any_between(self, table: Table, since_ns: int, until_ns: int) -> bool:
        column = TIMES[table.name]
        statement = f"SELECT 1 FROM {table.name} WHERE {column} BETWEEN ? AND ? LIMIT 1"
        return self.database.query_row(statement, (since_ns, until_ns)) is not None

    def _retracted_upto(self, name: str) -> int:
        row = self.database.query_row(
            f"SELECT live FROM forwarded WHERE {_WHERE}", (name, RETRACTIONS)
        )
        return self._last_retraction() if row is None else int(row[0])

    def _last_retraction(self) -> int:
        return int(self.database.query_value("SELECT coalesce(max(id), 0) FROM retractions"))

    def retracted(self, name: str, upto: int) -> None:
        """Record that retractions up to this id were carried out.

        Rows at their moments, stored since or with other tags, are delivered (again), because the
        deletion may have hit them.
        """
        execute = self.database.execute
        with self.database.transaction():
            after = self._retracted_upto(name)
            for table in FORWARDED:
                first, last = self.database.query_row(
                    f"SELECT min({table.number}), max({table.number}) FROM {table.source}"
                    f" WHERE {table.time} IN (SELECT time_ns FROM retractions"
                    " WHERE id > ? AND id <= ? AND followed = ?)",
                    (after, upto, table.name),
                )
                if first is not None:
                    execute(
                        "UPDATE forwarded SET gap_after = min(gap_after, ?),"
                        f" gap_upto = max(gap_upto, ?), rewrites = rewrites + 1 WHERE {_WHERE}",
                        (first - 1, last, name, table.name),
                    )
            execute(f"UPDATE forwarded SET live = ? WHERE {_WHERE}", (upto, name, RETRACTIONS))
            execute(
                "DELETE FROM retractions WHERE id < (SELECT min(live) FROM forwarded"
                " WHERE followed = ?)",
                (RETRACTIONS,),
            )

    def records_between(self, table: Table, after: int, upto: int, most: int) -> Iterator[Record]:
        """Return complete rows with ids in (after, upto] in order, the first `most` of them.

        Read it to its end without delay: until then it keeps the write-ahead log from shrinking.
        """
        rows = self.database.stream(
            f"{table.select} WHERE {table.complete} AND {table.number} > ?"
            f" AND {table.number} <= ? ORDER BY {table.number} LIMIT ?",
            (after, upto, most),
        )
        return map(table.record, rows)

    def newest_after(self, table: Table, after: int, most: int) -> int:
        """Return the id after which the newest `most` rows begin, never before `after`."""
        row = self.database.query_row(
            f"SELECT {table.number} FROM {table.source} WHERE {table.complete}"
            f" AND {table.number} > ? ORDER BY {table.number} DESC LIMIT 1 OFFSET ?",
            (after, most),
        )
        return after if row is None else int(row[0])

    def newest(self, table: Table) -> Record | None:
        """Return the complete row with the highest id."""
        row = self.database.query_row(
            f"{table.select} WHERE {table.complete} ORDER BY {table.number} DESC LIMIT 1"
        )
        return None if row is None else table.record(row)

    def waiting(self, table: Table, position: OutboxPosition) -> int:
        """Return the number of rows still to deliver.

        Ids are counted, since rows would have to be read, so deleted or unfinished rows may be
        included.
        """
        return position.gap + self.newest_after(table, position.live, 0) - position.live

    def retractions_waiting(self, name: str) -> int:
        """Return the number of retractions still to be carried out."""
        return max(0, self._last_retraction() - self._retracted_upto(name))

    def totals(self, name: str, latest: int = 3) -> ForwarderTotals:
        """Return the totals of a forwarder."""
        refused, taken_ns = self.database.query_row(
            "SELECT coalesce(sum(refused), 0), max(taken_ns) FROM forwarded WHERE forwarder = ?",
            (name,),
        )
        rows = self.database.query(
            "SELECT followed, row_id, row_ns, time_ns, reason FROM refused_rows"
            " WHERE forwarder = ? ORDER BY id DESC LIMIT ?",
            (name, latest),
        )
        positions = {table: self.position(name, table) for table in FORWARDED}
        backlog = sum(self.waiting(table, at.followed(at)) for table, at in positions.items())
        backlog += self.retractions_waiting(name)
        return ForwarderTotals(backlog, refused, [RefusedRow(*row) for row in rows], taken_ns)
