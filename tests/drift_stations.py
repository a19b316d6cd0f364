"""Invented stations that drift: years of daily readings of one channel, and the truth beside them.

Made from sines, sums and a first-order autoregression, apart from the package.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.daily import Days, Weather, WorkEvent

FIRST_DAY = 20_454  # 2026-01-01
YEAR = 365.25


@dataclass(frozen=True)
class Planted:
    """A step: the first day at the new level, by how much, and whether the journal has it."""

    day: int
    size: float
    announced: bool


@dataclass(frozen=True)
class DriftStation:
    """What the tool gets, and the truth."""

    days: Days
    events: tuple[WorkEvent, ...]
    weather: Weather | None
    slope: float
    amplitude: float
    steps: tuple[Planted, ...]


def drift_station(
    rng: np.random.Generator,
    *,
    years: float = 3.0,
    slope: float | None = None,
    steps: int | None = None,
    least_step: float = 0.05,
) -> DriftStation:
    """A random station; None: at random, half of all stations without a slope."""
    n = round(years * YEAR)
    day = np.arange(n)
    if slope is None:
        slope = float(rng.choice([0.0, rng.uniform(0.0, 0.15)]))
    amplitude = float(rng.uniform(0.05, 0.2))
    phase = rng.uniform(0, 2 * np.pi)
    season = np.sin(2 * np.pi * day / YEAR + phase)
    season += rng.uniform(0, 0.2) * np.sin(4 * np.pi * day / YEAR + rng.uniform(0, 2 * np.pi))
    season *= amplitude / np.abs(season).max()
    swr = rng.uniform(1.3, 1.8) + slope * day / YEAR + season

    wet = rng.random(n) < np.repeat(rng.uniform(0.15, 0.5, n // 30 + 1), 30)[:n]
    rain = np.where(wet, rng.exponential(6.0, n), 0.0)
    water = np.zeros(n)
    for at in range(1, n):
        water[at] = 0.7 * water[at - 1] + 0.3 * min(rain[at], 10.0) / 10
    swr += rng.uniform(-0.08, 0.08) * water
    temperature = 10 - 8 * np.cos(2 * np.pi * day / YEAR) + _lasting(rng, n, 3.0, 0.8)

    planted: list[Planted] = []
    for _ in range(int(rng.integers(0, 4)) if steps is None else steps):
        at = int(rng.integers(40, n - 40))
        if all(abs(at - each.day) >= 60 for each in planted):
            size = float(rng.choice([-1, 1]) * rng.uniform(least_step, 0.5))
            planted.append(Planted(at, size, bool(rng.random() < 0.4)))
    for each in planted:
        swr[each.day :] += each.size

    noise = rng.uniform(0.02, 0.04)
    swr += _lasting(rng, n, noise, 0.6)
    swr += max(0.0, 1.02 - swr.min())  # no reading is below 1

    used = rng.random(n) < rng.uniform(0.6, 0.95)
    for _ in range(int(rng.integers(1, 4)) if years >= 1 else 0):
        begin = int(rng.integers(0, n))
        used[begin : begin + int(rng.integers(7, 21))] = False
    if years >= 1 and rng.random() < 0.5:
        begin = int(rng.integers(0, n - 31))
        used[begin : begin + 31] = False
    used[[0, -1]] = True
    count = int(used.sum())
    days = Days(
        20,
        27205.0,
        day[used] + FIRST_DAY,
        swr[used],
        np.full(count, 0.02),
        np.full(count, 10),
        np.full(count, 4.0),
        np.ones(count, dtype=np.int64),
    )
    events = tuple(
        WorkEvent(each.day + FIRST_DAY, "repair", "a plug fitted anew")
        for each in planted
        if each.announced
    )
    known = rng.random() < 0.5
    weather = Weather(day + FIRST_DAY, temperature, rain, np.full(n, np.nan)) if known else None
    told = tuple(Planted(each.day + FIRST_DAY, each.size, each.announced) for each in planted)
    return DriftStation(days, events, weather, slope, amplitude, told)


def _lasting(rng: np.random.Generator, n: int, deviation: float, correlation: float) -> np.ndarray:
    """A first-order autoregression."""
    found = rng.normal(0, deviation, n)
    for at in range(1, n):
        found[at] = correlation * found[at - 1] + np.sqrt(1 - correlation**2) * found[at]
    return found
