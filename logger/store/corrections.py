"""Correction and deletion of journal entries."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.store.database import Store
from logger.store.schema import transaction


class Corrections(Store):
    """Open with `Corrections.reader`, also beside the daemon. Methods raise StoreError."""

    def correct(self, number: int, changes: Mapping[str, Any]) -> bool:
        """Set `time_ns`, `kind` or `text` of a journal entry; return True if it exists."""
        names = ", ".join(f"{name} = ?" for name in changes)
        with self._errors(), transaction(self._connection):
            return bool(
                self._connection.execute(
                    f"UPDATE journal SET {names} WHERE id = ?", (*changes.values(), number)
                ).rowcount
            )

    def strike(self, number: int) -> bool:
        """Delete an entry from the journal; return True if it existed."""
        with self._errors(), transaction(self._connection):
            return bool(
                self._connection.execute("DELETE FROM journal WHERE id = ?", (number,)).rowcount
            )
