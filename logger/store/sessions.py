"""Stored sessions of step-by-step work at the station, which can be resumed and shown."""

from __future__ import annotations

import msgspec

from logger.store.database import Repository
from logger.store.journal import Journal


class StoredSession(msgspec.Struct, frozen=True):
    """A session; the meaning of its content (JSON) depends on its kind."""

    id: int
    kind: str
    begun_ns: int
    changed_ns: int
    ended: bool
    content: bytes


class Sessions(Repository):
    """Sessions of all kinds. Methods raise StoreError."""

    def begin(self, kind: str, now_ns: int, content: bytes) -> int:
        """Insert a new session and return its id. Unfinished sessions of its kind are ended."""
        with self.database.transaction():
            self.database.execute("UPDATE sessions SET ended = 1 WHERE kind = ?", (kind,))
            return int(
                self.database.query_value(
                    "INSERT INTO sessions (kind, begun_ns, changed_ns, ended, content)"
                    " VALUES (?, ?, ?, 0, ?) RETURNING id",
                    (kind, now_ns, now_ns, content),
                )
            )

    def update(self, session_id: int, now_ns: int, content: bytes, *, ended: bool = False) -> None:
        """Update the content of a session."""
        self.database.execute(
            "UPDATE sessions SET changed_ns = ?, content = ?, ended = max(ended, ?) WHERE id = ?",
            (now_ns, content, ended, session_id),
        )

    def end(
        self,
        session_id: int,
        now_ns: int,
        content: bytes,
        words: str | None = None,
        kind: str = "adjustment",
    ) -> None:
        """Update and end a session; insert `words` into the journal as an entry of `kind`."""
        with self.database.transaction():
            self.update(session_id, now_ns, content, ended=True)
            if words is not None:
                Journal(self.database).insert(now_ns, kind, words)

    def unfinished(self, kind: str) -> StoredSession | None:
        """Return the session of a kind that can be resumed, None if there is none."""
        sessions = [session for session in self.sessions(kind) if not session.ended]
        return sessions[-1] if sessions else None

    def sessions(self, kind: str) -> list[StoredSession]:
        """Return all sessions of a kind, oldest first."""
        rows = self.database.query(
            "SELECT id, kind, begun_ns, changed_ns, ended, content FROM sessions"
            " WHERE kind = ? ORDER BY id",
            (kind,),
        )
        return [
            StoredSession(id_, kind, begun_ns, changed_ns, bool(ended), content)
            for id_, kind, begun_ns, changed_ns, ended, content in rows
        ]
