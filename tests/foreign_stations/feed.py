"""Handing records to the product: blocks as a driver gives them, and bench points for its fit.

The only module here that knows the product: its block, its configuration's defaults, its command
`calibrate fit`.
"""

from __future__ import annotations

import csv
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from drivers.contract import SampleBlock
from tests.deadlines import scale
from tests.foreign_stations.detector import NODES, look_up
from tests.foreign_stations.record import Record
from tests.foreign_stations.render import Condition
from tests.foreign_stations.station import Station

POWERS_W = (0.0, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
LOW_W = 1.0  # open and shorted ports only up to here
AVERAGED = 400  # pairs of a steady key-down
Point = tuple[str, float, float, float]


def blocks(station: Station, record: Record, pairs: int = 4000) -> Iterator[SampleBlock]:
    """Yield the record as a driver would give it, `pairs` a block."""
    columns = {"channel": record.channel, "temperature_c": record.temperature_c}
    for begin in range(0, len(record), pairs):
        part = slice(begin, begin + pairs)
        yield SampleBlock(
            record.time_ns[part],
            record.forward_v[part],
            record.reflected_v[part],
            {name: column[part] for name, column in columns.items() if column is not None},
            station.converter.step_v,
            station.converter.full_scale_v,
        )


def bench_points(
    station: Station,
    seed: int = 0,
    *,
    conditions: Sequence[str] = ("matched", "reversed", "open", "short"),
    dummy_load: float = 0.01,
    meter_error: float = 0.02,
    condition: Condition | None = None,
) -> list[Point]:
    """Return (condition, power_w, forward_v, reflected_v) rows of an evening at the bench.

    `dummy_load` is the magnitude of its reflection; `meter_error` the rms error of the reference
    wattmeter, as a part: half of it common to all readings, half of each its own. Each row is the
    mean of AVERAGED pairs.
    """
    rng = np.random.default_rng([3, seed])
    state = condition or Condition()
    dummy = dummy_load * np.exp(2j * np.pi * rng.random())
    common = meter_error * rng.standard_normal() * np.sqrt(0.5)
    waves = {
        "matched": (1.0, dummy),
        "reversed": (dummy, 1.0),
        "open": (1.0, 0.98 * np.exp(0.3j)),
        "short": (1.0, -0.98 * np.exp(0.3j)),
    }
    powers = [w for w in POWERS_W if w <= station.highest_w] + [station.highest_w]
    points: list[Point] = []
    for name in conditions:
        for watts in powers:
            if name in ("open", "short") and (watts > LOW_W or not watts):
                continue
            forward, reverse = (np.full(1, w * np.sqrt(watts), complex) for w in waves[name])
            readings = []
            amplitudes = station.coupler.ports(forward, reverse, (0.0, 0.0))
            for side, detector in enumerate((station.forward, station.reflected)):
                position = amplitudes[side] * ((NODES - 1) / detector.highest_v)
                volts = look_up(detector.curve(state.shack_c), position)[0]
                seconds = np.arange(AVERAGED) / station.rate_hz
                pin = np.full(AVERAGED, volts + state.zero_shift_v[side])
                readings.append(float(station.converter.read(pin, seconds, side, rng).mean()))
            error = 1.0 + common + meter_error * rng.standard_normal() * np.sqrt(0.5)
            points.append((name, float(f"{watts * error:.4g}"), readings[0], readings[1]))
    return points


def write_points(points: Sequence[Point], path: Path) -> Path:
    """Write bench points as the CSV that `calibrate fit` reads."""
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(("condition", "power_w", "forward_v", "reflected_v"))
        rows.writerows((c, w, f"{f:.6f}", f"{r:.6f}") for c, w, f, r in points)
    return path


def fit_calibration(station: Station, folder: Path, seed: int = 0) -> Path:
    """Fit the bench points with `mismatchd calibrate fit`; return the calibration file."""
    points = write_points(bench_points(station, seed), folder / "points.csv")
    output = folder / "coupler.yaml"
    converter = station.converter
    command = [
        sys.executable,
        "-m",
        "logger.cli",
        "calibrate",
        "fit",
        str(points),
        "-o",
        str(output),
    ]
    command += ["--step-v", f"{converter.lsb_v:.9f}"]
    command += ["--full-scale-v", f"{converter.reference_v}"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=scale(120))
    if not output.exists():
        raise RuntimeError(result.stderr)
    return output
