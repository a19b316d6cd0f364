"""Prints what slow detectors do to SWR, energy and alarms of sound stations of constant SWR.

Discharge time constants from 0.5 to 200 ms, attacks from 0.1 to 5 ms, in FM, AM, SSB, two-tone and
CW, on the stations of `tests/foreign_stations` with a calibration by `calibrate fit`. By class: the
highest `swr_max` beside the true SWR, the part of transmissions within 10 % of SWR-1 plus 0.05, the
error of the energy with and without the flag `envelope`, how often its interval holds the truth and
how wide it is where flagged (median of upper over lower end), excursions and alarms (all false).
The first over of a station, before any key-up has told the discharge, is counted in.

    python -m tests.bench.slow_detectors [--cells 60] [--minutes 4] [--seed 1] [--mode ssb]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from logger.calibration.coupler import Coupler
from logger.calibration.file import load
from logger.config.load import StationOptions
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Excursion, Flag, Row, Transmission
from tests.foreign_stations import (
    Converter,
    Over,
    Record,
    Station,
    bench_points,
    blocks,
    draw_station,
    render,
    write_points,
)
from tests.station_model.pipeline import Settings

DECAYS_S = (0.5e-3, 2e-3, 5e-3, 10e-3, 47e-3, 200e-3)
ATTACKS_S = (1e-4, 5e-3)
MODES = ("fm", "am", "ssb", "two-tone", "cw")
RATES_HZ = (100.0, 200.0, 500.0, 1000.0)
SWRS = (1.3, 1.5, 2.0, 2.5)
AM_PEAK = 3.5  # peak power over that of the carrier
TRUE_ALARMS = ("high-reflected-power",)  # where a strong station's SWR is 2 and more
MOST_ERROR = 0.1  # of the energy where it is not flagged


@dataclass
class Outcome:
    """What the product made of one or more cells."""

    within: list[bool] = field(default_factory=list)
    excess: float = 0.0  # of the highest SWR over its bound
    flagged: list[float] = field(default_factory=list)  # errors of energy
    unflagged: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)  # the truth, by the interval of energy
    widths: list[float] = field(default_factory=list)  # of that interval where flagged
    excursions: int = 0
    alarms: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0

    def add(self, other: Outcome) -> None:
        """Count another cell in."""
        self.within += other.within
        self.excess = max(self.excess, other.excess)
        self.flagged += other.flagged
        self.unflagged += other.unflagged
        self.held += other.held
        self.widths += other.widths
        self.excursions += other.excursions
        self.alarms.update(other.alarms)
        self.seconds += other.seconds

    def __str__(self) -> str:
        alarms = ", ".join(f"{n} {kind}" for kind, n in sorted(self.alarms.items())) or "none"
        return (
            f"{self.seconds / 60:6.1f} min  swr_max within {np.mean(self.within):4.0%}, worst"
            f" {self.excess:+.2f}  energy unflagged {_errors(self.unflagged)},"
            f" flagged {_errors(self.flagged)}, held {np.mean(self.held):.0%}"
            f" (x {np.median(self.widths or [1.0]):.1f})"
            f"  {self.excursions} excursions, alarms: {alarms}"
        )


def _errors(errors: Sequence[float]) -> str:
    if not errors:
        return "-"
    return f"{min(errors):+.0%}..{max(errors):+.0%} ({len(errors)})"


def draw_cell(number: int, mode: str, decay_s: float, seed: int) -> tuple[Station, float]:
    """Return a station of constant SWR whose detectors have about this discharge, and its SWR."""
    rng = np.random.default_rng([9, seed, number])
    converter = Converter(bits=12 if number % 2 else 10, noise_lsb=0.5, offset_lsb=(2.0, 2.0))
    rate_hz = float(rng.choice(RATES_HZ))
    station = draw_station(
        1000 * seed + number, converter=converter, rate_hz=rate_hz, modes=(mode,), jitter_s=0.0
    )
    attack_s = min(float(np.exp(rng.uniform(*np.log(ATTACKS_S)))), decay_s)
    forward = replace(station.forward, attack_s=attack_s, decay_s=decay_s)
    reflected = replace(
        station.reflected,
        attack_s=attack_s * float(rng.uniform(0.8, 1.25)),
        decay_s=decay_s * float(rng.uniform(0.8, 1.25)),
    )
    swr = float(rng.choice(SWRS))
    turn = np.exp(1j * rng.uniform(0, 2 * np.pi))
    load_ = replace(
        station.load,
        at_middle=complex((swr - 1) / (swr + 1) * turn),
        per_channel=0.0,
        per_degree=0.0,
        wind=0.0,
    )
    coupler = replace(station.coupler, leak_forward=0.003, leak_reflected=0.003)
    return replace(
        station,
        forward=forward,
        reflected=reflected,
        load=load_,
        coupler=coupler,
        channels=(20,),
    ), swr


def calibrate(station: Station) -> Coupler:
    """Return the calibration by the product's own fit, from good instruments."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        points = bench_points(station, dummy_load=0.001, meter_error=0.002)
        path = write_points(points, folder / "points.csv")
        output = folder / "coupler.yaml"
        converter = station.converter
        command = [sys.executable, "-m", "logger.cli", "calibrate", "fit", str(path)]
        command += ["-o", str(output), "--step-v", f"{converter.lsb_v:.9f}"]
        command += ["--full-scale-v", f"{converter.reference_v}"]
        result = subprocess.run(command, capture_output=True, text=True, timeout=120)
        if not output.exists():
            raise RuntimeError(result.stderr)
        return Coupler(load(output))


def draw_overs(rng: np.random.Generator, mode: str, power_w: float, span_s: float) -> list[Over]:
    """Return overs of 2 to 20 s with pauses that fill the span."""
    overs, now_s = [], 5.0
    while now_s < span_s - 10.0:
        length_s = float(np.clip(rng.lognormal(2, 0.7), 2, 20))
        overs.append(Over(now_s, length_s, mode, power_w, voice=int(rng.integers(6))))
        now_s += length_s + float(rng.uniform(3, 8))
    return overs


def play(station: Station, coupler: Coupler, record: Record) -> list[Row]:
    """Return the product's rows of a record."""
    pipeline = Pipeline(Settings(station=StationOptions(channel=20)), coupler)
    rows = [row for block in blocks(station, record) for row in pipeline.process(block)]
    return rows + pipeline.finish()


def judge(rows: Sequence[Row], record: Record, swr: float) -> Outcome:
    """Hold rows against the truth."""
    outcome = Outcome(seconds=sum(over.duration_s for over in record.truth.overs))
    ended = [row for row in rows if isinstance(row, Transmission) and row.ended]
    bound = swr + 0.1 * (swr - 1) + 0.05
    for row in ended:
        if row.swr_max is not None:
            outcome.within.append(row.swr_max <= bound)
            outcome.excess = max(outcome.excess, row.swr_max - bound)
    for over, energy_j in zip(record.truth.overs, record.truth.energy_j, strict=True):
        begin, end = record.ns(over.start_s), record.ns(over.end_s + 1)
        own = [row for row in ended if row.start_ns < end and row.end_ns > begin]
        if own:
            error = sum(row.energy_j for row in own) / float(energy_j) - 1
            is_flagged = any(row.flags & (Flag.ENVELOPE | Flag.UNSETTLED) for row in own)
            (outcome.flagged if is_flagged else outcome.unflagged).append(error)
            low_j, high_j = (
                sum(getattr(row, name) for row in own) for name in ("energy_low_j", "energy_high_j")
            )
            outcome.held.append(low_j <= float(energy_j) <= high_j)
            if is_flagged:
                outcome.widths.append(high_j / low_j)
    outcome.excursions = sum(isinstance(row, Excursion) for row in rows)
    outcome.alarms.update(
        row.kind
        for row in rows
        if isinstance(row, AlarmChange) and row.change == "raised" and row.kind not in TRUE_ALARMS
    )
    return outcome


def run(number: int, mode: str, decay_s: float, seed: int, span_s: float) -> Outcome:
    """Play one cell."""
    station, swr = draw_cell(number, mode, decay_s, seed)
    power_w = 0.8 * station.highest_w / (AM_PEAK if mode == "am" else 1.0)
    overs = draw_overs(np.random.default_rng([4, seed, number]), mode, power_w, span_s)
    end_s = overs[-1].end_s + 6.0
    record = render(station, overs, seed=number, idle_s=0, span_s=(0.0, end_s))
    return judge(play(station, calibrate(station), record), record, swr)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--cells", type=int, default=60)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--mode", choices=MODES)
    args = parser.parse_args()
    classes: dict[str, Outcome] = {}
    for number in range(args.cells):
        mode = MODES[number % len(MODES)]
        decay_s = DECAYS_S[number // len(MODES) % len(DECAYS_S)]
        if args.mode in (None, mode):
            outcome = run(number, mode, decay_s, args.seed, 60 * args.minutes)
            print(f"{number:3d} {mode:8} {1e3 * decay_s:5.1f} ms {outcome}", flush=True)
            classes.setdefault(mode, Outcome()).add(outcome)
    for name, outcome in classes.items():
        print(f"{name:8} {outcome}")
    worst = max((abs(e) for outcome in classes.values() for e in outcome.unflagged), default=0.0)
    print(f"energy where it is not flagged: {worst:.0%} at most, bar {MOST_ERROR:.0%}")


if __name__ == "__main__":
    main()
