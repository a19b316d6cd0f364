"""Stored verifications of the coupler."""

from __future__ import annotations

import msgspec

from logger.store.database import Repository
from logger.store.journal import Journal
from logger.store.sqlite import insert
from logger.utc import DAY_NS
from logger.verification.row import Verification

FIELDS = Verification.__struct_fields__
DECIMALS = 4


class Verifications(Repository):
    """Checks against the dummy load. Methods raise StoreError."""

    def insert(self, verification: Verification, text: str) -> int:
        """Insert a verification and a remark in the journal; return the verification's id.

        Its transmissions no longer count in the values of their day.
        """
        values = [
            round(value, DECIMALS) if isinstance(value, float) else value
            for value in msgspec.structs.astuple(verification)
        ]
        with self.database.transaction():
            Journal(self.database).insert(verification.time_ns, "remark", text)
            statement = f"{insert('verifications', FIELDS)} RETURNING id"
            number = int(self.database.query_value(statement, values))
            self.database.execute(
                "INSERT OR IGNORE INTO stale_days (day) SELECT DISTINCT start_ns / ? FROM"
                " transmissions WHERE id IN (?, ?)",
                (DAY_NS, verification.transmission_id, verification.open_transmission_id),
            )
        return number

    def all(self, until_ns: int | None = None) -> list[Verification]:
        """Return the verifications up to a time, oldest first."""
        rows = self.database.query(
            f"SELECT {', '.join(FIELDS)} FROM verifications WHERE time_ns <= coalesce(?, time_ns)"
            " ORDER BY time_ns, id",
            (until_ns,),
        )
        return [Verification(**dict(zip(FIELDS, row, strict=True))) for row in rows]

    def last_ns(self) -> int | None:
        """Return the time of the last verification, None if there is none."""
        newest = self.database.query_row("SELECT max(time_ns) FROM verifications")
        return None if newest is None else newest[0]
