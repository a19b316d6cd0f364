"""Times for a reader, in the reader's time zone.

What people read is written in UTC and rewritten last, so that all that is stored, exported, logged
or compared stays in UTC.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from logger.utc import EPOCH_UTC

HOST_ZONE = Path("/etc/localtime")
# A date and a time, apart by T or blanks, marked as UTC; a date alone is a UTC day and remains.
_MARKED = re.compile(
    r"\b(\d{4}-\d\d-\d\d)(T|\s+)(\d\d:\d\d)(:\d\d)?(\.\d{1,6})?(Z|\s+UTC)(?![A-Za-z0-9])"
)


def host_zone(environ: Mapping[str, str]) -> tzinfo:
    """Return the zone of $TZ if that names one, else of this host, else UTC."""
    from zoneinfo import ZoneInfo  # many read UTC

    with suppress(OSError, ValueError, KeyError):  # KeyError: no such zone
        return ZoneInfo(environ["TZ"].lstrip(":")) if environ.get("TZ") else _host_zone()
    return UTC


def reader_zone(local: bool | None, time_zone: str | None, environ: Mapping[str, str]) -> tzinfo:
    """Return the zone for the options `--local` (True), `--utc` (False) or none (None).

    `time_zone` is the checked one of the configuration.
    """
    if local is False or (local is None and time_zone is None):
        return UTC
    if time_zone is None:
        return host_zone(environ)
    from zoneinfo import ZoneInfo

    return ZoneInfo(time_zone)


def at(time_ns: int, zone: tzinfo) -> datetime:
    """Return a time in a zone, to the microsecond."""
    return (EPOCH_UTC + timedelta(microseconds=time_ns // 1000)).astimezone(zone)


def in_zone(text: str, zone: tzinfo) -> str:
    """Return the text with each date and time marked as UTC in the zone, and marked with it."""
    return text if zone is UTC else _MARKED.sub(lambda match: _convert(match, zone), text)


def _convert(match: re.Match[str], zone: tzinfo) -> str:
    date, gap, minute, second, fraction, mark = match.groups()
    try:
        moment = datetime.fromisoformat(f"{date}T{minute}{second or ''}+00:00").astimezone(zone)
    except (ValueError, OverflowError):  # no such time
        return match[0]
    gap, mark = (" " if part in "TZ" else part.removesuffix("UTC") for part in (gap, mark))
    clock = f"{moment:%H:%M:%S}" if second else f"{moment:%H:%M}"
    return f"{moment:%Y-%m-%d}{gap}{clock}{fraction or ''}{mark}{moment:%Z}"


def _host_zone() -> tzinfo:
    from zoneinfo import ZoneInfo

    with HOST_ZONE.open("rb") as file:
        return ZoneInfo.from_file(file)
