"""Transmissions of a station's history in arrays, for what daily values do not tell.

This module is responsible for reading them from the store, and for the part of the coupler's
temperature in them. Input: a store and a span of time. Output: readings by place, coefficients by
calibration, and what is to be added to daily values.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Bools, Floats, Times
from logger.calibration.file import CalibrationFile
from logger.daily import Days
from logger.physics.reflection import COVERAGE, rho_of_swr, swr
from logger.places import segment_khz
from logger.store.reader import Store
from logger.trend.temperature import (
    Coefficient,
    Readings,
    ThermalLaw,
    ThermalPart,
    learn,
    medians,
    power_bins,
)
from logger.trend.temperature import thermal_part as part_of
from logger.utc import DAY_NS

Place = tuple[str | None, int | None, float | None]  # antenna, channel, or segment in kHz

FIELDS = (
    "antenna",
    "channel",
    "frequency_khz",
    "calibration_id",
    "start_ns",
    "forward_w_mean",
    "swr",
    "coupler_temperature_c",
    "swr_noise_low",
    "swr_noise_high",
)
PAGE = 50_000
MOST_PLAIN, MOST_WARM = 100_000, 500_000  # the latest, without and with temperatures
MOST_NOISE = 0.03  # relative, of rho: a noisy logarithm is too low on average, more so when cold


@dataclass(frozen=True)
class PlaceReadings:
    """Transmissions of one place in order of time, (n,); the temperature is NaN if not known.

    noise  relative standard deviation of the reflection
    """

    time_ns: Times
    forward_w: Floats
    swr: Floats
    celsius: Floats
    noise: Floats
    calibration: NDArray[np.str_]

    def select(self, calibration: str) -> tuple[Readings, Times]:
        """Return those of a calibration whose temperature is known, and their positions."""
        rows = np.flatnonzero(np.isfinite(self.celsius) & (self.calibration == calibration))
        day = self.time_ns[rows] / DAY_NS
        zeros = np.zeros(len(rows), dtype=np.int64)
        rho = rho_of_swr(self.swr[rows])
        return Readings(day, zeros, self.forward_w[rows], rho, self.celsius[rows]), rows

    @cached_property
    def is_quiet(self) -> Bools:
        """Mask of the powers with little noise, (n,).

        The noise of a single reading depends on what is read, so that a choice by it would favour
        high readings.
        """
        bins = power_bins(self.forward_w)
        noise = np.nan_to_num(medians(self.noise, bins), nan=math.inf)
        return np.asarray(noise[bins] < MOST_NOISE)


def read_readings(store: Store, span_ns: tuple[int, int]) -> dict[Place, PlaceReadings]:
    """Return the latest transmissions of `span_ns` with an SWR, by place. Raise StoreError."""
    parts: dict[Place, list[PlaceReadings]] = {}
    for page in _pages(store, span_ns):  # the latest first
        rows: dict[Place, list[tuple[Any, ...]]] = {}
        for place, row in zip(_places(page), page, strict=True):
            rows.setdefault(place, []).append(row)
        for place, own in rows.items():
            parts.setdefault(place, []).insert(0, _readings(own))
    return {place: _join(own) for place, own in parts.items()}


def _readings(rows: list[tuple[Any, ...]]) -> PlaceReadings:
    watts, swr_, celsius, low, high = np.array([row[5:] for row in rows], dtype=np.float64).T
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = (rho_of_swr(high) - rho_of_swr(low)) / (2 * COVERAGE * rho_of_swr(swr_))
    return PlaceReadings(
        np.array([row[4] for row in rows], dtype=np.int64),
        watts,
        swr_,
        celsius,
        noise,
        np.array([row[3] for row in rows]),
    )


def _join(parts: list[PlaceReadings]) -> PlaceReadings:
    names = [field.name for field in fields(PlaceReadings)]
    return PlaceReadings(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    )


def _pages(store: Store, span_ns: tuple[int, int]) -> Iterator[list[tuple[Any, ...]]]:
    since_ns, until_ns = span_ns
    count, most = 0, MOST_PLAIN
    while count < most:
        page = store.latest("transmissions", FIELDS, "start_ns", since_ns, until_ns, PAGE)
        if not page:
            return
        count, until_ns = count + len(page), page[0][4]
        if any(row[7] is not None for row in page):
            most = MOST_WARM
        yield [row for row in page if row[6] is not None and row[5] is not None and row[6] > 1]


def _places(page: list[tuple[Any, ...]]) -> list[Place]:
    khz = [row[2] if row[1] is None else None for row in page]
    edges = segment_khz(np.array(khz, dtype=np.float64))[0].tolist()
    return [
        (row[0], row[1], None if at is None else round(edge, 3))
        for row, at, edge in zip(page, khz, edges, strict=True)
    ]


def place_of(days: Days) -> Place:
    """Return the place of daily values."""
    if days.channel is not None or days.frequency_khz is None:
        return days.antenna, days.channel, None
    edge = segment_khz(np.array([days.frequency_khz]))[0][0]
    return days.antenna, None, round(float(edge), 3)


def learn_all(
    readings: Mapping[Place, PlaceReadings], contents: Mapping[str, CalibrationFile]
) -> dict[str, Coefficient]:
    """Return the coefficients of the calibrations of which temperatures are known, by id."""
    found = {}
    for name, content in contents.items():
        parts, quiet = [], []
        for number, own in enumerate(readings.values()):
            part, rows = own.select(name)
            parts.append(part._replace(group=np.full(len(rows), number, dtype=np.int64)))
            quiet.append(own.is_quiet[rows])
        columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
        if columns and len(columns[0]):
            order = np.argsort(columns[0], kind="stable")
            every = Readings(*(column[order] for column in columns))
            found[name] = learn(content, every, np.concatenate(quiet)[order])
    return found


def thermal_part(
    own: PlaceReadings,
    contents: Mapping[str, CalibrationFile],
    coefficients: Mapping[str, Coefficient],
) -> ThermalPart | None:
    """Return the temperature's part in the daily values of a place; None if it is not known."""
    parts = []
    for name, found in coefficients.items():
        readings, _ = own.select(name)
        if len(readings.day):
            parts.append(part_of(contents[name], found, readings))
    if not parts:
        return None
    day, first = np.unique(np.concatenate([part.day for part in parts]), return_index=True)
    return ThermalPart(
        day,
        np.concatenate([part.shift for part in parts])[first],
        np.concatenate([part.by_u for part in parts])[first],
    )


def without_temperature(
    own: PlaceReadings,
    contents: Mapping[str, CalibrationFile],
    coefficients: Mapping[str, Coefficient],
) -> PlaceReadings:
    """Return the readings as they would be at the temperature of the bench, where it is known."""
    corrected = own.swr.copy()
    for name, found in coefficients.items():
        readings, rows = own.select(name)
        if len(rows):
            law = ThermalLaw(contents[name], readings.celsius)
            corrected[rows] = swr(np.exp(law.ln_rho(readings, found.per_c)))
    return replace(own, swr=corrected)
