"""Prints how trends of invented stations compare with the truth.

python -m tests.bench.trend [--stations 500] [--seed 1] [--weather 11 12]

The first stations are those of `tests.drift_stations`, whose weather is known. For each seed after
`--weather`, stations of `tests.foreign_fleet` follow, a hundred without faults and a hundred with:
rain, ice and soil move them for days to months, and they have no weather sensor. Their true slope
is that of the dry station by its physics. A fault of 0.15 or more counts as found by a step within
7 days, if there are ten days with readings before and after it.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from logger.trend.model import trend
from tests.bench.fleet_learning import days_of, panel_of
from tests.drift_stations import drift_station
from tests.foreign_fleet import make_fleet
from tests.foreign_fleet.stations import FIRST_DAY

NEAR_DAYS, FALSE_DAYS = 7, 10
LARGE = 0.15
WEATHER_DAYS, LEAST_KNOWN = 800, 60
BEFORE_DAYS, AFTER_DAYS, LEAST_BESIDE = 60, 45, 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--weather", type=int, nargs="*", default=[11, 12], metavar="SEED")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    covered = large = found_large = false = inside = dated = 0
    widths: list[float] = []
    begun = time.process_time()
    for _ in range(options.stations):
        station = drift_station(rng)
        told = trend(station.days, station.events, station.weather)
        assert told.slope_per_year is not None
        assert told.slope_low is not None
        assert told.slope_high is not None
        covered += told.slope_low <= station.slope <= told.slope_high
        widths.append(told.slope_high - told.slope_low)
        for planted in station.steps:
            near = [each for each in told.steps if abs(each.day - planted.day) <= NEAR_DAYS]
            if abs(planted.size) >= LARGE:
                large += 1
                found_large += bool(near)
            if near and not planted.announced:
                dated += 1
                inside += near[0].day_low <= planted.day <= near[0].day_high
        false += any(
            all(abs(each.day - planted.day) > NEAR_DAYS for planted in station.steps)
            for each in told.steps
        )
    spent = time.process_time() - begun
    print(
        f"{options.stations} stations of three years, {1e3 * spent / options.stations:.0f} ms each"
    )
    print(f"  slope in its 95 % interval: {100 * covered / options.stations:.1f} %", end="")
    print(f", median width {np.median(widths):.3f} a year")
    print(f"  steps of {LARGE} and more within {NEAR_DAYS} days: {found_large} of {large}", end="")
    print(f" ({100 * found_large / large:.1f} %)")
    print(f"  unannounced steps inside their interval of dates: {100 * inside / dated:.1f} %")
    print(f"  stations with a false step: {100 * false / options.stations:.1f} %")

    claimed = sum(
        trend(station.days, station.events, station.weather).verdict in ("rising", "falling")
        for station in (drift_station(rng, slope=0.0) for _ in range(options.stations))
    )
    share = 100 * claimed / options.stations
    print(f"{options.stations} steady ones: a slope claimed on {share:.1f} %")
    short = 0
    for _ in range(options.stations // 5):
        station = drift_station(rng, years=float(rng.uniform(0.05, 0.99)), steps=0)
        told = trend(station.days, station.events, station.weather)
        short += told.slope_per_year is not None or told.verdict in ("rising", "falling")
    print(f"{options.stations // 5} of less than a year: a slope claimed on {short}")
    for seed in options.weather:
        for faults in (0.0, 1.0):
            in_weather(seed, faults)


def in_weather(seed: int, faults: float) -> None:
    """Print how trends of stations that weather moves compare with the truth."""
    fleet = make_fleet(seed, 100, WEATHER_DAYS, faults, updates=0)
    panel, channels = panel_of(fleet)
    due = found = false = 0
    years = 0.0
    slopes: list[tuple[bool, float, float]] = []  # covered, width, error
    for number, station in enumerate(fleet.stations):
        channel = int(np.bincount(station.channel).argmax())
        rows = np.flatnonzero(panel.station == number).tolist()
        level = panel.level[next(row for row in rows if channels[row] == channel)]
        known = np.flatnonzero(np.isfinite(level))
        if len(known) < LEAST_KNOWN:
            continue
        told = trend(days_of(channel, level))
        years += (known[-1] - known[0]) / 365.25
        steps = [step.day - FIRST_DAY for step in told.steps]
        onsets = [(fault.hour + station.clock_h) / 24 for fault in station.faults]
        for onset, fault in zip(onsets, station.faults, strict=True):
            before = ((known >= onset - BEFORE_DAYS) & (known < onset)).sum()
            after = ((known > onset) & (known < onset + AFTER_DAYS)).sum()
            if abs(fault.sizes[channel]) >= LARGE and min(before, after) >= LEAST_BESIDE:
                due += 1
                found += any(abs(day - onset) <= NEAR_DAYS for day in steps)
        false += sum(all(abs(day - onset) > FALSE_DAYS for onset in onsets) for day in steps)
        if told.slope is not None:
            (low, high), truth = told.slope.interval(), station.slope[channel]
            slopes.append((low < truth < high, high - low, told.slope.per_year - truth))
    covered, width, error = np.array(slopes, dtype=float).T
    print(
        f"weather of seed {seed}, {'with' if faults else 'without'} faults: slope in its interval"
        f" {100 * covered.mean():.0f} %, median width {np.median(width):.3f}, RMS error"
        f" {np.sqrt(np.mean(error**2)):.3f} a year; {false / years:.2f} false steps a year"
        f"{f', {found} of {due} faults found' if faults else ''}"
    )


if __name__ == "__main__":
    main()
