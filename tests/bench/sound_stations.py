"""Sound stations of four kinds: is a fault of line or antenna told?

    python -m tests.bench.sound_stations [--stations 30] [--first-seed N] [--kind NAME] [--show]

cooling shack       four weeks, over the last two the shack cools by 12 °C (`tests.foreign_shacks`)
five bands          two years, an antenna for each of five bands (`tests.bench.bands`)
two antennas        two years, on the same three channels (likewise)
wandering coupler   two years of `tests.foreign_years` with season and scatter, without steps, slope
                    and ice; the balance of the coupler walks at random, 1 dB in a year

The rules see every transmission of the years; the rows are stored, and each alarm
`baseline-shift` is diagnosed from the store as the daemon does two days after it. The shack is
diagnosed on each day since it began to cool. Of the wandering couplers, the state of antenna and
line is estimated as well from all of the readings as `report` does, without checks of the coupler
and as if none were needed.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from logger.calibration.file import dump
from logger.config.load import WatchdogOptions
from logger.daily import Days
from logger.diagnosis.alarms import diagnosis_at
from logger.diagnosis.evidence import gather
from logger.diagnosis.scoring import Diagnosis, diagnose
from logger.rows import Row, Transmission
from logger.store.writer import StoreWriter
from logger.trend.instrument import separate
from logger.trend.station_state import station_state
from logger.utc import DAY_NS
from logger.watchdog import Watchdog, baseline_shift
from tests.bench.bands import five_bands, two_antennas
from tests.bench.foreign_causes import MOST_LINE_BLAME, line_blame
from tests.foreign_shacks import AFTER, BEFORE, DIODES, EPOCH_NS, Diode, calibrate, render
from tests.foreign_years import History as Years
from tests.foreign_years import make_years, transmission_rows

YEARS = 2
DAYS = 365 * YEARS
REVIEWED_NS = 2 * DAY_NS
WANDER_DB = 1.0  # standard deviation after a year
BAR = 0.98  # of the stations are never told a fault of line or antenna


def wandering(seed: int) -> Years:
    """A sound station, read by a coupler whose balance walks."""
    years = make_years(seed, years=YEARS, channels=3, slope=0.0, steps=0, growth=0.0, weather=0.0)
    rng = np.random.default_rng([77, seed])
    walk = np.cumsum(rng.normal(0, WANDER_DB / np.sqrt(365.25), years.days + 1))
    day = ((years.times_ns - years.start_ns) // DAY_NS).astype(int)
    gain = 10 ** (walk[np.minimum(day, years.days)] / 20)

    def moved(swr: np.ndarray) -> np.ndarray:
        rho = np.minimum((swr - 1) / (swr + 1) * gain, 0.95)
        return np.asarray((1 + rho) / (1 - rho))

    names = ("swr", "low", "high", "noise_low", "noise_high", "quiet")
    return replace(years, **{name: moved(getattr(years, name)) for name in names})


def judge(rows: Sequence[Transmission], folder: Path) -> Iterator[Diagnosis]:
    """Diagnose the alarms of a station."""
    guard = Watchdog(WatchdogOptions())
    calibration = calibrate(Diode(*DIODES["germanium"], load_ohm=22e3, doubling_c=10.0), 1.0)
    with StoreWriter.open(folder / "station.sqlite") as store:
        store.insert_calibration(rows[0].calibration_id, dump(calibration))
        written: list[Row] = []
        raised = []
        for row in rows:
            changes = list(guard.rows([row]))
            written += [row, *changes]
            raised += [
                change.time_ns
                for change in changes
                if change.kind == baseline_shift.KIND and change.change == "raised"
            ]
        store.write(written)
        for time_ns in raised:
            yield diagnosis_at(store, time_ns, time_ns + REVIEWED_NS)


def cooling_shack(seed: int, _: Path) -> Iterator[Diagnosis]:
    """Diagnose a station on each day since its shack cools."""
    history = render(seed, warmer_c=-12.0)
    for day in range(AFTER):
        yield diagnose(gather(history, EPOCH_NS + (BEFORE + day) * DAY_NS))


KINDS: dict[str, Callable[[int, Path], Iterator[Diagnosis]]] = {
    "cooling shack": cooling_shack,
    "five bands": lambda seed, folder: judge(
        five_bands(np.random.default_rng([7, seed]), DAYS), folder
    ),
    "two antennas": lambda seed, folder: judge(
        two_antennas(np.random.default_rng([8, seed]), DAYS), folder
    ),
    "wandering coupler": lambda seed, folder: judge(transmission_rows(wandering(seed)), folder),
}


def daily(rows: Sequence[Transmission]) -> list[Days]:
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


def states(rows: Sequence[Transmission]) -> tuple[bool, bool]:
    """True if a changing loss is told: as `report` does, and as if the coupler did not wander."""
    series = daily(rows)
    balance_u_db = max(separate(days, {})[1].balance_slope_u_db for days in series)
    found = [station_state(series, (), u_db) for u_db in (balance_u_db, 0.0)]
    told, naive = (state is not None and state.verdict in ("loss", "both") for state in found)
    return told, naive


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stations", type=int, default=30, help="of each kind")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--kind", choices=list(KINDS))
    parser.add_argument("--show", action="store_true", help="a line for each diagnosis that blames")
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.stations)
    begin, told, total = time.perf_counter(), 0, 0
    for kind, diagnoses in KINDS.items():
        if options.kind not in (None, kind):
            continue
        blames, first = [], Counter[str]()
        for seed in seeds:
            worst = 0.0
            with tempfile.TemporaryDirectory() as folder:
                for diagnosis in diagnoses(seed, Path(folder)):
                    blame = line_blame(diagnosis.odds)
                    worst = max(worst, blame)
                    first[diagnosis.causes[0].name] += 1
                    if options.show and blame > MOST_LINE_BLAME:
                        print(f"{kind} {seed}: {diagnosis.odds}", flush=True)
            blames.append(worst)
        count = sum(blame > MOST_LINE_BLAME for blame in blames)
        told, total = told + count, total + len(blames)
        print(
            f"{kind}: line or antenna blamed above {MOST_LINE_BLAME} on {count} of"
            f" {len(blames)}; diagnoses {dict(first)}",
            flush=True,
        )
    passed = told <= (1 - BAR) * total
    print(f"all: {told} of {total}, bar {'held' if passed else 'MISSED'}")
    if options.kind in (None, "wandering coupler"):
        losses = [states(transmission_rows(wandering(seed))) for seed in seeds]
        claims, naive = np.sum(losses, axis=0)
        print(f"the report states a changing loss on {claims}; without that doubt, on {naive}")
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
