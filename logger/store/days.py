"""Stored daily values of each antenna and channel; stale days are recomputed when asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import fsum
from operator import itemgetter
from typing import Any

import numpy as np

from logger.daily import Days
from logger.errors import StoreError
from logger.places import segment_khz
from logger.quantiles import median
from logger.store.database import Repository
from logger.store.sqlite import insert
from logger.utc import DAY_NS

MAD = 1.4826  # standard deviation of a normal distribution per median absolute deviation
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
    "antenna",
]

Row = tuple[Any, ...]
Place = tuple[str | None, int | None, float | None]
Progress = Callable[[int, int], None]


class DailyValues(Repository):
    """Values of UTC days. Methods raise StoreError.

    A database opened for reading gives the same values, but computes stale days each time.
    """

    def days(
        self, since_ns: int, until_ns: int, progress: Progress = lambda done, of: None
    ) -> list[Days]:
        """Return the days that overlap [since_ns, until_ns), for each antenna and channel used.

        Where no channel is known, days are by segment of a band; the frequency is the median of
        those used there. `progress` is called as stale days are recomputed.
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
            "SELECT antenna, channel, frequency_khz, swr, forward_w_mean, calibration_id"
            " FROM transmissions WHERE start_ns >= ? AND start_ns < ? AND ended"
            " AND swr IS NOT NULL AND forward_w_mean IS NOT NULL"
            " AND NOT EXISTS (SELECT 1 FROM verifications AS v"
            " WHERE transmissions.id IN (v.transmission_id, v.open_transmission_id))"
            " ORDER BY start_ns",
            (day * DAY_NS, (day + 1) * DAY_NS),
        )
        groups = _by_place(rows)
        order = sorted(groups, key=lambda place: (place[0] or "", place[1] or 0, place[2] or 0.0))
        return [(day, *_summary(groups[place])) for place in order]


def _by_place(rows: Sequence[Row]) -> dict[Place, list[Row]]:
    """Group rows that begin with antenna, channel and frequency by antenna and channel, or segment.

    A segment is given by its lower edge, kHz.
    """
    frequencies = [row[2] if row[1] is None else None for row in rows]
    edges = segment_khz(np.array(frequencies, dtype=np.float64))[0].tolist()
    groups: dict[Place, list[Row]] = {}
    for row, frequency, edge in zip(rows, frequencies, edges, strict=True):
        place = row[0], row[1], None if frequency is None else round(edge, 3)
        groups.setdefault(place, []).append(row)
    return groups


def _summary(rows: Sequence[Row]) -> Row:
    """Return the values of a day, in the order of FIELDS."""
    swr = [row[3] for row in rows]
    middle = median(swr)
    spread = MAD * median([abs(value - middle) for value in swr])
    antenna, channel, _ = rows[0][:3]
    power_w = fsum(row[4] for row in rows) / len(rows)
    return channel, _frequency(rows), middle, spread, len(rows), power_w, rows[-1][5], antenna


def _frequency(rows: Sequence[Row]) -> float | None:
    """Return the median frequency of rows that begin with antenna, channel and frequency."""
    frequencies = [row[2] for row in rows if row[1] is None and row[2] is not None]
    return median(frequencies) if frequencies else None


def _by_channel(rows: Sequence[Row]) -> list[Days]:
    calibrations = {name: n for n, name in enumerate(sorted({row[7] for row in rows}))}
    places = _by_place([(row[8], row[1], row[2], row) for row in rows])
    series = []
    for (antenna, channel, _), group in places.items():
        day, _, _, swr, spread, transmissions, power_w, names, _ = map(
            np.array, zip(*(row[3] for row in group), strict=True)
        )
        numbers = np.array([calibrations[name] for name in names])
        series.append(
            Days(
                channel,
                _frequency(group),
                day,
                swr,
                spread,
                transmissions,
                power_w,
                numbers,
                tuple(calibrations),
                antenna,
            )
        )
    return series
