"""Offers to go on with a session that was interrupted."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from logger.cli.terminal import Stop, Terminal
from logger.store.sessions import Sessions
from logger.utc import format_ns


def resumed(
    terminal: Terminal, sessions: Sessions, kind: str, progress: Callable[[bytes], str]
) -> tuple[int, bytes] | None:
    """Number and content of the unfinished session of `kind`, if there is one and the person wants
    it; `progress` says how far a content got, or raises msgspec.MsgspecError. Raises Stop."""
    last = sessions.unfinished(kind)
    if last is None:
        return None
    try:
        done = progress(last.content)
    except msgspec.MsgspecError:  # of another version of the program
        return None
    terminal.ask(f"Resume the session of {format_ns(last.changed_ns)[:16]}Z, {done} (yes, no, q)?")
    while True:
        answer = (terminal.line(None) or "").lower()
        if answer in ("yes", "y"):
            return last.id, last.content
        if answer in ("no", "n"):
            return None
        if answer == "q":
            raise Stop
        terminal.ask("Please answer yes, no or q:")
