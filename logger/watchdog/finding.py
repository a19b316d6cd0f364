"""Result of a rule."""

from __future__ import annotations

from typing import NamedTuple


class Finding(NamedTuple):
    """Change of state of a rule at a time."""

    time_ns: int
    change: str  # "raised" or "cleared"
    value: float | None
    limit: float | None
    detail: str
