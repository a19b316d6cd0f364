"""The account of a station from its store."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from logger.diagnosis import Diagnosis, diagnosis_of
from logger.journal import WORK
from logger.store.database import Store
from logger.store.tables import ALARMS, JOURNAL, Record
from logger.trend.account import DAY_NS, Account, Alarm, ChannelAccount, Entry
from logger.trend.days import Days, Event
from logger.trend.outcome import Trend
from logger.utc import parse_time

MAD = 1.4826  # standard deviations of a normal one in a median absolute deviation

Progress = Callable[[str], None]
COLUMNS = ("start_ns", "channel", "frequency_khz", "swr", "forward_w_mean", "calibration_id")


def account(
    store: Store,
    station: str,
    limit: float,
    now_ns: int,
    span_ns: tuple[int, int],
    *,
    channels: Sequence[int] = (),
    most: int | None = None,
    progress: Progress = lambda _: None,
) -> Account:
    """What the store tells of the time in `span_ns`, the end left out. Raises StoreError.

    channels  those wanted, all without any; most  and no more than so many, the most used first
    """
    from logger.trend.model import trend

    used = [one for one in daily(store, *span_ns) if not channels or one.channel in channels]
    used.sort(key=lambda one: (-int(one.transmissions.sum()), one.channel or 0))
    entries = tuple(_entry(record) for record in store.records(JOURNAL, *span_ns))
    alarms = tuple(_alarm(record) for record in store.records(ALARMS, *span_ns))
    events = [Event(one.day, one.kind, one.text) for one in entries if one.kind in WORK]
    told: list[ChannelAccount] = []
    for one in used[:most]:
        its: Trend = trend(one, events)
        told.append(ChannelAccount(one, its))
        progress(told[-1].name)
    return Account(station, limit, now_ns, tuple(told), entries, alarms, None)


def daily(store: Store, since_ns: int, until_ns: int) -> list[Days]:
    """The days of each channel (or, where that is not known, frequency) that was used."""
    rows = store.latest("transmissions", COLUMNS, "start_ns", since_ns, until_ns, -1)
    groups: dict[tuple[int | None, float | None], list[tuple[int, float, float, str]]] = {}
    for start_ns, channel, frequency, swr, power_w, calibration in rows:
        if swr is not None and power_w is not None:
            key = (channel, None if channel is not None else frequency)
            groups.setdefault(key, []).append((start_ns // DAY_NS, swr, power_w, calibration))
    numbers = {name: n for n, name in enumerate(sorted({row[5] for row in rows}))}
    return [_days(key, sorted(some), numbers) for key, some in groups.items()]


def _days(
    key: tuple[int | None, float | None],
    rows: list[tuple[int, float, float, str]],
    numbers: Mapping[str, int],
) -> Days:
    day, swr, power_w = (np.array(column) for column in list(zip(*rows, strict=True))[:3])
    calibration = np.array([numbers[row[3]] for row in rows])
    days, begin, count = np.unique(day, return_index=True, return_counts=True)
    parts = [slice(first, first + n) for first, n in zip(begin, count, strict=True)]
    middle = np.array([np.median(swr[part]) for part in parts])
    spread = [np.median(abs(swr[p] - m)) for p, m in zip(parts, middle, strict=True)]
    return Days(
        *key,
        day=days,
        swr=middle,
        spread=MAD * np.array(spread),
        transmissions=count,
        power_w=np.array([power_w[part].mean() for part in parts]),
        calibration=np.array([calibration[part][-1] for part in parts]),
    )


def diagnosed(store: Store, told: Account) -> Diagnosis | None:
    """What may be behind the worst alarm that is open. Raises StoreError."""
    waiting = [one for one in told.alarms if one.cleared_ns is None]
    if not waiting:
        return None
    worst = min(waiting, key=lambda one: (one.severity != "critical", -one.raised_ns))
    (record,) = store.select(ALARMS, "r.id = ?", worst.id)
    return diagnosis_of(store, record.columns)


def _entry(record: Record) -> Entry:
    return Entry(record.time_ns, record.columns["kind"], record.columns["text"])


def _alarm(record: Record) -> Alarm:
    row = record.columns
    cleared = row["cleared_utc"]
    return Alarm(
        record.id,
        row["kind"],
        row["severity"],
        record.time_ns,
        None if cleared is None else parse_time(cleared, 0),
        row["acknowledged_utc"] is not None,
        record.channel,
        row["detail"],
    )
