"""The station's journal: what was done, seen and said."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from logger.store.database import Repository

NOTES = ("repair", "adjustment", "weather", "remark")
ANTENNA = "antenna"  # from then on the antenna that the text names is in use
KINDS = (*NOTES, ANTENNA)
WORK = ("repair", "adjustment")  # the station may read differently afterwards


class JournalNotes(NamedTuple):
    """What the pipeline has to know of the journal, in order of time.

    work_ns   times of repairs and adjustments
    antennas  times at which the antenna was changed, with the name of the new one
    checks    begin and end of the open ends keyed to check the coupler
    """

    work_ns: tuple[int, ...] = ()
    antennas: tuple[tuple[int, str], ...] = ()
    checks: tuple[tuple[int, int], ...] = ()


class Journal(Repository):
    """Entries of the journal. Methods raise StoreError."""

    def insert(self, time_ns: int, kind: str, text: str) -> int:
        """Insert an entry, also beside a running daemon; return its id."""
        return int(
            self.database.query_value(
                "INSERT INTO journal (time_ns, kind, text) VALUES (?, ?, ?) RETURNING id",
                (time_ns, kind, text),
            )
        )

    def update(self, entry_id: int, changes: Mapping[str, Any]) -> bool:
        """Set `time_ns`, `kind` or `text` of an entry; return True if it exists."""
        names = ", ".join(f"{name} = ?" for name in changes)
        return bool(
            self.database.execute(
                f"UPDATE journal SET {names} WHERE id = ?", (*changes.values(), entry_id)
            )
        )

    def delete(self, entry_id: int) -> bool:
        """Delete an entry; return True if it existed."""
        return bool(self.database.execute("DELETE FROM journal WHERE id = ?", (entry_id,)))
