"""Temperature coefficient learned from transmissions, and trends without the shack's temperature.

    python -m tests.bench.warmth [--stations 40] [--first-seed N] [--part coverage|trends]

Stations are those of `tests.foreign_warmth`. Coverage: share of 95 % intervals that hold the
diodes' mean coefficient at the bench, after a year, for one to three powers, with and without
heating, with and without a coefficient in the calibration. Trends: two years, in which the shack
becomes 8 °C warmer or colder for good in the middle, or the line's loss grows by 1 dB a year; the
share of channels that are told to rise, fall or have stepped, from daily medians as read and
without the coupler's part.
"""

from __future__ import annotations

import argparse
import itertools
import time

import numpy as np

from logger.daily import Days
from logger.physics.reflection import swr
from logger.trend.instrument import separate
from logger.trend.model import trend
from logger.trend.readings import PlaceReadings, learn_all, thermal_part
from logger.trend.temperature import Coefficient
from logger.utc import DAY_NS
from tests.foreign_warmth import POWERS, Story, Years, render

LEAST_COVERAGE = 0.93
MOST_FALSE, LEAST_FOUND = 0.05, 0.9  # of channels
STORIES = {
    "nothing happens": Story(days=730),
    "8 °C warmer": Story(days=730, later_c=8.0),
    "8 °C colder": Story(days=730, later_c=-8.0),
    "8 °C warmer, one power": Story(days=730, later_c=8.0, powers="one"),
    "loss +1 dB a year": Story(days=730, loss_db=1.0),
    "loss +1 dB a year, one power": Story(days=730, loss_db=1.0, powers="one"),
    "loss +1 dB a year, 8 °C colder": Story(days=730, loss_db=1.0, later_c=-8.0),
}


def places(years: Years) -> dict[tuple[None, int, None], PlaceReadings]:
    """The transmissions by channel, as the store gives them."""
    found = {}
    for channel in np.unique(years.channel).tolist():
        own = years.channel == channel
        found[None, int(channel), None] = PlaceReadings(
            (years.day[own] * DAY_NS).astype(np.int64),
            years.forward_w[own],
            swr(years.rho[own]),
            years.celsius[own],
            years.noise[own],
            np.array(["coupler"] * int(own.sum())),
        )
    return found


def learned(years: Years) -> Coefficient:
    """The coefficient of a station."""
    return learn_all(places(years), {"coupler": years.content})["coupler"]


def verdicts(years: Years) -> list[tuple[bool, bool]]:
    """For each channel: a change is told from the readings as they are, and without the coupler."""
    contents = {"coupler": years.content}
    of_place = places(years)
    coefficients = learn_all(of_place, contents)
    told = []
    for (_, channel, _), own in of_place.items():
        number = own.time_ns // DAY_NS
        day, begins = np.unique(number, return_index=True)
        ones = np.ones(len(day), dtype=np.int64)
        medians = np.array([np.median(part) for part in np.split(own.swr, begins[1:])])
        days = Days(
            channel, None, day, medians, 0.0 * medians, ones, 4.0 * ones, 0 * ones, ("coupler",)
        )
        part = thermal_part(own, contents, coefficients)
        sound, instrument = separate(days, {}, part, coefficients["coupler"])
        found = (
            trend(days),
            trend(sound, slope_u=instrument.thermal_slope_u, thermal_swr=instrument.thermal_swr),
        )
        plain, corrected = (one.verdict in ("rising", "falling", "stepped") for one in found)
        told.append((plain, corrected))
    return told


def coverage(seeds: range) -> bool:
    """Print the coverage of the intervals; whether it holds the bar."""
    held = []
    for powers, heated, coefficient in itertools.product(POWERS, (10.0, 0.0), (0.0, 0.06)):
        story = Story(powers=powers, heated=heated, coefficient=coefficient)
        departures, u = [], []
        for seed in seeds:
            years = render(seed, story)
            found = learned(years)
            departures.append((found.per_c - years.per_c) / found.u)
            u.append(found.u)
        inside = np.abs(departures) < 1.96
        held += inside.tolist()
        print(
            f"{powers} power(s), heated by {heated:g} °C, calibrated with {coefficient:.2f}:"
            f" held {inside.mean():.3f}, departures {np.mean(departures):+.2f} ±"
            f" {np.std(departures):.2f} u, u {np.median(u):.4f} (median; prior 0.03)",
            flush=True,
        )
    print(f"all: {np.mean(held):.3f} of {len(held)}")
    return bool(np.mean(held) >= LEAST_COVERAGE)


def trends(seeds: range) -> bool:
    """Print how many channels are told to change; whether the bars are held."""
    passed = True
    for name, story in STORIES.items():
        told = np.array([one for seed in seeds for one in verdicts(render(seed, story))])
        plain, corrected = told.mean(axis=0)
        print(
            f"{name}: change told on {corrected:.3f} of {len(told)} channels"
            f" (as read: {plain:.3f})",
            flush=True,
        )
        if not story.loss_db:
            passed &= bool(corrected <= MOST_FALSE)
        elif story.powers != "one":
            passed &= bool(corrected >= LEAST_FOUND)
    return passed


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--part", choices=["coverage", "trends"])
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.stations)
    begin = time.perf_counter()
    for name, part in (("coverage", coverage), ("trends", trends)):
        if options.part in (None, name):
            print(f"{name}: bar {'held' if part(seeds) else 'MISSED'}")
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
