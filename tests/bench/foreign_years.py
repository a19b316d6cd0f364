"""Prints how rule `baseline-shift` does in years of stations by other formulas.

python -m tests.bench.foreign_years [--stations 40] [--seed 1] [--steps N] [--list]

Three kinds of stations: those of `tests.drift_stations` (one channel), and those of
`tests.foreign_years` with one antenna or with five. A step of 0.15 or more on some channel counts
as due if channels that moved so far are used on LEAST_DAYS of the 7 days after it, nothing else
happens in them, and one of these channels was used between the step and the change before it:
otherwise nobody can know the level that it left, and `--list` shows it as undecidable. The first
alarm within 30 days after a step, and before whatever happens next, belongs to it; all others are
false. Those while the antenna is iced up are shown besides. With `--steps`, each station has so
many in its three years, for a recall of more than a few steps.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from logger.config.load import WatchdogOptions
from logger.rows import Transmission
from logger.utc import DAY_NS
from logger.watchdog import Watchdog, baseline_shift
from tests.drift_stations import drift_station
from tests.foreign_years import History, make_five_bands, make_years, transmission_rows
from tests.test_store import transmission

LARGE = 0.15  # SWR
PROMPT_DAYS, NEAR_DAYS = 7, 30
LEAST_DAYS = 3
YEARS = 3
LIMIT = 3.0  # SWR of rule `high-swr`, above which `baseline-shift` is silent


@dataclass(frozen=True)
class Change:
    """A step or repair: UTC day with fraction, SWR by which each channel moved."""

    day: float
    sizes: dict[int | float | None, float]
    announced: bool = False


@dataclass(frozen=True)
class Station:
    """Transmissions and the truth; `iced` are days from and to."""

    rows: list[Transmission]
    changes: list[Change]
    iced: list[tuple[float, float]] = field(default_factory=list)


@dataclass
class Score:
    """Counts over stations."""

    due: int = 0
    prompt: int = 0
    years: int = 0
    stations: int = 0
    false: int = 0
    first_year: int = 0
    iced: int = 0
    rows: int = 0
    seconds: float = 0.0


def foreign(history: History) -> Station:
    """A station of `tests.foreign_years`."""
    keys = [
        history.frequencies_khz[at] if name is None else name
        for at, name in enumerate(history.names)
    ]
    begin = history.start_ns / DAY_NS

    def change(event: object, announced: bool) -> Change:
        sizes = dict(zip(keys, map(float, event.sizes), strict=True))  # type: ignore[attr-defined]
        return Change(begin + event.day, sizes, announced)  # type: ignore[attr-defined]

    truth = history.truth
    changes = [change(each, False) for each in truth.steps]
    changes += [change(each, True) for each in truth.repairs]
    return Station(
        transmission_rows(history),
        sorted(changes, key=lambda each: each.day),
        [(begin + first, begin + last) for first, last in truth.ice],
    )


def drifting(rng: np.random.Generator, steps: int | None = None) -> Station:
    """A station of `tests.drift_stations` with some transmissions on each day."""
    station = drift_station(rng, years=YEARS, steps=steps)
    rows = []
    for day, swr in zip(station.days.day.tolist(), station.days.swr.tolist(), strict=True):
        for hour in np.sort(rng.uniform(8, 22, 1 + rng.poisson(2))):
            value = max(swr + 0.01 * float(rng.standard_normal()), 1.01)
            rows.append(sent(day * DAY_NS + round(hour * DAY_NS / 24), value))
    steps = [Change(each.day, {20: each.size}, each.announced) for each in station.steps]
    return Station(rows, sorted(steps, key=lambda each: each.day))


def sent(start_ns: int, swr: float) -> Transmission:
    """A transmission on channel 20 that was read well."""
    return transmission(
        start_ns,
        end_ns=start_ns + 20 * 10**9,
        swr=swr,
        swr_noise_low=swr - 0.002,
        swr_noise_high=swr + 0.002,
    )


def alarms(station: Station) -> list[tuple[float, str]]:
    """UTC day and words of each alarm that the rule raises, or clears as the levels are back."""
    guard = Watchdog(WatchdogOptions())
    guard.know_work(round(each.day * DAY_NS) for each in station.changes if each.announced)
    return [
        (change.time_ns / DAY_NS, change.detail)
        for row in station.rows
        for change in guard.rows([row])
        if change.kind == baseline_shift.KIND
        and (change.change == "raised" or change.detail == baseline_shift.RETURNED)
    ]


def rate(station: Station, score: Score) -> Iterator[str]:
    """Add a station to the score; lines on what went wrong."""
    begun = time.process_time()
    raised = alarms(station)
    score.seconds += time.process_time() - begun
    score.rows += len(station.rows)
    score.years += YEARS
    score.stations += 1
    first = station.rows[0].start_ns / DAY_NS
    free = list(raised)
    steps = [each for each in station.changes if not each.announced]
    for step in steps:
        until = min(
            [each.day for each in station.changes if each.day > step.day] + [step.day + NEAR_DAYS]
        )
        own = next((each for each in free if step.day <= each[0] < until), None)
        if own is not None:
            free.remove(own)
        if not _is_due(step, station):
            continue
        if not _has_level(step, station):
            yield f"day {step.day - first:.0f}: undecidable: no use since the change before"
            continue
        score.due += 1
        if own is not None and own[0] < step.day + PROMPT_DAYS:
            score.prompt += 1
        else:
            size = max(step.sizes.values(), key=abs)
            late = "missed" if own is None else f"{own[0] - step.day:.1f} days late"
            yield f"day {step.day - first:.0f}: step of {size:+.2f} {late}"
    for day, detail in free:
        if detail == baseline_shift.RETURNED:
            continue
        score.false += 1
        score.first_year += day < first + 365
        iced = any(begin <= day <= end + 1 for begin, end in station.iced)
        score.iced += iced
        yield f"day {day - first:.0f}: false{' (ice)' if iced else ''}: {detail}"


def _is_due(step: Change, station: Station) -> bool:
    end = step.day + PROMPT_DAYS
    if any(step.day < each.day < end for each in station.changes):
        return False
    return len(_days_of_use(step, station, step.day, end)) >= LEAST_DAYS


def _has_level(step: Change, station: Station) -> bool:
    """True if a channel that moved was used between the change before and the step."""
    before = max((each.day for each in station.changes if each.day < step.day), default=0.0)
    return len(_days_of_use(step, station, before, step.day)) > 0


def _days_of_use(step: Change, station: Station, begin: float, end: float) -> set[int]:
    """UTC days with readings of channels that the step moves by LARGE or more."""
    moved = {key for key, size in step.sizes.items() if abs(size) >= LARGE}
    return {
        row.start_ns // DAY_NS
        for row in station.rows
        if begin * DAY_NS <= row.start_ns < end * DAY_NS
        and not row.flags
        and (row.swr or LIMIT) < LIMIT
        and (row.channel in moved or row.frequency_khz in moved)
    }


def stations(kind: str, count: int, seed: int, steps: int | None = None) -> Iterator[Station]:
    """Stations of a kind, with a given number of steps or as many as come by chance."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        own = 1000 * seed + number
        if kind == "drift":
            yield drifting(rng, steps)
        elif kind == "one antenna":
            yield foreign(make_years(own, years=YEARS, channels=1 + number % 5, steps=steps))
        else:
            yield foreign(make_five_bands(own, years=YEARS, steps=steps))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--steps", type=int, help="of each station; by chance if not given")
    parser.add_argument("--list", action="store_true", help="show misses and false alarms")
    parser.add_argument("--kind", choices=KINDS, action="append")
    options = parser.parse_args(arguments)
    print("stations          due  in 7 days  false a year  of ice  first year  later  µs a row")
    for kind in options.kind or KINDS:
        score = Score()
        made = stations(kind, options.stations, options.seed, options.steps)
        for number, station in enumerate(made):
            for line in rate(station, score):
                if options.list:
                    print(f"  {kind} {number}, {line}")
        later = score.years - score.stations
        print(
            f"{kind:14} {score.due:6} {100 * score.prompt / max(score.due, 1):9.1f} %"
            f" {score.false / score.years:13.2f} {score.iced / score.years:7.2f}"
            f" {score.first_year / score.stations:11.2f}"
            f" {(score.false - score.first_year) / later:6.2f}"
            f" {1e6 * score.seconds / score.rows:9.0f}"
        )


KINDS = ("drift", "one antenna", "five antennas")

if __name__ == "__main__":
    main()
