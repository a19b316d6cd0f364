"""Stored daily values of each channel; stale days are recomputed before they are returned."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from operator import itemgetter
from statistics import fmean, median
from typing import Any

import numpy as np

from logger.daily import Days, Weather
from logger.errors import StoreError
from logger.store.database import Store
from logger.store.schema import transaction
from logger.utc import DAY_NS

MAD = 1.4826  # standard deviation of a normal distribution per median absolute deviation
BIN_KHZ = 5.0  # repeated readings of a frequency counter differ slightly
AT_ONCE = 30  # days computed in one transaction, for which the daemon has to wait
KEY = "channel, frequency_khz"
FIELDS = f"day, {KEY}, swr, spread, transmissions, power_w, calibration_id"

Row = tuple[Any, ...]
Progress = Callable[[int, int], None]


class DailyValues(Store):
    """Open with `DailyValues.reader`, also beside the daemon. Methods raise StoreError."""

    def days(
        self, since_ns: int, until_ns: int, progress: Progress = lambda done, of: None
    ) -> list[Days]:
        """Return the days that overlap [since_ns, until_ns), for each channel used.

        Where no channel is known, days are by frequency. `progress` is called as stale days are
        recomputed.
        """
        made = self.freshen(progress)
        span = since_ns // DAY_NS, -(-until_ns // DAY_NS)
        rows = self._query(
            f"SELECT {FIELDS} FROM days WHERE day >= ? AND day < ? ORDER BY day", span
        )
        if made:  # the file cannot be written
            rows = [row for row in rows if row[0] not in made]
            rows += [row for day, some in made.items() if span[0] <= day < span[1] for row in some]
            rows.sort(key=itemgetter(0))
        return _by_channel(rows)

    def weather(self, since_ns: int, until_ns: int) -> Weather | None:
        """Return the weather of these days, None if nothing is known."""
        rows = self._query(
            f"SELECT time_ns / {DAY_NS}, avg(temperature_c), sum(rain_mm), avg(wind_m_s)"
            " FROM weather WHERE time_ns >= ? AND time_ns < ? GROUP BY 1 ORDER BY 1",
            (since_ns, until_ns),
        )
        if not rows:
            return None
        day, *figures = zip(*rows, strict=True)
        return Weather(np.array(day), *(np.array(each, dtype=float) for each in figures))

    def freshen(self, progress: Progress = lambda done, of: None) -> dict[int, list[Row]]:
        """Recompute stale days; return those that could not be stored (file not writable)."""
        stale = [day for (day,) in self._query("SELECT day FROM stale_days ORDER BY day")]
        made: dict[int, list[Row]] = {}
        for at in range(0, len(stale), AT_ONCE):
            some = stale[at : at + AT_ONCE]
            try:
                self._keep(some)
            except StoreError:
                made.update((day, self._made(day)) for day in some)
            progress(at + len(some), len(stale))
        return made

    def _keep(self, days: Sequence[int]) -> None:
        """Recompute days in one transaction, so that what is read and what is stored agree."""
        marks = ", ".join("?" * (FIELDS.count(",") + 1))
        with self._errors(), transaction(self._connection):
            for day in days:
                self._connection.execute("DELETE FROM days WHERE day = ?", (day,))
                self._connection.executemany(
                    f"INSERT INTO days ({FIELDS}) VALUES ({marks})", self._made(day)
                )
                self._connection.execute("DELETE FROM stale_days WHERE day = ?", (day,))

    def _made(self, day: int) -> list[Row]:
        rows = self._query(
            f"SELECT channel, CASE WHEN channel IS NULL THEN {BIN_KHZ} * round(frequency_khz /"
            f" {BIN_KHZ}) END,"
            " swr, forward_w_mean, calibration_id FROM transmissions"
            " WHERE start_ns >= ? AND start_ns < ? AND ended AND swr IS NOT NULL"
            " AND forward_w_mean IS NOT NULL ORDER BY 1, 2, start_ns",
            (day * DAY_NS, (day + 1) * DAY_NS),
        )
        return [(day, *key, *_summary(list(some))) for key, some in groupby(rows, itemgetter(0, 1))]


def _summary(rows: Sequence[Row]) -> Row:
    swr = [row[2] for row in rows]
    middle = median(swr)
    spread = MAD * median([abs(value - middle) for value in swr])
    return middle, spread, len(rows), fmean(row[3] for row in rows), rows[-1][4]


def _by_channel(rows: Sequence[Row]) -> list[Days]:
    numbers = {name: n for n, name in enumerate(sorted({row[7] for row in rows}))}
    groups: dict[tuple[int | None, float | None], list[Row]] = {}
    for row in rows:
        groups.setdefault((row[1], row[2]), []).append(row)
    return [_days(key, some, numbers) for key, some in groups.items()]


def _days(key: tuple[int | None, float | None], rows: list[Row], numbers: dict[str, int]) -> Days:
    day, _, _, swr, spread, transmissions, power_w, calibration = zip(*rows, strict=True)
    return Days(
        *key,
        day=np.array(day),
        swr=np.array(swr),
        spread=np.array(spread),
        transmissions=np.array(transmissions),
        power_w=np.array(power_w),
        calibration=np.array([numbers[name] for name in calibration]),
    )
