"""Stored measurements of the loss of the installed line."""

from __future__ import annotations

import msgspec

from logger.feedline.measurement import LineLoss
from logger.store.database import Store
from logger.store.schema import transaction

FIELDS = LineLoss.__struct_fields__
DB_DECIMALS = 4


class LineLosses(Store):
    """Open with `LineLosses.reader`, also beside the daemon."""

    def add(self, reading: LineLoss, words: str) -> int:
        """Insert a reading, and a journal entry with the text `words`; return the reading's id.

        The entry makes rules that compare start again, since the line was opened for the
        measurement. Raise StoreError.
        """
        values = [
            round(value, DB_DECIMALS) if isinstance(value, float) else value
            for value in msgspec.structs.astuple(reading)
        ]
        with self._errors(), transaction(self._connection):
            self._connection.execute(
                "INSERT INTO journal (time_ns, kind, text) VALUES (?, 'adjustment', ?)",
                (reading.time_ns, words),
            )
            row = self._connection.execute(
                f"INSERT INTO line_losses ({', '.join(FIELDS)})"
                f" VALUES ({', '.join('?' * len(FIELDS))}) RETURNING id",
                values,
            ).fetchone()
        return int(row[0])

    def readings(self) -> list[LineLoss]:
        """Return all readings, oldest first."""
        rows = self._query(f"SELECT {', '.join(FIELDS)} FROM line_losses ORDER BY time_ns, id")
        return [LineLoss(**dict(zip(FIELDS, row, strict=True))) for row in rows]
