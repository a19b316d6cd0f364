"""Schedule of the daily message. Pure: nanoseconds since the epoch, UTC."""

from __future__ import annotations

from logger.utc import DAY_NS

MINUTE_NS = 60_000_000_000


def latest_slot(minute: int, now_ns: int) -> int:
    """Return the last time at or before now that was at this minute of a day."""
    return (now_ns - minute * MINUTE_NS) // DAY_NS * DAY_NS + minute * MINUTE_NS


def is_due(minute: int, last_ns: int, now_ns: int) -> bool:
    """True if a message is due; a clock that was ahead delays it by at most a day."""
    return min(last_ns, now_ns) < latest_slot(minute, now_ns) or last_ns - now_ns > DAY_NS
