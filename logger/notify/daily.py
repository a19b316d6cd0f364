"""When the daily message is due. Pure: nanoseconds since the epoch, UTC."""

from __future__ import annotations

MINUTE_NS = 60_000_000_000
DAY_NS = 1440 * MINUTE_NS


def latest_slot(minute: int, now_ns: int) -> int:
    """The last time at or before now that it was that minute of a day."""
    return (now_ns - minute * MINUTE_NS) // DAY_NS * DAY_NS + minute * MINUTE_NS


def is_due(minute: int, last_ns: int, now_ns: int) -> bool:
    """Whether the time has come since the last one; a clock that was ahead holds up none for more
    than a day."""
    return min(last_ns, now_ns) < latest_slot(minute, now_ns) or last_ns - now_ns > DAY_NS
