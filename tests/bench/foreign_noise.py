"""Prints false excursions and alarms of sound stations whose converters hide their noise.

A grid over converters of 8, 10, 12 and 16 bits, zeros from -3 to +5 LSB, noise of 0.2 to 3 LSB,
reflections of 0 to 0.3, in FM, AM and SSB, sampled evenly. Stations, detectors and converters are
those of `tests/foreign_stations`; calibrations are by `calibrate fit` from bench points read by the
same converter. Detectors follow within FASTEST_S to SLOWEST_S: slower ones are another matter.

python -m tests.bench.foreign_noise [--cells 36] [--hours 10] [--seed 1] [--detail]
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from logger.calibration.coupler import Coupler
from logger.calibration.file import load
from logger.config import StationOptions
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Excursion, Row
from tests.foreign_stations import (
    EPOCH_NS,
    Converter,
    Detector,
    Over,
    Station,
    blocks,
    draw_station,
    fit_calibration,
    render,
)
from tests.station_model.pipeline import Settings

BITS, ZEROS_LSB = (8, 10, 12, 16), (-3.0, 5.0)
NOISES_LSB, REFLECTIONS = (0.2, 3.0), (0.0, 0.3)
MODES = ("fm", "am", "ssb")
POWERS_W = (1.0, 2.0, 4.0)
FASTEST_S, SLOWEST_S = 0.2e-3, 2e-3
RECORD_S = 300.0  # rendered at once: longer ones do not fit the cache
RATE_HZ = 200.0
MOST_AN_HOUR = 0.1


@dataclass(frozen=True)
class Cell:
    """One point of the grid."""

    bits: int
    zero_lsb: float
    noise_lsb: float
    reflection: float
    mode: str
    seed: int

    def __str__(self) -> str:
        return (
            f"{self.bits:2d} bit, zero {self.zero_lsb:+.1f}, noise {self.noise_lsb:.2f} LSB,"
            f" |Gamma| {self.reflection:.2f}, {self.mode}"
        )


@dataclass
class Outcome:
    """What the product made of one or more cells."""

    hours: float = 0.0
    excursions: int = 0
    alarms: Counter[str] = field(default_factory=Counter)

    def add(self, other: Outcome) -> None:
        """Count another cell in."""
        self.hours += other.hours
        self.excursions += other.excursions
        self.alarms.update(other.alarms)

    def __str__(self) -> str:
        alarms = ", ".join(f"{n} {kind}" for kind, n in sorted(self.alarms.items())) or "none"
        return f"{self.hours:6.1f} h, {self.excursions:4d} false excursions, alarms: {alarms}"


def draw_cells(count: int, seed: int) -> list[Cell]:
    """Return cells that fill the grid evenly: each axis has a sequence of its own."""
    rng = np.random.default_rng(seed)
    places = (np.argsort(rng.random((3, count)), axis=1) + rng.random((3, count))) / count
    cells = []
    for number in range(count):
        zero, noise, reflection = places[:, number]
        low, high = np.log(NOISES_LSB)
        cells.append(
            Cell(
                BITS[number % len(BITS)],
                float(ZEROS_LSB[0] + zero * (ZEROS_LSB[1] - ZEROS_LSB[0])),
                float(math.exp(low + noise * (high - low))),
                # Half of them hardly reflect anything.
                float(REFLECTIONS[1] * max(2 * reflection - 1, 0.05 * reflection)),
                MODES[number // len(BITS) % len(MODES)],
                1000 * seed + number,
            )
        )
    return cells


def make_station(cell: Cell) -> Station:
    """Return the station of a cell: everything else is drawn."""
    rng = np.random.default_rng([5, cell.seed])
    converter = Converter(
        bits=cell.bits,
        offset_lsb=(float(cell.zero_lsb), float(cell.zero_lsb)),
        noise_lsb=cell.noise_lsb,
        decimals=None if cell.seed % 3 else 5 if cell.bits == 16 else 4,
        reports_step=bool(cell.seed % 3),
    )
    station = draw_station(
        cell.seed,
        converter=converter,
        rate_hz=RATE_HZ,
        modes=(cell.mode,),
        highest_w=15.0 if cell.mode == "am" else 5.0,  # the crests of AM count
    )
    decay_s = float(np.exp(rng.uniform(*np.log((FASTEST_S, SLOWEST_S)))))

    def quick(detector: Detector) -> Detector:
        return replace(detector, attack_s=0.5 * decay_s, decay_s=decay_s)

    load = replace(
        station.load,
        at_middle=complex(cell.reflection * np.exp(1j * rng.uniform(0, 2 * np.pi))),
        per_channel=0.0,
    )
    leak = station.coupler.leak_reflected
    coupler = replace(station.coupler, leak_reflected=leak * min(1.0, 0.02 / abs(leak)))
    return replace(
        station,
        load=load,
        coupler=coupler,
        forward=quick(station.forward),
        reflected=quick(station.reflected),
        channels=(20,),
        jitter_s=0.0,
        skew_s=0.0,
    )


def draw_overs(rng: np.random.Generator, mode: str, span_s: float) -> list[Over]:
    """Return overs of seconds to a minute with pauses, filling most of the span."""
    overs, now_s = [], 20.0
    power_w = float(rng.choice(POWERS_W))
    while True:
        length_s = float(np.clip(rng.lognormal(2.5, 0.8), 2.0, 60.0))
        if now_s + length_s > span_s - 5.0:
            return overs
        if rng.random() < 0.1:
            power_w = float(rng.choice(POWERS_W))
        overs.append(Over(now_s, length_s, mode, power_w, voice=int(rng.integers(6))))
        now_s += length_s + float(rng.uniform(2.0, 8.0))


def calibrate(station: Station) -> Coupler:
    """Return the station's calibration by the product's own fit."""
    with tempfile.TemporaryDirectory() as folder:
        return Coupler(load(fit_calibration(station, Path(folder))))


def play(
    station: Station, mode: str, hours: float, seed: int
) -> Iterator[tuple[Row | None, float]]:
    """Yield the rows of so many hours on the air, and seconds on the air meanwhile."""
    pipeline = Pipeline(Settings(station=StationOptions(channel=20)), calibrate(station))
    on_air_s, number = 0.0, 0
    while on_air_s < 3600 * hours:
        rng = np.random.default_rng([7, seed, number])
        span_s = min(RECORD_S, 3600 * hours - on_air_s + 60.0)
        overs = draw_overs(rng, mode, span_s)
        start_ns = EPOCH_NS + round(number * RECORD_S * 1e9)
        record = render(
            station, overs, seed=seed + number, start_ns=start_ns, idle_s=0, span_s=(0.0, span_s)
        )
        for block in blocks(station, record):
            for row in pipeline.process(block):
                yield row, 0.0
        keyed_s = sum(over.duration_s for over in overs)
        on_air_s += keyed_s
        number += 1
        yield None, keyed_s
    for row in pipeline.finish():
        yield row, 0.0


def run(cell: Cell, hours: float, *, detail: bool = False) -> Outcome:
    """Play a cell for so many hours on the air."""
    outcome = Outcome()
    for row, keyed_s in play(make_station(cell), cell.mode, hours, cell.seed):
        outcome.hours += keyed_s / 3600
        if isinstance(row, Excursion):
            outcome.excursions += 1
        elif isinstance(row, AlarmChange) and row.change == "raised":
            outcome.alarms[row.kind] += 1
        if detail and isinstance(row, Excursion | AlarmChange):
            print("     ", row)
    return outcome


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--cells", type=int, default=36)
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of cells to run")
    parser.add_argument("--detail", action="store_true", help="print each false row")
    args = parser.parse_args()
    classes: dict[str, Outcome] = defaultdict(Outcome)
    worst = 0.0
    for number, cell in enumerate(draw_cells(args.cells, args.seed)):
        if args.only and number not in args.only:
            continue
        outcome = run(cell, args.hours, detail=args.detail)
        print(f"{number:3d} {cell}: {outcome}", flush=True)
        worst = max(worst, outcome.excursions / max(outcome.hours, 1e-9))
        for name in (f"{cell.bits} bit", cell.mode, "all"):
            classes[name].add(outcome)
    for name, outcome in classes.items():
        print(f"{name:8} {outcome}")
    total = classes["all"]
    met = total.excursions <= MOST_AN_HOUR * total.hours and not total.alarms
    print(
        f"bar: {MOST_AN_HOUR:g} false excursions an hour on the air, no alarm:"
        f" {'met' if met else 'MISSED'}; worst cell {worst:.2g} an hour"
    )


if __name__ == "__main__":
    main()
