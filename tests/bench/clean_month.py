"""Prints every alarm that clean but lively traffic raises at one false alarm a year (none, it
should), and the excursions that were noted.

Three modes, five channels, two hours a day on the air at 200 pairs/s from the model of a station
in `tests/station_model`: wind, key edges, changes of channel and of power between overs, drift of
temperature, the mains' hum of 5 LSB on both detector lines. Each day goes through the one pipeline
of the whole run; idle time is thinned to a pair in five seconds.

python -m tests.bench.clean_month [--days 30] [--seed 1] [--sway 0.1] [--hum 5] [--stations 1]

`--days 365` tells the false alarms of a year. With several stations each has its own run.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from logger.calibration.coupler import Coupler
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Row, Samples, Transmission
from logger.store.tables import EXCURSIONS
from logger.store.writer import StoreWriter
from tests.station_model import Station, fitted, random_station, random_traffic
from tests.station_model.pipeline import Settings, blocks
from tests.station_model.station import DAY_S, EPOCH_NS, KHZ

KEYED_S = 7200.0
SHOWN_EXCURSIONS = 20


def run(days: int, seed: int, sway: float, hum_lsb: float, folder: Path) -> Counter[str]:
    """One station; prints as it goes and returns the counts."""
    rng = np.random.default_rng(seed)
    station = random_station(rng, sway=sway, hum_lsb=hum_lsb)
    content = fitted(station.coupler, rng)
    pipeline = Pipeline(Settings(), Coupler(content))
    store = StoreWriter.open(folder / f"{seed}.sqlite")
    counts: Counter[str] = Counter()
    made_s = piped_s = 0.0
    print(
        f"station {seed}: {station.line.length_m:.0f} m of {station.line.cable},"
        f" SWR {min(_swr(station)):.2f} to {max(_swr(station)):.2f},"
        f" reads from {station.floor_w:.2f} W, detectors {1e3 * station.decay_s:.2f} ms"
    )
    for day in range(days):
        begun = time.perf_counter()
        since_s = day * DAY_S
        overs = random_traffic(rng, since_s, DAY_S, KEYED_S, list(KHZ))
        overs = [over for over in overs if over.end_s < since_s + DAY_S - 5.0]
        record = station.record(rng, overs, since_s=since_s, until_s=since_s + DAY_S)
        made_s += time.perf_counter() - begun
        counts["pairs"] += len(record)
        counts["keyed pairs"] += int(record.keyed.sum())
        counts["overs"] += len(overs)
        begun = time.perf_counter()
        rows: list[Row] = []
        for block in blocks(station, record):
            rows += pipeline.process(block)
        if day == days - 1:
            rows += pipeline.finish()
        piped_s += time.perf_counter() - begun
        counts.update(_told(rows))
        # Raw pairs would fill the folder and are no matter here.
        store.write([row for row in rows if not isinstance(row, Samples)])
    for count, shown in enumerate(store.records(EXCURSIONS, 0, 2**62)):
        counts["excursions in the store"] += 1
        if count < SHOWN_EXCURSIONS:
            print(f"  excursion: {shown}")
    store.close()
    for name, count in sorted(counts.items()):
        print(f"  {count:>12,} {name}")
    print(f"  {made_s:.1f} s to make, {piped_s:.1f} s in the pipeline")
    return counts


def _swr(station: Station) -> list[float]:
    sizes = [abs(station.gamma(khz)) for khz in KHZ.values()]
    return [(1 + size) / (1 - size) for size in sizes]


def _told(rows: list[Row]) -> Counter[str]:
    counts: Counter[str] = Counter()
    for row in rows:
        if isinstance(row, AlarmChange):
            at = datetime.fromtimestamp(row.time_ns / 1e9, UTC)
            day = (row.time_ns - EPOCH_NS) / 1e9 / DAY_S
            print(f"  day {day:.4f} ({at:%H:%M:%S.%f}): {row.kind} {row.change}: {row.detail}")
            counts[f"alarms: {row.kind} {row.change}"] += 1
        elif isinstance(row, Transmission):
            counts["transmissions"] += row.ended
    return counts


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stations", type=int, default=1)
    parser.add_argument("--sway", type=float, default=0.1)
    parser.add_argument("--hum", type=float, default=5.0)
    args = parser.parse_args()
    total: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(args.seed, args.seed + args.stations):
            total += run(args.days, seed, args.sway, args.hum, Path(folder))
    raised = sum(n for name, n in total.items() if name.endswith(" raised"))
    years = args.days * args.stations / 365
    print(
        f"{raised} alarms raised in {args.days * args.stations} days: {raised / years:.2g} a year"
    )


if __name__ == "__main__":
    main()
