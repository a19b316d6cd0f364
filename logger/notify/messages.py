"""Content of messages: flat mappings for JSON, each with a line of plain text. Pure functions.

event         alarm, daily or test
change        of an alarm: raised, cleared or acknowledged; of several changes the last
message_id    the same whenever the message is sent again
station, utc  the sending station, and the time of writing
text          the message in one line
id ... flags  the alarm as exported, as of that change
raise_count, clear_count    raisings and clearings of that kind covered by this message
open_alarms   the kinds of open alarms
advice        possible causes and checks
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from logger.live.status import Status
from logger.notify.channel import Message
from logger.utc import format_ns, format_optional

LATER = {"raised": ("cleared_utc", "acknowledged_utc"), "acknowledged": ("cleared_utc",)}


def alarm(
    station: str,
    change: str,
    columns: Mapping[str, Any],
    *,
    utc_ns: int,
    raises: int,
    clears: int,
    summary: bool,
    open_alarms: Iterable[str],
    advice: Sequence[str],
) -> Message:
    """Return the message of an alarm's change.

    A `summary` covers all changes of its kind since the last message.
    """
    row = dict(columns)
    for name in LATER.get(change, ()):  # later changes belong to other messages
        if name == "cleared_utc" or (row.get(name) or "") > (row.get("raised_utc") or ""):
            row[name] = None
    counted = f"/{raises}+{clears}" if raises + clears > 1 else ""
    return {
        "event": "alarm",
        "change": change,
        "message_id": f"{station}/{row['kind']}/{_when(row, change)}/{change}{counted}",
        "station": station,
        "utc": format_ns(utc_ns),
        "text": _alarm_words(station, change, row, raises, clears),
        **row,
        "summary": summary,
        "raise_count": raises,
        "clear_count": clears,
        "open_alarms": sorted(open_alarms),
        "advice": list(advice),
    }


def daily(
    station: str, utc_ns: int, status: Status | None, open_alarms: Iterable[str], waiting: int
) -> Message:
    """Return the daily message; `status` is the daemon's."""
    standing = sorted(open_alarms)
    last_utc = None if status is None else format_optional(status.last_pair_ns)
    alarms = f"open: {', '.join(standing)}" if standing else "no open alarm"
    pairs = f"last pair {last_utc}" if last_utc else "no pairs so far"
    return {
        "event": "daily",
        "message_id": f"{station}/daily/{format_ns(utc_ns)}",
        "station": station,
        "utc": format_ns(utc_ns),
        "text": f"{station}: watching; {alarms}, {pairs}",
        "running_s": None if status is None else status.running_s,
        "last_pair_utc": last_utc,
        "store_error": None if status is None else status.store_error,
        "waiting": waiting,
        "open_alarms": standing,
    }


def test(station: str, utc_ns: int) -> Message:
    """Return the message of `notify test`."""
    utc = format_ns(utc_ns)
    return {
        "event": "test",
        "message_id": f"{station}/test/{utc}",
        "station": station,
        "utc": utc,
        "text": f"{station}: test message; alarms arrive this way",
    }


def _when(row: Mapping[str, Any], change: str) -> str:
    return str(row.get("raised_utc") or row.get(f"{change}_utc"))


def _alarm_words(
    station: str, change: str, row: Mapping[str, Any], raises: int, clears: int
) -> str:
    when = str(row.get(f"{change}_utc") or "")[:19].replace("T", " ")
    if raises + clears > 1:
        return (
            f"{station}: {row['kind']} raised {_times(raises)} and cleared {_times(clears)} since"
            f" the last message; last {change} {when} UTC: {row['detail']}"
        )
    return f"{station}: {row['kind']} {change} {when} UTC: {row['detail']}"


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")
