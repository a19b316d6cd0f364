"""Stored measurements of the loss of the installed line."""

from __future__ import annotations

import msgspec

from logger.feedline.measurement import LineLoss
from logger.store.database import Repository
from logger.store.journal import Journal
from logger.store.sqlite import insert

FIELDS = LineLoss.__struct_fields__
DB_DECIMALS = 4


class LineLosses(Repository):
    """Measurements of line loss. Methods raise StoreError."""

    def insert(self, reading: LineLoss, text: str) -> int:
        """Insert a reading, and a journal entry with this text; return the reading's id.

        The entry makes rules that compare start again, since the line was opened for the
        measurement.
        """
        values = [
            round(value, DB_DECIMALS) if isinstance(value, float) else value
            for value in msgspec.structs.astuple(reading)
        ]
        with self.database.transaction():
            Journal(self.database).insert(reading.time_ns, "adjustment", text)
            statement = f"{insert('line_losses', FIELDS)} RETURNING id"
            return int(self.database.query_value(statement, values))

    def readings(self) -> list[LineLoss]:
        """Return all readings, oldest first."""
        rows = self.database.query(
            f"SELECT {', '.join(FIELDS)} FROM line_losses ORDER BY time_ns, id"
        )
        return [LineLoss(**dict(zip(FIELDS, row, strict=True))) for row in rows]
