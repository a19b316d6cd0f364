"""Content of messages: flat mappings for JSON, each with a line of plain text. Pure functions.

event         fault, alarm, daily or test
change        of a fault: opened, worsened, explained, quiet, repaired, returned or closed; of an
              alarm: raised, cleared or acknowledged; the last one if there are several
message_id    the same whenever the message is sent again
station, utc  the sending station, and the time of writing
text          the message in one line
advice        next checks

Of a fault:
change_utc    the time of the change
id ... journal_id    the fault as exported, in its latest state
others        in a message of several faults, the text of each of the others

Of an alarm:
id ... fault_id    the alarm as exported, as of that change
raise_count, clear_count    how often alarms of that kind were raised and cleared
open_alarms   the kinds of open alarms

Of all, last:
station_id    what tells stations of one name apart; absent while the store cannot be read
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec.structs import asdict, replace

from logger.live.status import Status
from logger.notify.channel import Message
from logger.rows import Alarm, AlarmEvent, ChangeKind, Fault, FaultEvent, FaultState, Severity
from logger.utc import format_ns, format_optional
from logger.wording import count


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


def fault(station: str, event: FaultEvent, utc_ns: int, advice: Sequence[str] = ()) -> Message:
    """Return the message of a fault's change."""
    change, state, change_utc = event
    return {
        "event": "fault",
        "change": change,
        "message_id": f"{station}/fault/{state.opened_utc}/{change}/{change_utc}",
        "station": station,
        "utc": format_ns(utc_ns),
        "text": f"{station}: {_fault_words(state, change)} {_minute(change_utc)}: {state.summary}",
        "change_utc": change_utc,
        **asdict(state),
        "others": [],
        "advice": list(advice),
    }


def combine(messages: Sequence[Message]) -> Message:
    """Return one message for several faults: that of the gravest, with the texts of the others."""
    first, *others = sorted(messages, key=lambda message: message["severity"] != Severity.CRITICAL)
    station = first["station"]
    texts = [message["text"].removeprefix(f"{station}: ") for message in (first, *others)]
    return {
        **first,
        "message_id": f"{first['message_id']}+{len(others)}",
        "text": f"{station}: {count(len(messages), 'fault')}: {'; '.join(texts)}",
        "others": texts[1:],
    }


def daily(
    station: str,
    utc_ns: int,
    status: Status | None,
    open_alarms: Iterable[str],
    waiting: int,
    faults: Sequence[Fault] | None = None,
    advice: Sequence[str] = (),
    due: Sequence[str] = (),
) -> Message:
    """Return the daily message, with the `status` of the daemon.

    `faults` are those that are not closed, None for a notifier of alarms; `advice` concerns them.
    `due` is what is due at the station.
    """
    standing = sorted(open_alarms)
    last_utc = None if status is None else format_optional(status.last_pair_ns)
    pairs = f"last pair {last_utc}" if last_utc else "no pairs so far"
    if faults is None:
        alarms = f"open alarms: {', '.join(standing)}" if standing else "no open alarms"
        state = f"{alarms}, {pairs}"
    else:
        state = f"{pairs}; {_faults_words(faults)}"
        if waiting:
            state += f"; {count(waiting, 'message')} not yet delivered"
    state = "; ".join([state, *due])
    message = {
        **_message("daily", station, utc_ns, f"watching; {state}"),
        "running_s": None if status is None else status.running_s,
        "last_pair_utc": last_utc,
        "store_error": None if status is None else status.store_error,
        "waiting": waiting,
        "open_alarms": standing,
        "due": list(due),
    }
    if faults is None:
        return message
    return message | {"open_faults": [fault.id for fault in faults], "advice": list(advice)}


def test(station: str, utc_ns: int) -> Message:
    """Return the message of `notify test`."""
    return _message(
        "test", station, utc_ns, "test message; faults and alarms will be reported this way"
    )


def identify(message: Message, station_id: str) -> Message:
    """Return a message with the id of its station, if it is known."""
    return {**message, "station_id": station_id} if station_id else message


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


def describe_fault(fault: Fault) -> str:
    """Return a fault in a sentence."""
    acknowledged = "" if fault.acknowledged_utc is None else ", acknowledged"
    return f"{_fault_words(fault, fault.state)}{acknowledged}: {fault.summary}"


def _fault_words(fault: Fault, condition: str) -> str:
    number = "fault" if fault.id is None else f"fault {fault.id}"
    critical = " (critical)" if fault.severity == Severity.CRITICAL else ""
    return f"{number}{critical} {condition}"


def _faults_words(faults: Sequence[Fault]) -> str:
    number = sum(fault.state == FaultState.OPEN for fault in faults)
    headline = count(number, "open fault") if number else "no open faults"
    return "; ".join([headline, *map(describe_fault, faults)])


def _minute(utc: str) -> str:
    return f"{utc[:16].replace('T', ' ')} UTC"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")
