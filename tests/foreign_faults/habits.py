"""Weather by the hour, and when people transmit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.foreign_faults.draws import (
    DAY_S,
    YEAR_DAYS,
    Floats,
    Integers,
    Random,
    draw_ar1,
    log_uniform,
)
from tests.foreign_faults.station import Station

SETTLE_S = 0.05  # after key-down
QUARTER_S = 0.25
MEAN_TO_NOMINAL = {"fm": 1.0, "am": 1.2, "ssb": 0.25}  # nominal: carrier, for SSB peak envelope


@dataclass(frozen=True)
class Weather:
    """Weather by the hour, (hours,) each; `wetness` of insulators from 0 to 1."""

    temperature_c: Floats
    rain_mm: Floats
    wind_m_s: Floats
    gust_m_s: Floats
    wetness: Floats

    def interpolate(self, column: Floats, time_s: Floats) -> Floats:
        """Return a column at times since the start."""
        return np.interp(time_s / 3600, np.arange(len(column)), column)


def draw_weather(rng: Random, days: int, first_day: int) -> Weather:
    """Draw hourly weather from day `first_day` of a year on."""
    hours = days * 24 + 48
    day = np.arange(hours) / 24
    summer = np.cos(2 * np.pi * (day + first_day - 200) / YEAR_DAYS)
    front = draw_ar1(rng, hours, np.exp(-1 / 60))
    calm = draw_ar1(rng, hours, np.exp(-1 / 14))
    temperature = 9 + 8 * summer + 3.5 * np.cos(2 * np.pi * (day - 0.62)) + 3 * front
    wind = np.exp(np.log(3.2) - 0.15 * summer + 0.55 * calm)
    gust = wind * (1.35 + 0.2 * np.abs(rng.standard_normal(hours)))
    # Showers: rain falls while a second front, loosely tied to the wind, is high.
    cloud = 0.5 * calm + 0.87 * draw_ar1(rng, hours, np.exp(-1 / 9))
    rain = np.where(cloud > 1.2, rng.gamma(0.8, 1.5, hours), 0.0)
    soaked = lfilter([1.0], [1, -np.exp(-1 / rng.uniform(6, 20))], 0.5 * rain)
    return Weather(temperature, rain, wind, gust, np.minimum(soaked, 1.0))


@dataclass(frozen=True)
class Gap:
    """No pairs arrive, in seconds since the start. reason: "unplugged" or "reset"."""

    begin_s: float
    end_s: float
    reason: str


@dataclass(frozen=True)
class Traffic:
    """Key-downs in time order, (n,) each; they begin on whole quarter-seconds, powers nominal."""

    start_s: Floats
    duration_s: Floats
    channel: Integers
    mode: NDArray[np.str_]
    power_w: Floats
    is_cut: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.start_s)

    def take(self, index: NDArray[Any]) -> Traffic:
        """Return some of the key-downs."""
        return Traffic(**{name: column[index] for name, column in vars(self).items()})

    def mean_w(self) -> Floats:
        """Mean watts (n,)."""
        ratio: Floats = np.array([MEAN_TO_NOMINAL[mode] for mode in self.mode])
        return self.power_w * ratio

    def silence(self, gaps: Sequence[Gap]) -> Traffic:
        """Return what a bridge with these gaps sees: key-downs shortened or missing."""
        duration, is_cut = self.duration_s.copy(), self.is_cut.copy()
        is_seen = np.ones(len(self), dtype=np.bool_)
        for gap in gaps:
            is_hit = (self.start_s < gap.end_s) & (self.start_s + self.duration_s > gap.begin_s)
            left = gap.begin_s - self.start_s
            is_seen &= ~is_hit | (left >= 1)
            is_short = is_hit & (left >= 1)
            duration[is_short] = left[is_short]
            is_cut |= is_short
        return replace(self, duration_s=duration, is_cut=is_cut).take(is_seen)


def draw_traffic(
    rng: Random, station: Station, days: int, liveliness: float = 1.0, power_changes: float = 0.0
) -> Traffic:
    """Draw people's habits: evenings, weekends, days and weeks without, 5 to 80 overs a day.

    In a conversation in 16 the power is 6 dB lower; `power_changes` a year last 3 to 25 days.
    """
    usual = liveliness * log_uniform(rng, 10, 30)
    chance = rng.uniform(0.5, 0.9)
    is_away = np.zeros(days + 1, dtype=np.bool_)
    for begin in rng.uniform(0, days, rng.poisson(2.5 * days / YEAR_DAYS)).astype(int):
        is_away[begin : begin + int(rng.uniform(7, 21))] = True
    favour = np.cumsum(rng.dirichlet(np.full(len(station.channels), 1.5)))[:-1]
    share = np.cumsum(station.mode_shares)[:-1]
    other_w: dict[int, float] = {}  # weeks at another power
    for begin in rng.uniform(0, days, rng.poisson(power_changes * days / YEAR_DAYS)).astype(int):
        other_w |= dict.fromkeys(range(begin, begin + int(rng.uniform(3, 25))), 0.4)
    columns: list[tuple[Floats, Floats, Integers, NDArray[np.str_], Floats]] = []
    end = 0.0
    for day in range(days):
        is_weekend = day % 7 >= 5
        if is_away[day] or rng.random() > chance + 0.1 * is_weekend:
            continue
        total = int(np.clip(usual * np.exp(0.6 * rng.standard_normal()) * (1 + is_weekend), 5, 80))
        hours = [rng.normal(19.5, 1.2)]
        if rng.random() < (0.8 if is_weekend else 0.25):
            hours.append(rng.uniform(8.5, 16))
        for hour in sorted(hours):
            n = max(total // len(hours), 1)
            duration = np.round(np.clip(np.exp(rng.normal(np.log(12), 0.8, n)), 3, 90), 3)
            pause = np.clip(np.exp(rng.normal(np.log(18), 0.9, n)), 1.5, 600)
            begin_s = max(day * DAY_S + hour * 3600, end + 300)
            start = begin_s + np.concatenate([[0], np.cumsum(duration + pause)[:-1]])
            start = np.ceil(start / QUARTER_S) * QUARTER_S
            end = float(start[-1] + duration[-1])
            channel = np.full(n, station.channels[np.searchsorted(favour, rng.random())])
            moves = int(rng.integers(1, n + 1)) if rng.random() < 0.3 else n
            channel[moves:] = station.channels[np.searchsorted(favour, rng.random())]
            mode = ("fm", "am", "ssb")[np.searchsorted(share, rng.random(), side="right")]
            low = 0.25 if rng.random() < 0.06 else other_w.get(day, 1.0)
            power = np.full(n, station.powers_w[mode] * low)
            columns.append((start, duration, channel, np.full(n, mode), power))
    start, duration, channel, mode_of, power = (
        np.concatenate(parts) for parts in zip(*columns, strict=True)
    )
    return Traffic(start, duration, channel, mode_of, power, np.zeros(len(start), dtype=np.bool_))
