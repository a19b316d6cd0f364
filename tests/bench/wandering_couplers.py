"""Sound stations whose coupler wanders by 1 dB a year: is a fault of the feedline told?

python -m tests.bench.wandering_couplers [--stations 50] [--first-seed N] [--wander 1.0]

The stations are those of `tests.foreign_years` with their season and scatter, but without steps,
slope and ice; the balance of the coupler walks at random. The rules see every transmission; the
weeks around each alarm `baseline-shift` are diagnosed as the daemon does, two days after it. The
state of antenna and line is estimated from all of the readings as `report` does, without checks of
the coupler and as if none were needed.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np

from logger.config.load import WatchdogOptions
from logger.daily import Days
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
from logger.trend.instrument import separate
from logger.trend.station_state import station_state
from logger.utc import DAY_NS
from logger.watchdog import Watchdog, baseline_shift
from tests.bench.foreign_causes import MOST_LINE_BLAME, line_blame
from tests.foreign_years import History as Years
from tests.foreign_years import make_years, transmission_rows

YEARS = 2
REVIEWED_NS = 2 * DAY_NS
PER_C = 0.004  # d ln rho / d temperature of germanium diodes at some watts


def wandering(seed: int, db_a_year: float) -> Years:
    """A sound station, read by a coupler whose balance walks."""
    years = make_years(seed, years=YEARS, channels=3, slope=0.0, steps=0, growth=0.0, weather=0.0)
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
        per_c=np.full(len(own), PER_C),
        year_old=frozenset(NO_CHANNEL if row.channel is None else row.channel for row in old),
    )


def daily(rows: list[Transmission]) -> list[Days]:
    """Daily medians of each channel."""
    values: dict[int | None, dict[int, list[float]]] = {}
    for row in rows:
        if row.swr is not None:
            of_channel = values.setdefault(row.channel, {})
            of_channel.setdefault(row.start_ns // DAY_NS, []).append(row.swr)
    series = []
    for channel, days in values.items():
        day = np.array(sorted(days), dtype=np.int64)
        ones = np.ones(len(day), dtype=np.int64)
        swr = np.array([np.median(days[number]) for number in day.tolist()])
        series.append(Days(channel, None, day, swr, 0.0 * swr, ones, 4.0 * ones, 0 * ones))
    return series


def states(rows: list[Transmission]) -> tuple[bool, bool]:
    """True if a changing loss is told: as `report` does, and as if the coupler did not wander."""
    series = daily(rows)
    balance_u_db = max(separate(days, {})[1].balance_slope_u_db for days in series)
    found = [station_state(series, (), u_db) for u_db in (balance_u_db, 0.0)]
    told, naive = (state is not None and state.verdict in ("loss", "both") for state in found)
    return told, naive


def most_blame(rows: list[Transmission]) -> tuple[float, Counter[str]]:
    """Highest odds of a fault of line or antenna in all reviews of a station, and first causes."""
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
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--wander", type=float, default=1.0, help="dB a year")
    options = parser.parse_args()
    worst, causes, losses = [], Counter[str](), []
    for seed in range(options.first_seed, options.first_seed + options.stations):
        rows = transmission_rows(wandering(seed, options.wander))
        blame, own = most_blame(rows)
        worst.append(blame)
        causes += own
        losses.append(states(rows))
    told = sum(blame > MOST_LINE_BLAME for blame in worst)
    print(
        f"{options.stations} sound stations, {YEARS} years, coupler {options.wander:g} dB a year:"
        f" a fault of line or antenna above {MOST_LINE_BLAME} on {told}; reviews {dict(causes)}"
    )
    claims, naive = np.sum(losses, axis=0)
    print(f"the report states a changing loss on {claims}; if it trusted the coupler, on {naive}")


if __name__ == "__main__":
    main()
