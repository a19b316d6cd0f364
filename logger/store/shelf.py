"""Management of alarms by the user: listing with age and count, and shelving for a time."""

from __future__ import annotations

from logger.errors import UsageError
from logger.store.database import Store
from logger.store.schema import transaction

WAITING = "(r.cleared_ns IS NULL OR r.acknowledged_ns IS NULL)"  # alarms that need attention


class Shelf(Store):
    """Open with `Shelf.reader`."""

    def shelve(self, alarm_id: int, until_ns: int, now_ns: int) -> str:
        """Shelve the kind of this alarm until a time, so that it is not reported; return the kind.

        Raise UsageError if there is no such alarm or the time has passed.
        """
        if until_ns <= now_ns:
            raise UsageError("the end of the shelving has passed; give a later time")
        return self._set(alarm_id, until_ns)

    def unshelve(self, alarm_id: int) -> str:
        """Report alarms of the kind of this one again; return the kind. Raise UsageError."""
        return self._set(alarm_id, None)

    def _set(self, alarm_id: int, until_ns: int | None) -> str:
        with self._errors(), transaction(self._connection):
            kind = self._query_one("SELECT kind FROM alarms WHERE id = ?", (alarm_id,))
            if kind is None:
                raise UsageError(f"there is no alarm {alarm_id}; `mismatchd alarms` lists them")
            # The latest request applies, whichever alarm of the kind it named.
            self._connection.execute(
                "UPDATE alarms SET shelved_until_ns = NULL"
                " WHERE shelved_until_ns IS NOT NULL AND kind = ?",
                kind,
            )
            self._connection.execute(
                "UPDATE alarms SET shelved_until_ns = ? WHERE id = ?", (until_ns, alarm_id)
            )
        return str(kind[0])

    def shelved_until(self, now_ns: int) -> dict[str, int]:
        """Return the end of shelving of each shelved kind, UTC nanoseconds."""
        rows = self._query(
            "SELECT kind, shelved_until_ns FROM alarms WHERE shelved_until_ns > ?", (now_ns,)
        )
        return dict(rows)

    def raises(self) -> dict[str, int]:
        """Return how often each kind has been raised in all."""
        return dict(self._query("SELECT kind, count(*) FROM alarms GROUP BY kind"))
