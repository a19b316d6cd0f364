"""SWR intervals of couplers calibrated on imperfect loads: coverage, and width beside an oracle.

    python -m tests.bench.imperfect [--worlds N] [--readings N] [--first-world N] [--without-oracle]
        [part of a name...]

Worlds are those of `tests.imperfect_bench`; the shack is up to 15 degrees from the bench. Power
0.5 to 4 W, SWR 1 to 5, log-uniform, each reading a mean of 200 pairs. The oracle knows the
distributions, the detectors' laws at the bench, and what the bench read: its interval is that of
the true reflection among the readings of many other worlds that are most like this one in leak
measured at the bench, reflection read and power; their loads reach to SWR 30, so that it takes no
width from knowing where those to be read end. It never needs a fit, nor doubts a detector, so
that widths beside it compare calibrations of several powers; those of one power are wider. It takes
a minute or two to make; where only coverage is asked for, leave it out.

`energy` is the share of intervals of the incident energy that hold the truth.
"""

from __future__ import annotations

import argparse
import itertools
import time
from typing import Any, NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from logger.blocks import Noise
from logger.calibration import bench_points
from logger.calibration.coupler import Coupler
from logger.calibration.file import Assumptions
from logger.calibration.fit import fit
from logger.stages.totals import SUMS, Sums
from logger.stages.transmission_rows import bounds, energy_bounds
from tests import imperfect_bench as bench

POWERS_W = (0.1, 0.3, 1.0, 2.0, 4.0)
DIRECTIVITIES_DB = (15.0, 20.0, 25.0, 30.0, 35.0, 40.0)
USUAL = Assumptions()
ROOM_C = 15.0  # the shack's range
PAIRS = 200
HIGHEST_SWR = 5.0
ORACLE_SWR = 30.0  # the oracle does not know where the loads to be read end
ORACLE_WORLDS, ORACLE_READINGS, NEIGHBOURS = 1800, 150, 500
SWR_BINS = (1.0, 1.2, 1.5, 2.0, 3.0, 5.0)
LEAST_COVERAGE, HIGHEST_WIDTH = 0.94, 1.3


class Readings(NamedTuple):
    """Readings of one world, each (n,), and its leak at the bench."""

    watts: bench.Floats
    rho: bench.Floats
    forward_v: bench.Floats
    reflected_v: bench.Floats
    leak: float


def play(
    world: bench.World,
    seed: int,
    count: int,
    lowest_w: float = 0.5,
    highest_swr: float = HIGHEST_SWR,
) -> Readings:
    """Random loads, powers and temperatures."""
    rng = np.random.default_rng([seed, 73])
    watts = np.exp(rng.uniform(np.log(lowest_w), np.log(4.0), count))
    swr = np.exp(rng.uniform(0, np.log(highest_swr), count))
    rho = (swr - 1) / (swr + 1)
    gamma = rho * np.exp(2j * np.pi * rng.random(count))
    echo = rng.uniform(0.5, 1.0, count) * np.exp(2j * np.pi * rng.random(count))
    warmer = rng.uniform(-ROOM_C, ROOM_C, count)
    volts = world.hear(watts, gamma, echo, warmer)
    forward, reflected = bench.convert(rng, volts, PAIRS)
    return Readings(watts, rho, forward, reflected, abs(world.leak + world.load))


def judged(coupler: Coupler, readings: Readings) -> tuple[bench.Floats, bench.Floats, bench.Floats]:
    """The product's interval of the SWR, NaN where it states none; mask of true energies held.

    All are (n,).
    """
    count = np.full(len(readings.rho), float(PAIRS))
    forward_w = coupler.watts("forward", readings.forward_v, {})
    reflected_w = coupler.watts("reflected", readings.reflected_v, {})
    sums = np.zeros((SUMS, len(count)))
    means = (forward_w, reflected_w, readings.forward_v, readings.reflected_v)
    totals = Sums(*sums)
    for place in (0, 5):
        sums[place] = count
        sums[place + 1 : place + 5] = np.array(means) * count
    spread = coupler.reflected.slope(readings.reflected_v) * bench.NOISE_V
    for name, value in (
        ("settled_ff", forward_w**2),
        ("settled_fr", forward_w * reflected_w),
        ("settled_rr", reflected_w**2 + spread**2),
        ("energy_j", forward_w),  # of a second
    ):
        sums[totals._fields.index(name)] = value * count
    zero_u_v = bench.NOISE_V / 20
    noise = Noise((bench.NOISE_V,) * 2, (zero_u_v,) * 2)
    figures, _ = bounds(coupler, noise, sums, np.zeros(len(count), dtype=int))
    low_j, high_j = energy_bounds(coupler, sums, np.zeros(len(count), dtype=bool))
    low_j, high_j = low_j / PAIRS, high_j / PAIRS
    return figures[1], figures[2], (low_j <= readings.watts) & (readings.watts <= high_j)


class Oracle:
    """Intervals from many other worlds."""

    def __init__(self, seed: int, **draws: Any) -> None:
        parts, targets = [], []
        for number in range(ORACLE_WORLDS):
            own = 10_000_000 + seed + number
            directivity = DIRECTIVITIES_DB[number % len(DIRECTIVITIES_DB)]
            world = bench.draw_world(own, directivity, **draws)
            readings = play(world, own, ORACLE_READINGS, highest_swr=ORACLE_SWR)
            place, read = self._place(world, readings)
            parts.append(place)
            targets.append(readings.rho - read)
        self._tree, self._miss = cKDTree(np.concatenate(parts)), np.concatenate(targets)

    @staticmethod
    def _place(world: bench.World, readings: Readings) -> tuple[bench.Floats, bench.Floats]:
        """Coordinates of readings, (n, 3), and the reflection read by the true laws."""
        grid = np.geomspace(1e-7, 40.0, 250)
        powers = []
        for detector, zero, volts in zip(
            (world.forward, world.reflected),
            world.zeros_v,
            (readings.forward_v, readings.reflected_v),
            strict=True,
        ):
            waves = np.zeros((3, len(grid)), dtype=complex)
            waves[0] = np.sqrt(grid)
            powers.append(np.interp(volts - zero, detector.volts(waves), grid))
        read = np.sqrt(powers[1] / powers[0])
        place = (
            np.full(len(read), np.log(max(readings.leak, 1e-3)) / 0.2),
            np.log(read + 0.05) / 0.05,
            np.log(readings.watts) / 0.6,
        )
        return np.stack(place, axis=1), read

    def interval(self, world: bench.World, readings: Readings) -> tuple[bench.Floats, bench.Floats]:
        """Of the SWR, (n,) each."""
        place, read = self._place(world, readings)
        near = self._tree.query(place, k=NEIGHBOURS)[1]
        low, high = np.quantile(self._miss[near], (0.025, 0.975), axis=1)
        return tuple(
            (1 + rho) / (1 - rho)
            for rho in (np.clip(read + low, 0, 0.99), np.clip(read + high, 0, 0.99))
        )


def calibrate(
    world: bench.World,
    seed: int,
    rows: list[bench.Row],
    assumptions: Assumptions = USUAL,
) -> Coupler:
    """The product's coupler from bench points of these rows, in a shack of that range."""
    points = bench_points.parse(bench.csv_text(world, rows, seed), "points.csv")
    return Coupler(fit(points, assumptions=assumptions).content, temperature_range_c=ROOM_C)


def line(
    name: str,
    swr: bench.Floats,
    low: bench.Floats,
    high: bench.Floats,
    width: bench.Floats,
    energy: bench.Floats,
    highest_width: float = HIGHEST_WIDTH,
) -> bool:
    """Print a line of figures; whether it holds the bars."""
    held = float(np.mean((low <= swr) & (swr <= high)))
    middle = float(np.median(width))
    print(
        f"  {name:<24}{len(swr):6d}  {held:.3f}   {np.median(high - low):.3f}   {middle:.2f}"
        f"    {energy.mean():.3f}",
        flush=True,
    )
    return held >= LEAST_COVERAGE and not middle > highest_width


class Case(NamedTuple):
    """A kind of calibration to be judged."""

    name: str
    directivities_db: tuple[float, ...]
    rows: tuple[bench.Row, ...]
    detector: str | None = None  # stated, and the true one; None: unknown, in truth schottky
    states_load: bool = False
    trimmed: bool = False
    lowest_w: float = 0.5
    judges_width: bool = True  # the oracle knows as little; otherwise widths have no bar


USUAL_ROWS = tuple(bench.Row(name, watts) for name in ("matched", "reversed") for watts in POWERS_W)
FURTHER_ROWS = (
    *USUAL_ROWS,
    bench.Row("matched", 4.0, load="second"),
    bench.Row("matched", 4.0, line_deg=45.0),
    bench.Row("matched", 4.0, line_deg=90.0),
)
ONE = (bench.Row("matched", 4.0),)
TURNED = (*ONE, bench.Row("reversed", 4.0))
ATTENUATED = (*TURNED, bench.Row("matched", 0.4, attenuation_db=10.0))
EVERY_DB = (20.0, 25.0, 30.0, 35.0)
CASES = (
    *(Case(f"directivity {db:g} dB", (db,), USUAL_ROWS) for db in DIRECTIVITIES_DB),
    *(
        Case(f"  load stated, {db:g} dB", (db,), USUAL_ROWS, states_load=True)
        for db in (20.0, 30.0, 40.0)
    ),
    Case("trimmed on its load", (25.0,), USUAL_ROWS, trimmed=True, judges_width=False),
    Case("second load, two lines", EVERY_DB, FURTHER_ROWS),
    Case("one power, unknown diode", EVERY_DB, ONE, lowest_w=2.0, judges_width=False),
    *(
        Case(
            f"one power, {kind}", EVERY_DB, TURNED, detector=kind, lowest_w=2.0, judges_width=False
        )
        for kind in bench.DETECTORS
    ),
    Case(
        "low and high switch",
        EVERY_DB,
        (*TURNED, bench.Row("matched", 1.0)),
        lowest_w=1.0,
        judges_width=False,
    ),
    Case("a 10 dB attenuator", EVERY_DB, ATTENUATED, judges_width=False),
)


def group(case: Case, oracle: Oracle | None, worlds: range, count: int) -> bool:
    """Play one case and print it; whether it holds the bars. Without oracle widths are NaN."""
    parts: list[list[bench.Floats]] = []
    for number in worlds:
        directivity_db = case.directivities_db[number % len(case.directivities_db)]
        seed = 1000 * round(directivity_db) + number
        world = bench.draw_world(
            seed, directivity_db, trimmed=case.trimmed, kind=case.detector or "schottky"
        )
        values: dict[str, Any] = {}
        if case.states_load:
            values["load_return_loss_db"] = float(np.floor(-20 * np.log10(abs(world.load))))
        if case.detector:
            values["detector"] = case.detector
        coupler = calibrate(
            world, seed, list(case.rows), Assumptions(**values, stated=list(values))
        )
        readings = play(world, seed, count, lowest_w=case.lowest_w)
        swr = (1 + readings.rho) / (1 - readings.rho)
        low, high, energy = judged(coupler, readings)
        width = np.full(len(swr), np.nan)
        if oracle is not None:
            ideal_low, ideal_high = oracle.interval(world, readings)
            width = (high - low) / (ideal_high - ideal_low)
        parts.append([swr, low, high, width, energy])
    swr, low, high, width, energy = (np.concatenate(part) for part in zip(*parts, strict=True))
    passed = line(
        case.name, swr, low, high, width, energy, HIGHEST_WIDTH if case.judges_width else np.inf
    )
    for begin, end in itertools.pairwise(SWR_BINS):
        mask = (swr >= begin) & (swr < end)
        line(
            f"    SWR {begin:g} to {end:g}",
            swr[mask],
            low[mask],
            high[mask],
            width[mask],
            energy[mask],
        )
    return passed


def main() -> None:
    """Run the cases whose name contains one of the names given, or all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", help="parts of names of cases; all without any")
    parser.add_argument("--worlds", type=int, default=24, help="of each case")
    parser.add_argument("--first-world", type=int, default=0)
    parser.add_argument("--readings", type=int, default=60, help="of each world")
    parser.add_argument("--without-oracle", action="store_true", help="no widths beside it")
    options = parser.parse_args()
    begin = time.perf_counter()
    print("                          loads  held   width   over the oracle's (medians)  energy")
    oracle = None if options.without_oracle else Oracle(0)
    worlds = range(options.first_world, options.first_world + options.worlds)
    names = options.names or [""]
    missed = [
        case.name
        for case in CASES
        if any(name in case.name for name in names)
        and not group(case, oracle, worlds, options.readings)
    ]
    print(f"{time.perf_counter() - begin:.0f} s; bars missed: {', '.join(missed) or 'none'}")


if __name__ == "__main__":
    main()
