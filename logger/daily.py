"""Input of a trend: daily values of each channel, work on the station, and the weather.

A day is a UTC day, counted from 1970-01-01.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Days:
    """The days on which one channel (or, without channels, one segment of a band) was used.

    The antenna is None if it is not known; the frequency is the median of those used.

    All arrays have the shape (n,), with n >= 1; days are strictly increasing.
    """

    channel: int | None
    frequency_khz: float | None
    day: IntArray
    swr: FloatArray  # robust mean of the day's transmissions
    spread: FloatArray  # their robust standard deviation; 0 for a single one
    transmissions: IntArray
    power_w: FloatArray  # mean forward power
    calibration: IntArray  # equal numbers for equal calibrations
    calibration_ids: tuple[str, ...] = ()  # by that number
    antenna: str | None = None


@dataclass(frozen=True)
class WorkEvent:
    """Work on a known day after which the station may read differently."""

    day: int
    kind: str  # "repair", "adjustment" or "calibration"
    text: str


@dataclass(frozen=True)
class Weather:
    """The weather of each recorded day, NaN where unknown. Arrays of shape (n,), days ascend."""

    day: IntArray
    temperature_c: FloatArray  # mean
    rain_mm: FloatArray  # sum
    wind_m_s: FloatArray  # mean
