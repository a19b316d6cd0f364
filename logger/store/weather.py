"""Stored weather: hours or days, from files or from the bridge."""

from __future__ import annotations

from collections.abc import Iterable
from operator import attrgetter

import numpy as np

from logger.daily import Weather
from logger.rows import WeatherRow
from logger.store.database import Repository
from logger.utc import DAY_NS

# Stored values stay if a row of the same moment lacks them.
UPSERT = (
    "INSERT INTO weather (time_ns, temperature_c, rain_mm, wind_m_s) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (time_ns) DO UPDATE SET"
    " temperature_c = coalesce(excluded.temperature_c, temperature_c),"
    " rain_mm = coalesce(excluded.rain_mm, rain_mm),"
    " wind_m_s = coalesce(excluded.wind_m_s, wind_m_s)"
)
_VALUES = attrgetter(*WeatherRow.__struct_fields__)


class WeatherRows(Repository):
    """Rows of weather. Methods raise StoreError."""

    def upsert(self, rows: Iterable[WeatherRow]) -> None:
        """Store rows, all or none."""
        with self.database.transaction():
            self.database.execute_many(UPSERT, map(_VALUES, rows))

    def daily(self, since_ns: int, until_ns: int) -> Weather | None:
        """Return the weather of these days, None if nothing is known."""
        rows = self.database.query(
            f"SELECT time_ns / {DAY_NS}, avg(temperature_c), sum(rain_mm), avg(wind_m_s)"
            " FROM weather WHERE time_ns >= ? AND time_ns < ? GROUP BY 1 ORDER BY 1",
            (since_ns, until_ns),
        )
        if not rows:
            return None
        day, *figures = zip(*rows, strict=True)
        return Weather(np.array(day), *(np.array(column, dtype=float) for column in figures))
