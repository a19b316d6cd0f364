"""Columns of the regression: level, slope, season, weather, steps. Pure functions.

Time is in years from the middle of the data, so that level and slope are nearly independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.daily import FloatArray, IntArray, Weather

YEAR = 365.25
SEASON_SPAN = 365  # least days from first to last for a slope and a season
SECOND_SPAN = 730  # least days from first to last for the second harmonic
SEASON_DAYS = 90  # least number of days with readings for a season
SEASON_MONTHS = 9  # least number of twelfths of the year with readings for a season
BEND_DAYS = 60  # without a season: one power of time per this many days, MOST_BENDS at most
MOST_BENDS = 3
DRY_DAYS = 3.0  # in which a line loses most of the absorbed water
WEATHER_KNOWN = 0.8  # share of the days with readings


@dataclass(frozen=True)
class Frame:
    """Definition of the columns, for the days with readings and for any others.

    The first column is the level; `slope` is the index of the slope's column, if there is one;
    `season` and `weather` are slices of columns; bends replace slope and season where the data are
    short.
    """

    middle: float
    half_years: float
    harmonics: int  # 0: less than a year
    bends: int
    temperature: FloatArray | None  # per day of `weather`, less its season
    rain: FloatArray | None  # (2, ...): of the day, and the rest from the days before
    first_weather: int

    @classmethod
    def of_level(cls, day: IntArray) -> Frame:
        """Return a frame with the level only."""
        return cls(float(day[0]), 1.0, 0, 0, None, None, 0)

    @property
    def slope(self) -> int | None:
        """Index of the column of the slope, SWR per year; None without a slope."""
        return 1 if self.harmonics else None

    @property
    def season(self) -> slice:
        """Columns of the annual cycle."""
        begin = 1 + (1 if self.harmonics else self.bends)
        return slice(begin, begin + 2 * self.harmonics)

    @property
    def weather(self) -> slice:
        """Columns of temperature and rain."""
        begin = self.season.stop
        count = (self.temperature is not None) + 2 * (self.rain is not None)
        return slice(begin, begin + count)

    def years(self, day: IntArray) -> FloatArray:
        """Return the years from the middle of the data."""
        return np.asarray((day - self.middle) / YEAR)

    def columns(self, day: IntArray) -> FloatArray:
        """Return the columns, shape (n, k), without steps."""
        years = self.years(day)
        columns = [np.ones(len(day))]
        if self.harmonics:
            columns.append(years)
        else:
            columns += [(years / self.half_years) ** power for power in range(1, self.bends + 1)]
        columns += list(harmonics(day, self.harmonics))
        if self.temperature is not None:
            columns.append(self._values_on(self.temperature, day))
        if self.rain is not None:
            columns += [self._values_on(series, day) for series in self.rain]
        return np.column_stack(columns)

    def _values_on(self, series: FloatArray, day: IntArray) -> FloatArray:
        """Return the values of a daily series on some days; 0 where unknown."""
        index = day - self.first_weather
        inside = (index >= 0) & (index < len(series))
        values = np.zeros(len(day))
        values[inside] = series[index[inside]]
        return values


def harmonics(day: IntArray, count: int) -> list[FloatArray]:
    """Return sine and cosine of the year and its fractions, 2 * count arrays of shape (n,)."""
    angle = 2 * np.pi * day / YEAR
    return [wave(k * angle) for k in range(1, count + 1) for wave in (np.sin, np.cos)]


def frame(day: IntArray, weather: Weather | None) -> Frame:
    """Return the frame for days with readings, ascending, shape (n,)."""
    span = int(day[-1] - day[0])
    twelfths = len(np.unique((day % YEAR) // (YEAR / 12)))
    year = span >= SEASON_SPAN and len(day) >= SEASON_DAYS and twelfths >= SEASON_MONTHS
    temperature, rain, first = _weather(day, weather)
    return Frame(
        middle=(int(day[0]) + int(day[-1])) / 2,
        half_years=max(span, 1) / 2 / YEAR,
        harmonics=0 if not year else 1 if span < SECOND_SPAN else 2,
        bends=0 if year else min(MOST_BENDS, span // BEND_DAYS, len(day) // 20),
        temperature=temperature,
        rain=rain,
        first_weather=first,
    )


def _weather(
    day: IntArray, weather: Weather | None
) -> tuple[FloatArray | None, FloatArray | None, int]:
    if weather is None or not len(weather.day) or len(day) < SEASON_DAYS:
        return None, None, 0
    first, last = int(weather.day[0]), int(weather.day[-1])
    daily = np.full((2, last - first + 1), np.nan)
    daily[:, weather.day - first] = weather.temperature_c, weather.rain_mm
    inside = day[(day >= first) & (day <= last)] - first
    is_known = np.isfinite(daily[:, inside]).sum(axis=1) >= WEATHER_KNOWN * len(day)
    temperature = _departure(daily[0], first) if is_known[0] else None
    rain = _wetness(daily[1]) if is_known[1] else None
    return temperature, rain, first


def _departure(temperature: FloatArray, first: int) -> FloatArray:
    """Return temperature less its own annual cycle, in tens of degrees; 0 where unknown."""
    day = np.arange(first, first + len(temperature))
    is_known = np.isfinite(temperature)
    columns = np.column_stack([np.ones(len(day)), *harmonics(day, 1)])
    annual = columns @ np.linalg.lstsq(columns[is_known], temperature[is_known], rcond=None)[0]
    return np.where(is_known, (temperature - annual) / 10, 0.0)


def _wetness(rain: FloatArray) -> FloatArray:
    """Return the wetness from rain on the day and on the days before, shape (2, n).

    The scale is logarithmic, since a little rain wets a plug as well as much rain.
    """
    today = np.log1p(np.maximum(np.nan_to_num(rain), 0.0))
    wetness = np.zeros(len(today))
    for row in range(1, len(today)):
        wetness[row] = (wetness[row - 1] + today[row - 1]) * np.exp(-1 / DRY_DAYS)
    return np.vstack([today, wetness])


def step_columns(day: IntArray, steps: Sequence[int]) -> FloatArray:
    """Return 1 from the day of each step on, otherwise 0, shape (n, steps)."""
    return (day[:, None] >= np.asarray(steps, dtype=np.int64)[None, :]).astype(np.float64)
