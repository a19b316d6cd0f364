"""Stored sessions of step-by-step work at the station, which can be resumed and shown."""

from __future__ import annotations

import msgspec

from logger.store.database import Store
from logger.store.schema import transaction

FIELDS = "id, kind, begun_ns, changed_ns, ended, content"


class StoredSession(msgspec.Struct, frozen=True):
    """A session; the meaning of its content (JSON) depends on its kind."""

    id: int
    kind: str
    begun_ns: int
    changed_ns: int
    ended: bool
    content: bytes


class Sessions(Store):
    """Open with `Sessions.reader`, also beside the daemon. Methods raise StoreError."""

    def begin(self, kind: str, now_ns: int, content: bytes) -> int:
        """Insert a new session and return its id. Unfinished sessions of its kind are ended."""
        with self._errors(), transaction(self._connection):
            self._connection.execute("UPDATE sessions SET ended = 1 WHERE kind = ?", (kind,))
            row = self._connection.execute(
                "INSERT INTO sessions (kind, begun_ns, changed_ns, ended, content)"
                " VALUES (?, ?, ?, 0, ?) RETURNING id",
                (kind, now_ns, now_ns, content),
            ).fetchone()
        return int(row[0])

    def keep(self, number: int, now_ns: int, content: bytes) -> None:
        """Update the content of a session."""
        with self._errors(), transaction(self._connection):
            self._connection.execute(
                "UPDATE sessions SET changed_ns = ?, content = ? WHERE id = ?",
                (now_ns, content, number),
            )

    def end(
        self,
        number: int,
        now_ns: int,
        content: bytes,
        words: str | None = None,
        kind: str = "adjustment",
    ) -> None:
        """Update and end a session; `words` are added to the journal as an entry of `kind`."""
        with self._errors(), transaction(self._connection):
            self._connection.execute(
                "UPDATE sessions SET changed_ns = ?, content = ?, ended = 1 WHERE id = ?",
                (now_ns, content, number),
            )
            if words is not None:
                self._connection.execute(
                    "INSERT INTO journal (time_ns, kind, text) VALUES (?, ?, ?)",
                    (now_ns, kind, words),
                )

    def unfinished(self, kind: str) -> StoredSession | None:
        """Return the session of a kind that can be resumed, None if there is none."""
        found = self._sessions("kind = ? AND NOT ended", kind)
        return found[-1] if found else None

    def sessions(self, kind: str) -> list[StoredSession]:
        """Return all sessions of a kind, oldest first."""
        return self._sessions("kind = ?", kind)

    def _sessions(self, where: str, *values: object) -> list[StoredSession]:
        rows = self._query(f"SELECT {FIELDS} FROM sessions WHERE {where} ORDER BY id", values)
        return [
            StoredSession(number, kind, begun_ns, changed_ns, bool(ended), content)
            for number, kind, begun_ns, changed_ns, ended, content in rows
        ]
