"""Sessions of guided work, stored after each step so that they can be resumed.

Commands and pages hold the session in progress in a `WorkSession`. What the work is about is in the
session itself, of which the store sees only the state, as JSON.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

import msgspec

from logger.errors import UsageError
from logger.store.lock import StoreLock
from logger.store.sessions import Sessions


class Resumable(Protocol):
    """Session that can be restored from its state."""

    @property
    def state(self) -> Any:
        """Everything that is to be stored."""


S = TypeVar("S", bound=Resumable)


@dataclass(frozen=True)
class Unfinished(Generic[S]):
    """Session that was interrupted after `changed_ns`."""

    id: int
    changed_ns: int
    session: S


class WorkSession(Generic[S]):
    """The session in progress of one kind of work, None before `begin` or `resume`.

    `restore` makes a session of its stored state. It raises msgspec.MsgspecError or UsageError if
    the state is of another version of the program. Each method opens the store for itself, so any
    thread may call it; all raise StoreError. One process at a time has a session of this kind in
    progress.
    """

    def __init__(
        self,
        path: Path,
        kind: str,
        restore: Callable[[bytes], S],
        now_ns: Callable[[], int],
    ) -> None:
        self._path, self._kind, self._restore, self._now_ns = path, kind, restore, now_ns
        self._lock: StoreLock | None = None
        self.id = 0
        self.session: S | None = None

    def reserve(self) -> None:
        """Keep other processes from this kind of work. Raise StoreInUseError if one does it."""
        if self._lock is None:
            self._lock = StoreLock(self._path, self._kind)

    def close(self) -> None:
        """Let other processes continue the work; the session stays as it is stored."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def unfinished(self) -> Unfinished[S] | None:
        """Return the session that can be resumed; None if there is none that can be read."""
        with self._store() as store:
            last = store.unfinished(self._kind)
        if last is None:
            return None
        try:
            return Unfinished(last.id, last.changed_ns, self._restore(last.content))
        except (msgspec.MsgspecError, UsageError):
            return None

    def pause(self) -> None:
        """Store the session and let go of it; any process can resume it."""
        self.save()
        self.session = None
        self.close()

    def begin(self, session: S) -> S:
        """Insert a new session and return it; an unfinished one of its kind is ended."""
        self.reserve()
        with self._store() as store:
            self.id = store.begin(self._kind, self._now_ns(), msgspec.json.encode(session.state))
        self.session = session
        return session

    def resume(self, unfinished: Unfinished[S]) -> None:
        """Continue an interrupted session."""
        self.reserve()
        self.id, self.session = unfinished.id, unfinished.session

    def save(self) -> None:
        """Update the stored state of the session, if there is one."""
        if self.session is not None:
            with self._store() as store:
                store.update(self.id, self._now_ns(), msgspec.json.encode(self.session.state))

    def end(self, text: str | None = None, kind: str = "adjustment") -> None:
        """End the session; `text` is added to the journal as an entry of `kind`."""
        if self.session is not None:
            content = msgspec.json.encode(self.session.state)
            with self._store() as store:
                store.end(self.id, self._now_ns(), content, text, kind)
            self.session = None
            self.close()

    def _store(self) -> Sessions:
        return Sessions.editor(self._path)
