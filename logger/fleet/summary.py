"""What one station contributes to the report on all, made by a worker from what the station pushed.

Its rows, without pairs, seconds and old health, become a store in a temporary file, so that the
functions of a single station's report apply to them.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, NamedTuple

import msgspec
import numpy as np

from logger.calibration.file import parse
from logger.config.load import FeedlineOptions, StationOptions, WatchdogOptions
from logger.errors import CalibrationError
from logger.fleet import rows
from logger.fleet.learning.facts import Series, StationFacts
from logger.fleet.remote import Remote, open_here
from logger.fleet.restore import last_calibration, load, read_station
from logger.fleet.station import Station
from logger.report.changes import ChannelLine
from logger.rows import AlarmKind, Fault
from logger.store.activity import read_excursions
from logger.store.days import DailyValues
from logger.store.faults import Faults
from logger.store.pushed import station_folder
from logger.store.reader import Store
from logger.store.verifications import Verifications
from logger.trend.account import Account, ChannelAccount, channel_name, date
from logger.trend.forecast import forecast, reaching
from logger.trend.gather import History, account, read_history
from logger.trend.priors import class_of
from logger.utc import DAY_NS, FOREVER, format_optional
from logger.verification.schedule import CalibrationDue, Schedule

NOT_READ = ("pairs", "seconds", "health", "memories", "captures", "runs", "sessions")
HEALTH_DAYS = 7  # that are judged, up to the last row
HEALTH = ("time_ns", "pairs", "clock_synchronised", "clock_step_ms", "forwarder_backlog")
SOON_DAYS = 90  # in which a limit may be reached


class ChannelSummary(ChannelLine, frozen=True, kw_only=True):
    """Trend of a channel; the slope's error (SWR per year) and degrees of freedom, None without.

    `reaching` is the probability of reaching the station's limit within 90 days, `likely` the day.
    """

    level: float
    verdict: str
    last: str
    slope_per_year: float | None = None
    slope_error: float | None = None
    slope_freedom: float | None = None
    p_value: float | None = None
    reaching: float | None = None
    likely: str | None = None


class FaultSummary(msgspec.Struct, frozen=True, kw_only=True):
    """See `logger.rows.Fault`."""

    id: int
    state: str
    severity: str
    opened_utc: str
    summary: str


class StationSummary(msgspec.Struct, frozen=True, kw_only=True):
    """One station as of its last push; with an `error` the rest is unknown.

    last_pairs_utc    time of the last pairs
    unsynchronised    share of its last week in which the host's clock was not synchronised
    clock_step_s      largest step of the host's clock in that week
    forwarder_backlog rows that waited for servers
    facts             what it contributes to what is learned from all
    """

    station_id: str
    name: str = ""
    error: str | None = None
    pushed_utc: str | None = None
    last_transmission_utc: str | None = None
    last_pairs_utc: str | None = None
    transmissions: int = 0
    limit: float | None = None
    faults: tuple[FaultSummary, ...] = ()
    channels: tuple[ChannelSummary, ...] = ()
    verification_due_utc: str | None = None
    unsynchronised: float | None = None
    clock_step_s: float | None = None
    forwarder_backlog: int | None = None
    facts: StationFacts | None = None


class _Health(NamedTuple):
    """What the last rows of `health` tell."""

    last_pairs_ns: int | None = None
    unsynchronised: float | None = None
    clock_step_s: float | None = None
    backlog: int | None = None


class StationTask(NamedTuple):
    """A station of the archive at an address, to be summarized."""

    archive: str
    station_id: str
    now_ns: int


def begin(submit: Callable[..., Any], task: StationTask) -> Any:
    """Submit the task of a station; return the future of its summary."""
    return submit(_run, task)


def _run(task: StationTask) -> StationSummary:
    return summarize(open_here(task.archive), task.station_id, task.now_ns)


def summarize(remote: Remote, station_id: str, now_ns: int) -> StationSummary:
    """Return the summary of a station. Raise RemoteError, StoreError."""
    station = read_station(remote, station_id)
    health = _read_health(remote, station)
    names = [name for name in station.objects if name.split("/")[0] not in NOT_READ]
    with load(remote, station, names) as store:
        DailyValues(store.database).update()
        return _summary(store, station, health, now_ns)


def _summary(store: Store, station: Station, health: _Health, now_ns: int) -> StationSummary:
    sections = station.settings.sections
    watchdog = msgspec.convert(sections.get("watchdog", {}), WatchdogOptions)
    history = read_history(store, now_ns, (FOREVER[0], now_ns))
    own = account(history, station.name, watchdog.high_swr.limit)
    count, last_ns = store.database.query_row(
        "SELECT count(*), max(end_ns) FROM transmissions WHERE start_ns <= ?", (now_ns,)
    )
    known_ns = [time_ns for time_ns in (last_ns, health.last_pairs_ns) if time_ns is not None]
    return StationSummary(
        station_id=station.id,
        name=station.name,
        pushed_utc=format_optional(station.pushed_ns),
        last_transmission_utc=format_optional(last_ns),
        last_pairs_utc=format_optional(max(known_ns, default=None)),
        transmissions=count,
        limit=own.limit,
        faults=tuple(map(_fault, Faults(store.database).active())),
        channels=tuple(_channel(channel, own) for channel in own.channels),
        verification_due_utc=format_optional(_due_ns(store, station)),
        unsynchronised=health.unsynchronised,
        clock_step_s=health.clock_step_s,
        forwarder_backlog=health.backlog,
        facts=_facts(store, station, history, now_ns),
    )


def _facts(store: Store, station: Station, history: History, now_ns: int) -> StationFacts:
    options = msgspec.convert(station.settings.sections.get("station", {}), StationOptions)
    line = msgspec.convert(station.settings.sections.get("feedline", {}), FeedlineOptions)
    cable, age = class_of(line, now_ns)
    place = None
    if options.latitude is not None and options.longitude is not None:
        place = options.latitude, options.longitude
    excursions, keyed_hours = read_excursions(store.database, now_ns)
    return StationFacts(
        place=place,
        cable=cable,
        age=age,
        excursions=excursions,
        keyed_hours=keyed_hours,
        series=tuple(
            Series(
                channel_name(days.channel, days.frequency_khz, days.antenna),
                tuple(days.day.tolist()),
                tuple(days.swr.tolist()),
                int(days.transmissions.sum()),
            )
            for days in history.days
        ),
        shifts_ns=tuple(
            alarm.raised_ns for alarm in history.alarms if alarm.kind == AlarmKind.BASELINE_SHIFT
        ),
    )


def _fault(fault: Fault) -> FaultSummary:
    assert fault.id is not None
    return FaultSummary(
        id=fault.id,
        state=fault.state,
        severity=fault.severity,
        opened_utc=fault.opened_utc,
        summary=fault.summary,
    )


def _channel(channel: ChannelAccount, own: Account) -> ChannelSummary:
    trend = channel.trend
    slope, outlook = trend.slope, forecast(trend, own.limit)
    soon, likely = None, outlook.likely
    ahead = own.today + SOON_DAYS - trend.last
    if trend.level >= own.limit:
        soon, likely = 1.0, trend.last
    elif outlook.reason is None and ahead > 0:
        soon = float(reaching(trend, own.limit, np.arange(ahead + 1))[-1])
    return ChannelSummary(
        channel=trend.channel,
        frequency_khz=trend.frequency_khz,
        antenna=trend.antenna,
        level=trend.level,
        verdict=trend.verdict,
        last=date(trend.last),
        slope_per_year=None if slope is None else slope.per_year,
        slope_error=None if slope is None else slope.error,
        slope_freedom=None if slope is None else slope.freedom,
        p_value=None if slope is None else slope.p_value,
        reaching=soon,
        likely=None if likely is None else date(likely),
    )


def _due_ns(store: Store, station: Station) -> int | None:
    """Return when the coupler is to be verified, by the calibration of the last transmission."""
    every_days = station.settings.verify_every_days
    if every_days is None:
        return None
    text, made = last_calibration(store.database), None
    with contextlib.suppress(CalibrationError):
        made = None if text is None else parse(text, "calibration").date
    last_ns = Verifications(store.database).last_ns()
    return Schedule.of(CalibrationDue(made, every_days), last_ns).due_ns


def _read_health(remote: Remote, station: Station) -> _Health:
    """Return what the last days' rows tell; nothing if there are no rows."""
    folder = station_folder(station.id)
    names = sorted(name for name in station.objects if name.startswith("health/"))[-2:]
    parts = [
        rows.read_columns(content, name, HEALTH)
        for name, content in remote.read(f"{folder}/{name}" for name in names)
    ]
    if not sum(len(part[0]) for part in parts):
        return _Health()
    times, pairs, synchronised, step_ms, backlog = (
        np.concatenate(columns) for columns in zip(*parts, strict=True)
    )
    recent = times > times[-1] - HEALTH_DAYS * DAY_NS
    known = synchronised[recent & np.isfinite(synchronised)]
    steps_ms = np.abs(step_ms[recent & np.isfinite(step_ms)])
    return _Health(
        int(times[pairs > 0][-1]) if (pairs > 0).any() else None,
        float(1 - known.mean()) if len(known) else None,
        float(steps_ms.max() / 1e3) if len(steps_ms) else None,
        int(backlog[-1]) if np.isfinite(backlog[-1]) else None,
    )
