"""Conversion of UTC times to text and back, in integers only, so that no digit is lost."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from logger.errors import UsageError

EPOCH = datetime(1970, 1, 1)
EPOCH_UTC = EPOCH.replace(tzinfo=UTC)
UNIT_NS = {
    unit: seconds * 1_000_000_000
    for unit, seconds in {"s": 1, "m": 60, "h": 3600, "d": 86400, "w": 604800}.items()
}
DAY_NS = UNIT_NS["d"]
INT64 = 1 << 63  # limit of SQLite and of the clock


def format_ns(time_ns: int) -> str:
    """Format nanoseconds since the epoch as ISO 8601 with `Z` and microseconds."""
    time = EPOCH + timedelta(microseconds=time_ns // 1000)
    return time.isoformat(timespec="microseconds") + "Z"


def parse_duration(text: str) -> int:
    """Return the nanoseconds of `30m`, `2h`, `7d`, also `s` and `w`. Raise UsageError."""
    found = re.fullmatch(r"(\d{1,9})([smhdw])", text.strip())
    if not found:
        raise UsageError(f"{text!r} is not a duration; write 30m, 2h or 7d")
    return int(found[1]) * UNIT_NS[found[2]]


def parse_time(text: str, now_ns: int) -> int:
    """Return the nanoseconds since the epoch of a time given by the user. Raise UsageError.

    `text` is an ISO 8601 date or date and time (UTC unless it carries an offset), or an age: `30m`,
    `2h`, `7d`, also `s` and `w`.
    """
    ago = re.fullmatch(r"(\d{1,9})([smhdw])", text.strip())
    if ago:
        return max(-INT64, now_ns - int(ago[1]) * UNIT_NS[ago[2]])
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a time; write 2025-06-01, 2025-06-01T12:30:00Z, or an age: 2h, 7d"
        ) from error
    since = (time if time.tzinfo else time.replace(tzinfo=UTC)) - EPOCH_UTC
    return min(max(since // timedelta(microseconds=1) * 1000, -INT64), INT64 - 1)
