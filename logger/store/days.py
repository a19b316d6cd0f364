"""Stored daily values of each channel; stale days are recomputed before they are returned."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from operator import itemgetter
from statistics import fmean, median
from typing import Any

import numpy as np

from logger.daily import Days
from logger.errors import StoreError
from logger.store.database import Repository
from logger.store.statements import insert
from logger.utc import DAY_NS

MAD = 1.4826  # standard deviation of a normal distribution per median absolute deviation
BIN_KHZ = 5.0  # repeated readings of a frequency counter differ slightly
BATCH_DAYS = 30  # days computed in one transaction, for which the daemon has to wait
FIELDS = [
    "day",
    "channel",
    "frequency_khz",
    "swr",
    "spread",
    "transmissions",
    "power_w",
    "calibration_id",
]

Row = tuple[Any, ...]
Progress = Callable[[int, int], None]


class DailyValues(Repository):
    """Values of UTC days. Methods raise StoreError.

    A database opened for reading gives the same values, but computes stale days each time.
    """

    def days(
        self, since_ns: int, until_ns: int, progress: Progress = lambda done, of: None
    ) -> list[Days]:
        """Return the days that overlap [since_ns, until_ns), for each channel used.

        Where no channel is known, days are by frequency. `progress` is called as stale days are
        recomputed.
        """
        unstored = self.update(progress)
        span = since_ns // DAY_NS, -(-until_ns // DAY_NS)
        rows = self.database.query(
            f"SELECT {', '.join(FIELDS)} FROM days WHERE day >= ? AND day < ? ORDER BY day", span
        )
        if unstored:
            rows = [row for row in rows if row[0] not in unstored]
            for day, computed in unstored.items():
                rows += computed if span[0] <= day < span[1] else []
            rows.sort(key=itemgetter(0))
        return _by_channel(rows)

    def update(self, progress: Progress = lambda done, of: None) -> dict[int, list[Row]]:
        """Recompute stale days; return those that could not be stored (file not writable)."""
        stale = [day for (day,) in self.database.query("SELECT day FROM stale_days ORDER BY day")]
        unstored: dict[int, list[Row]] = {}
        for first in range(0, len(stale), BATCH_DAYS):
            days = stale[first : first + BATCH_DAYS]
            try:
                self._replace(days)
            except StoreError:
                unstored.update((day, self._compute(day)) for day in days)
            progress(first + len(days), len(stale))
        return unstored

    def _replace(self, days: Sequence[int]) -> None:
        """Recompute days in one transaction, so that what is read and what is stored agree."""
        with self.database.transaction():
            for day in days:
                self.database.execute("DELETE FROM days WHERE day = ?", (day,))
                self.database.execute_many(insert("days", FIELDS), self._compute(day))
                self.database.execute("DELETE FROM stale_days WHERE day = ?", (day,))

    def _compute(self, day: int) -> list[Row]:
        rows = self.database.query(
            f"SELECT channel, CASE WHEN channel IS NULL THEN {BIN_KHZ} * round(frequency_khz /"
            f" {BIN_KHZ}) END,"
            " swr, forward_w_mean, calibration_id FROM transmissions"
            " WHERE start_ns >= ? AND start_ns < ? AND ended AND swr IS NOT NULL"
            " AND forward_w_mean IS NOT NULL AND NOT EXISTS (SELECT 1 FROM verifications AS v"
            " WHERE transmissions.id IN (v.transmission_id, v.open_transmission_id))"
            " ORDER BY 1, 2, start_ns",
            (day * DAY_NS, (day + 1) * DAY_NS),
        )
        groups = groupby(rows, itemgetter(0, 1))
        return [(day, *key, *_summary(list(group))) for key, group in groups]


def _summary(rows: Sequence[Row]) -> Row:
    swr = [row[2] for row in rows]
    middle = median(swr)
    spread = MAD * median([abs(value - middle) for value in swr])
    return middle, spread, len(rows), fmean(row[3] for row in rows), rows[-1][4]


def _by_channel(rows: Sequence[Row]) -> list[Days]:
    calibrations = {name: n for n, name in enumerate(sorted({row[-1] for row in rows}))}
    groups: dict[tuple[int | None, float | None], list[Row]] = {}
    for row in rows:
        groups.setdefault((row[1], row[2]), []).append(row)
    series = []
    for key, group in groups.items():
        day, _, _, swr, spread, transmissions, power_w, names = map(
            np.array, zip(*group, strict=True)
        )
        numbers = np.array([calibrations[name] for name in names])
        series.append(
            Days(*key, day, swr, spread, transmissions, power_w, numbers, tuple(calibrations))
        )
    return series
