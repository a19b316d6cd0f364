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

from collections.abc import Iterable, Sequence

from msgspec.structs import asdict, replace

from logger.live.status import Status
from logger.notify.channel import Message
from logger.rows import Alarm, AlarmEvent, ChangeKind
from logger.utc import format_ns, format_optional


def alarm(
    station: str,
    event: AlarmEvent,
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
    change, kind = event.change, event.alarm.kind
    since = event.alarm.raised_utc or event.utc
    counts = f"/{raises}+{clears}" if raises + clears > 1 else ""
    return {
        "event": "alarm",
        "change": change,
        "message_id": f"{station}/{kind}/{since}/{change}{counts}",
        "station": station,
        "utc": format_ns(utc_ns),
        "text": _alarm_words(station, event, raises, clears),
        **asdict(_without_later(event)),
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
        **_message("daily", station, utc_ns, f"watching; {alarms}, {pairs}"),
        "running_s": None if status is None else status.running_s,
        "last_pair_utc": last_utc,
        "store_error": None if status is None else status.store_error,
        "waiting": waiting,
        "open_alarms": standing,
    }


def test(station: str, utc_ns: int) -> Message:
    """Return the message of `notify test`."""
    return _message("test", station, utc_ns, "test message; alarms arrive this way")


def _message(event: str, station: str, utc_ns: int, text: str) -> Message:
    utc = format_ns(utc_ns)
    return {
        "event": event,
        "message_id": f"{station}/{event}/{utc}",
        "station": station,
        "utc": utc,
        "text": f"{station}: {text}",
    }


def _without_later(event: AlarmEvent) -> Alarm:
    """Return the alarm without later changes, which belong to other messages."""
    change, alarm = event
    if change != ChangeKind.CLEARED:
        alarm = replace(alarm, cleared_utc=None)
    if change == ChangeKind.RAISED and (alarm.acknowledged_utc or "") > (alarm.raised_utc or ""):
        alarm = replace(alarm, acknowledged_utc=None)
    return alarm


def _alarm_words(station: str, event: AlarmEvent, raises: int, clears: int) -> str:
    change, alarm = event
    when = (event.utc or "")[:19].replace("T", " ")
    if raises + clears > 1:
        return (
            f"{station}: {alarm.kind} raised {_times(raises)} and cleared {_times(clears)} since"
            f" the last message; last {change} {when} UTC: {alarm.detail}"
        )
    return f"{station}: {alarm.kind} {change} {when} UTC: {alarm.detail}"


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")
