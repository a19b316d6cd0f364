"""Reads a station's history from its store and fits the trends, for report and charts."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from msgspec.structs import replace

from drivers.channels import CHANNEL_MHZ
from logger.calibration.file import CalibrationFile, parse
from logger.daily import Days, Weather, WorkEvent
from logger.errors import CalibrationError
from logger.rows import Alarm
from logger.store.days import DailyValues
from logger.store.journal import ANTENNA, WORK
from logger.store.reader import Store
from logger.store.tables import ALARMS, JOURNAL
from logger.store.verifications import Verifications
from logger.store.weather import WeatherRows
from logger.trend.account import Account, ChannelAccount, JournalEntry
from logger.trend.instrument import Instrument, Wander, separate, wanders
from logger.trend.model import trend
from logger.trend.outcome import StationState
from logger.trend.priors import LinePriors
from logger.trend.readings import (
    Place,
    PlaceReadings,
    learn_all,
    place_of,
    read_readings,
    thermal_part,
    without_temperature,
)
from logger.trend.season_by_power import PowerSeason, season_by_power
from logger.trend.station_state import station_state
from logger.trend.temperature import Coefficient, ThermalPart
from logger.utc import format_ns
from logger.verification.schedule import date_ns

Progress = Callable[[str], None]


@dataclass(frozen=True)
class History:
    """Stored input of the trends, as known at `now_ns`: daily values of all channels and events."""

    now_ns: int
    days: tuple[Days, ...]
    weather: Weather | None
    entries: tuple[JournalEntry, ...]
    alarms: tuple[Alarm, ...]
    wanders: Mapping[str, Wander] = field(default_factory=dict)
    detector_seasons: Mapping[Place, PowerSeason] = field(default_factory=dict)
    thermal: Mapping[Place, ThermalPart] = field(default_factory=dict)
    coefficients: Mapping[str, Coefficient] = field(default_factory=dict)

    @property
    def work(self) -> list[WorkEvent]:
        """Repairs and adjustments."""
        return [WorkEvent(e.day, e.kind, e.text) for e in self.entries if e.kind in WORK]


def read_history(
    store: Store, now_ns: int, span_ns: tuple[int, int], progress: Progress = lambda _: None
) -> History:
    """Return the history of `span_ns`, end exclusive. Raise StoreError."""
    with DailyValues.editor(store.path) as values:
        days = values.days(*span_ns, lambda done, of: progress(f"day {done} of {of}"))
    contents = _calibrations(store)
    readings = read_readings(store, span_ns)
    coefficients = learn_all(readings, contents)
    parts = {place: thermal_part(own, contents, coefficients) for place, own in readings.items()}
    return History(
        now_ns,
        tuple(days),
        WeatherRows(store.database).daily(*span_ns),
        tuple(
            JournalEntry(record.time_ns, record.columns["kind"], record.columns["text"])
            for record in store.records(JOURNAL, *span_ns)
            if record.columns["kind"] != ANTENNA  # too many to be shown
        ),
        tuple(
            _as_of(now_ns, Alarm(**record.columns)) for record in store.records(ALARMS, *span_ns)
        ),
        wanders(Verifications(store.database).all(now_ns), _calibration_dates(store)),
        _detector_seasons(
            {
                place: without_temperature(own, contents, coefficients)
                for place, own in readings.items()
            }
        ),
        {place: part for place, part in parts.items() if part is not None},
        coefficients,
    )


def _detector_seasons(readings: Mapping[Place, PlaceReadings]) -> dict[Place, PowerSeason]:
    """Return the season of the detectors where one is found, by place."""
    seasons = {}
    for place, own in readings.items():
        if place[1] is not None:
            season = season_by_power(own.time_ns, own.forward_w, own.swr)
            if season is not None:
                seasons[place] = season
    return seasons


def _calibrations(store: Store) -> dict[str, CalibrationFile]:
    """Return the calibrations in use whose content is known, by id."""
    contents = {}
    for name, text in store.calibrations().items():
        with contextlib.suppress(CalibrationError):
            if text is not None:
                contents[name] = parse(text, f"calibration {name}")
    return contents


def _calibration_dates(store: Store) -> dict[str, int | None]:
    """Return the dates of the calibrations in use, UTC ns; None if unknown."""
    return {
        name: None if text is None else date_ns(_date(name, text))
        for name, text in store.calibrations().items()
    }


def _date(name: str, text: str) -> str:
    try:
        return parse(text, f"calibration {name}").date
    except CalibrationError:
        return ""


def account(
    history: History,
    station: str,
    limit: float,
    *,
    channels: Sequence[int] = (),
    antenna: str | None = None,
    most: int | None = None,
    joint: bool = False,
    plan: Mapping[int, float] = CHANNEL_MHZ,
    priors: LinePriors | None = None,
    progress: Progress = lambda _: None,
) -> Account:
    """Return the account of a history, with the trends of the most used channels.

    limit     SWR
    channels  those wanted; all if empty
    antenna   that wanted; all if None
    most      number of channels at most
    joint     also estimate the state of antenna and line
    plan      frequencies of the channels, MHz
    priors    of the slopes, from other stations
    """
    used = [
        days
        for days in history.days
        if (not channels or days.channel in channels) and antenna in (None, days.antenna)
    ]
    used.sort(key=lambda days: (-int(days.transmissions.sum()), days.channel or 0))
    trends: list[ChannelAccount] = []
    for days in used[:most]:
        events = history.work + _recalibrations(days)
        sound, instrument = _separate(days, history)
        slope_u = instrument.slope_u if instrument.checks else instrument.thermal_slope_u
        prior = None if priors is None else priors.ageing(days.antenna)
        of_days = trend(sound, events, history.weather, slope_u, instrument.thermal_swr, prior)
        season = history.detector_seasons.get(place_of(days))
        if season is not None:
            of_days = dataclasses.replace(of_days, reasons=(*of_days.reasons, season.describe()))
        trends.append(ChannelAccount(sound, of_days, instrument))
        progress(trends[-1].name)
    state = None
    if joint:
        progress("antenna and line")
        parts = [_separate(days, history) for days in history.days]
        balance_u_db = max((part.balance_slope_u_db for _, part in parts), default=0.0)
        state = _state([days for days, _ in parts], history.work, balance_u_db, plan)
    return Account(
        station,
        limit,
        history.now_ns,
        tuple(trends),
        history.entries,
        history.alarms,
        history.weather,
        state,
    )


def _separate(days: Days, history: History) -> tuple[Days, Instrument]:
    """Return daily values without the coupler's part, and what remains of it."""
    names = [days.calibration_ids[number] for number in days.calibration[::-1].tolist()]
    coefficient = next((c for name in names if (c := history.coefficients.get(name))), None)
    return separate(days, history.wanders, history.thermal.get(place_of(days)), coefficient)


def _state(
    all_days: Sequence[Days],
    work: Sequence[WorkEvent],
    balance_u_db: float,
    plan: Mapping[int, float],
) -> StationState | None:
    """Return the state of the most used antenna of which it can be determined, and its line."""
    by_antenna: dict[str | None, list[Days]] = {}
    for days in all_days:
        by_antenna.setdefault(days.antenna, []).append(days)
    order = sorted(
        by_antenna.items(), key=lambda item: -sum(int(d.transmissions.sum()) for d in item[1])
    )
    states = ((antenna, station_state(own, work, balance_u_db, plan)) for antenna, own in order)
    return next((replace(s, antenna=antenna) for antenna, s in states if s is not None), None)


def _recalibrations(days: Days) -> list[WorkEvent]:
    """Return the days on which the channel's calibration changed."""
    rows = np.flatnonzero(np.diff(days.calibration)) + 1
    return [WorkEvent(int(days.day[row]), "calibration", "another calibration") for row in rows]


def _as_of(now_ns: int, alarm: Alarm) -> Alarm:
    """Return the alarm as it was at `now_ns`."""
    now_utc = format_ns(now_ns)
    later = {
        name: None
        for name in ("cleared_utc", "acknowledged_utc")
        if (getattr(alarm, name) or "") > now_utc
    }
    return replace(alarm, **later)
