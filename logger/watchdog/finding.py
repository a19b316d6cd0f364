"""What a rule finds."""

from __future__ import annotations

from typing import NamedTuple


class Finding(NamedTuple):
    """A rule's change of state at a time."""

    time_ns: int
    change: str  # "raised" or "cleared"
    value: float | None
    limit: float | None
    detail: str
