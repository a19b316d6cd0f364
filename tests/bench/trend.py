"""Prints how trends of invented stations compare with the truth.

python -m tests.bench.trend [--stations 500] [--seed 1]
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from logger.trend.model import trend
from tests.drift_stations import drift_station

NEAR_DAYS = 7
LARGE = 0.15


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
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


if __name__ == "__main__":
    main()
