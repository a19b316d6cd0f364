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
FOREVER = (-INT64, INT64 - 1)


def format_ns(time_ns: int) -> str:
    """Format nanoseconds since the epoch as ISO 8601 with `Z` and microseconds."""
    time = EPOCH + timedelta(microseconds=time_ns // 1000)
    return time.isoformat(timespec="microseconds") + "Z"


def format_optional(time_ns: int | None) -> str | None:
    """Return the text of a time, None if there is none."""
    return None if time_ns is None else format_ns(time_ns)


def parse_duration(text: str) -> int:
    """Return the nanoseconds of `30m`, `2h`, `7d`, also `s` and `w`. Raise UsageError."""
    duration_ns = _duration_ns(text)
    if duration_ns is None:
        raise UsageError(f"{text!r} is not a duration; write 30m, 2h or 7d")
    return duration_ns


def parse_time(text: str, now_ns: int) -> int:
    """Return the nanoseconds since the epoch of a time given by the user. Raise UsageError.

    `text` is an ISO 8601 date or date and time (UTC unless it carries an offset), or an age: `30m`,
    `2h`, `7d`, also `s` and `w`.
    """
    age_ns = _duration_ns(text)
    if age_ns is not None:
        return max(-INT64, now_ns - age_ns)
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a time; write 2025-06-01, 2025-06-01T12:30:00Z, or an age: 2h, 7d"
        ) from error
    since = (time if time.tzinfo else time.replace(tzinfo=UTC)) - EPOCH_UTC
    return min(max(since // timedelta(microseconds=1) * 1000, -INT64), INT64 - 1)


def _duration_ns(text: str) -> int | None:
    match = re.fullmatch(r"(\d{1,9})([smhdw])", text.strip())
    return None if match is None else int(match[1]) * UNIT_NS[match[2]]


def to_second(utc: object) -> str:
    """Return an exported time to the second."""
    return f"{str(utc)[:19]}Z"
