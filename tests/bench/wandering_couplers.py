"""Sound stations whose coupler wanders by 1 dB a year: is a fault of the feedline told?

python -m tests.bench.wandering_couplers [--stations 50] [--wander 1.0]

The stations are those of `tests.foreign_years` without steps and slope; the balance of the coupler
walks at random. The rules see every transmission; the weeks around each alarm `baseline-shift` are
diagnosed as the daemon does, two days after it.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np

from logger.config.load import WatchdogOptions
from logger.diagnosis.evidence import gather
from logger.diagnosis.history import (
    ALARMS,
    EXCURSIONS,
    NO_CHANNEL,
    SECONDS,
    TRANSMISSIONS,
    UNKEYED,
    WEEKS_NS,
    YEAR_NS,
    History,
    columns,
)
from logger.diagnosis.scoring import diagnose
from logger.rows import Transmission
from logger.utc import DAY_NS
from logger.watchdog import Watchdog, baseline_shift
from tests.bench.foreign_causes import MOST_LINE_BLAME, line_blame
from tests.foreign_years import History as Years
from tests.foreign_years import make_years, transmission_rows

YEARS = 2
REVIEWED_NS = 2 * DAY_NS


def wandering(seed: int, db_a_year: float) -> Years:
    """A sound station, read by a coupler whose balance walks."""
    years = make_years(seed, years=YEARS, channels=3, slope=0.0, steps=0)
    rng = np.random.default_rng([77, seed])
    walk = np.cumsum(rng.normal(0, db_a_year / np.sqrt(365.25), years.days + 1))
    day = ((years.times_ns - years.start_ns) // DAY_NS).astype(int)
    gain = 10 ** (walk[np.minimum(day, years.days)] / 20)

    def moved(swr: np.ndarray) -> np.ndarray:
        rho = np.minimum((swr - 1) / (swr + 1) * gain, 0.95)
        return np.asarray((1 + rho) / (1 - rho))

    names = ("swr", "low", "high", "noise_low", "noise_high", "quiet")
    return replace(years, **{name: moved(getattr(years, name)) for name in names})


def alarms(rows: list[Transmission]) -> list[int]:
    """UTC ns of the alarms that rule `baseline-shift` raises."""
    guard = Watchdog(WatchdogOptions())
    return [
        change.time_ns
        for row in rows
        for change in guard.rows([row])
        if change.kind == baseline_shift.KIND and change.change == "raised"
    ]


def weeks(rows: list[Transmission], about_ns: int) -> History:
    """The weeks around a time, as far as they are known two days later."""
    since_ns, until_ns = about_ns - WEEKS_NS, about_ns + REVIEWED_NS
    own = [row for row in rows if since_ns <= row.start_ns < until_ns]
    fields = [name for name in TRANSMISSIONS if name != "id"]
    table = [(place, *(getattr(row, name) for name in fields)) for place, row in enumerate(own)]
    old = [row for row in rows if row.start_ns < about_ns - YEAR_NS]
    return History(
        since_ns,
        until_ns,
        columns(TRANSMISSIONS, table),
        columns(SECONDS, []),
        columns(EXCURSIONS, []),
        {
            **columns(ALARMS, [(about_ns, None)]),
            "kind": np.array([baseline_shift.KIND], object),
        },
        columns(UNKEYED, []),
        np.array([], np.int64),
        year_old=frozenset(NO_CHANNEL if row.channel is None else row.channel for row in old),
    )


def most_blame(seed: int, db_a_year: float) -> tuple[float, Counter[str]]:
    """Highest odds of a fault of line or antenna in all reviews of a station, and first causes."""
    rows = transmission_rows(wandering(seed, db_a_year))
    worst, causes = 0.0, Counter[str]()
    for about_ns in alarms(rows):
        diagnosis = diagnose(gather(weeks(rows, about_ns), about_ns))
        worst = max(worst, line_blame(diagnosis.odds))
        causes[diagnosis.causes[0].name] += 1
    return worst, causes


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=50)
    parser.add_argument("--wander", type=float, default=1.0, help="dB a year")
    options = parser.parse_args()
    worst, causes = [], Counter[str]()
    for seed in range(options.stations):
        blame, own = most_blame(seed, options.wander)
        worst.append(blame)
        causes += own
    told = sum(blame > MOST_LINE_BLAME for blame in worst)
    print(
        f"{options.stations} sound stations, {YEARS} years, coupler {options.wander:g} dB a year:"
        f" a fault of line or antenna above {MOST_LINE_BLAME} on {told}; reviews {dict(causes)}"
    )


if __name__ == "__main__":
    main()
