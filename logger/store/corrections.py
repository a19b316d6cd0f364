"""Entries of the journal, corrected and taken out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.store.database import Store
from logger.store.schema import transaction


class Corrections(Store):
    """Open with `Corrections.reader`, also beside the daemon. Methods raise StoreError."""

    def correct(self, number: int, changes: Mapping[str, Any]) -> bool:
        """Set `time_ns`, `kind` or `text` of an entry of the journal; whether there is one."""
        names = ", ".join(f"{name} = ?" for name in changes)
        with self._errors(), transaction(self._connection):
            return bool(
                self._connection.execute(
                    f"UPDATE journal SET {names} WHERE id = ?", (*changes.values(), number)
                ).rowcount
            )

    def strike(self, number: int) -> bool:
        """Take an entry out of the journal; whether there was one."""
        with self._errors(), transaction(self._connection):
            return bool(
                self._connection.execute("DELETE FROM journal WHERE id = ?", (number,)).rowcount
            )
