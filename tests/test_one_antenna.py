"""Antenna and line are told only where one antenna explains what the channels read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logger.daily import Days
from logger.trend.station_state import station_state
from logger.utc import DAY_NS
from tests.foreign_years import History, make_five_bands, make_years
from tests.state_stations import KHZ


def daily(history: History) -> list[Days]:
    """Medians of days of each channel."""
    used = []
    for place, name in enumerate(history.names):
        own = (history.channel == place) & np.isfinite(history.swr)
        at, swr = history.times_ns[own] // DAY_NS, history.swr[own]
        day = np.unique(at)
        count = len(day)
        used.append(
            Days(
                name,
                float(history.frequencies_khz[place]),
                day,
                np.array([np.median(swr[at == each]) for each in day]),
                np.full(count, 0.02),
                np.full(count, 3),
                np.full(count, 4.0),
                np.ones(count, dtype=np.int64),
            )
        )
    return used


def test_no_state_for_five_antennas() -> None:
    bands = daily(make_five_bands(0, years=1.5, steps=0))
    assert station_state(bands) is None
    # Nor if they serve channels of one band, whose frequencies do not give them away.
    channels = [
        replace(band, frequency_khz=khz) for band, khz in zip(bands, KHZ.values(), strict=True)
    ]
    assert station_state(channels) is None


def test_state_for_one_antenna() -> None:
    assert station_state(daily(make_years(2, years=1.5, channels=4, steps=0))) is not None
