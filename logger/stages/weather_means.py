"""Hourly weather rows from auxiliary columns of the bridge.

This module is responsible for averages of temperature and wind and for the rise of a rain gauge.
Input: blocks. Output: rows. An hour interrupted by a restart makes two rows, each with the time of
its last pair. A pure state machine.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from drivers.contract import SampleBlock
from logger.blocks import Floats
from logger.config.load import WeatherOptions
from logger.rows import WeatherRow

HOUR_NS = 3_600_000_000_000
DECIMALS = 2


class WeatherMeans:
    """Hourly averages of the weather; feed with `update`, end with `finish`."""

    def __init__(self, options: WeatherOptions) -> None:
        self._means = {"temperature_c": options.temperature_c, "wind_m_s": options.wind_m_s}
        self._rain = options.rain_total_mm
        self._last_total_mm: float | None = None
        self._begin(0)

    def _begin(self, hour: int) -> None:
        self._hour, self._last_ns = hour, 0
        self._sums = dict.fromkeys(self._means, (0.0, 0))
        self._rain_mm: float | None = None

    def update(self, block: SampleBlock) -> list[WeatherRow]:
        """Return the rows of the hours that ended before the last pair of a block."""
        hours = block.time_ns // HOUR_NS
        ends = [*(np.flatnonzero(np.diff(hours)) + 1).tolist(), len(block)]
        rows: list[WeatherRow] = []
        begin = 0
        for end in ends:
            if hours[begin] != self._hour:
                rows += self.finish()
                self._begin(int(hours[begin]))
            self._add(block[begin:end])
            begin = end
        return rows

    def finish(self) -> list[WeatherRow]:
        """End the stream; return the row of the incomplete last hour."""
        means = {
            name: round(total / count, DECIMALS) if count else None
            for name, (total, count) in self._sums.items()
        }
        if self._rain_mm is None and not any(count for _, count in self._sums.values()):
            return []
        rain_mm = None if self._rain_mm is None else round(self._rain_mm, DECIMALS)
        return [WeatherRow(time_ns=self._last_ns, rain_mm=rain_mm, **means)]

    def _add(self, part: SampleBlock) -> None:
        self._last_ns = int(part.time_ns[-1])
        for name, column in self._means.items():
            total, count = self._sums[name]
            for values in _finite(part, column):
                self._sums[name] = (total + float(values.sum()), count + len(values))
        for totals in _finite(part, self._rain):
            if self._last_total_mm is not None:
                totals = np.concatenate([[self._last_total_mm], totals])
            steps = np.diff(totals)  # a gauge that restarts at 0 steps back
            self._rain_mm = (self._rain_mm or 0.0) + float(steps[steps > 0].sum())
            self._last_total_mm = float(totals[-1])


def _finite(part: SampleBlock, column: str | None) -> Iterator[Floats]:
    """Yield the finite values of a column, if there are any."""
    values = None if column is None else part.aux.get(column)
    if values is not None:
        values = values[np.isfinite(values)]
        if len(values):
            yield values
