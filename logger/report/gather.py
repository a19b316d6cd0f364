"""Gathers the account of a station from its store."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress

import msgspec
import numpy as np

from logger.daily import Days, WorkEvent
from logger.diagnosis import Diagnosis, diagnosis_of
from logger.store.days import DailyValues
from logger.store.journal import WORK
from logger.store.reader import Store
from logger.store.sessions import Sessions
from logger.store.tables import ALARMS, JOURNAL, Record
from logger.store.weather import WeatherRows
from logger.trend.account import Account, Alarm, ChannelAccount, JournalEntry
from logger.trend.outcome import Trend
from logger.tune.session import TuningState, found
from logger.utc import parse_time

Progress = Callable[[str], None]


def account(
    store: Store,
    station: str,
    limit: float,
    now_ns: int,
    span_ns: tuple[int, int],
    *,
    channels: Sequence[int] = (),
    most: int | None = None,
    explained: bool = False,
    progress: Progress = lambda _: None,
) -> Account:
    """Return the account of `span_ns`, its end excluded, as known at `now_ns`.

    channels   those wanted; all if empty
    most       number of channels at most, the most used first
    explained  also estimate the state of antenna and line

    Raises StoreError.
    """
    from logger.trend.model import trend

    with DailyValues.editor(store.path) as values:
        known = values.days(*span_ns, lambda done, of: progress(f"day {done} of {of}"))
    weather = WeatherRows(store.database).daily(*span_ns)
    used = [one for one in known if not channels or one.channel in channels]
    used.sort(key=lambda one: (-int(one.transmissions.sum()), one.channel or 0))
    entries = tuple(_entry(record) for record in store.records(JOURNAL, *span_ns))
    alarms = tuple(_alarm(record, now_ns) for record in store.records(ALARMS, *span_ns))
    events = [WorkEvent(one.day, one.kind, one.text) for one in entries if one.kind in WORK]
    told: list[ChannelAccount] = []
    for one in used[:most]:
        its: Trend = trend(one, events + _recalibrations(one), weather)
        told.append(ChannelAccount(one, its))
        progress(told[-1].name)
    state = None
    if explained:
        from logger.trend.station_state import station_state

        progress("antenna and line")
        state = station_state(known, events)
    return Account(station, limit, now_ns, tuple(told), entries, alarms, weather, state)


def last_tuning(store: Store, now_ns: int) -> tuple[int, TuningState] | None:
    """Return end (UTC ns) and state of the last `tune` session up to `now_ns`, or None."""
    for session in reversed(Sessions(store.database).sessions("tune")):
        with suppress(msgspec.MsgspecError):  # state of another program version
            state = found(session.content)
            if session.ended and state.read and session.changed_ns <= now_ns:
                return session.changed_ns, state
    return None


def _recalibrations(used: Days) -> list[WorkEvent]:
    """Return the days on which the channel's calibration changed."""
    places = np.flatnonzero(np.diff(used.calibration)) + 1
    return [WorkEvent(int(used.day[at]), "calibration", "another calibration") for at in places]


def diagnosed(store: Store, told: Account) -> Diagnosis | None:
    """Diagnose the worst open alarm, from data up to `now_ns` of the account. Raises StoreError."""
    waiting = [one for one in told.alarms if one.cleared_ns is None]
    if not waiting:
        return None
    worst = min(waiting, key=lambda one: (one.severity != "critical", -one.raised_ns))
    (record,) = store.select(ALARMS, "r.id = ?", worst.id)
    return diagnosis_of(store, record.columns, told.now_ns)


def _entry(record: Record) -> JournalEntry:
    return JournalEntry(record.time_ns, record.columns["kind"], record.columns["text"])


def _alarm(record: Record, now_ns: int) -> Alarm:
    """Return the alarm as it was at `now_ns`."""
    row = record.columns
    cleared_ns, acknowledged_ns = (
        None if row[name] is None else parse_time(row[name], 0)
        for name in ("cleared_utc", "acknowledged_utc")
    )
    return Alarm(
        record.id,
        row["kind"],
        row["severity"],
        record.time_ns,
        None if cleared_ns is None or cleared_ns > now_ns else cleared_ns,
        acknowledged_ns is not None and acknowledged_ns <= now_ns,
        record.channel,
        row["detail"],
    )
