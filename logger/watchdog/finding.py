"""Result of a rule."""

from __future__ import annotations

from typing import NamedTuple

from logger.rows import ChangeKind


class Finding(NamedTuple):
    """Change of state of a rule at a time."""

    time_ns: int
    change: ChangeKind
    value: float | None
    limit: float | None
    detail: str
