"""Offers to resume an interrupted session."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import msgspec

from logger.cli.guides.terminal import Stop, Terminal
from logger.errors import UsageError
from logger.store.sessions import Sessions
from logger.utc import format_ns

S = TypeVar("S")


def resumed(
    terminal: Terminal,
    store: Sessions,
    kind: str,
    found: Callable[[bytes], S],
    told: Callable[[S], str],
) -> tuple[int, S] | None:
    """Return id and state of the unfinished session of `kind`, if the user resumes it.

    `found` decodes a state; msgspec.MsgspecError and UsageError mean that it is of another version
    of the program. `told` returns its progress as text. Raises Stop.
    """
    last = store.unfinished(kind)
    if last is None:
        return None
    try:
        state = found(last.content)
        how_far = told(state)
    except (msgspec.MsgspecError, UsageError):
        return None
    when = format_ns(last.changed_ns)[:16].replace("T", " ")
    terminal.say(f"An unfinished session of {when} UTC: {how_far}.")
    terminal.ask("Continue it? (Enter: yes, n: start a new one, q: quit)")
    while True:
        answer = (terminal.line(None) or "").lower()
        if answer in ("", "y", "yes"):
            return last.id, state
        if answer in ("n", "no"):
            return None
        if answer == "q":
            raise Stop
        terminal.ask("Enter for yes, n or q:")
