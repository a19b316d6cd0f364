"""Prints what a day of clean simulated traffic raises (nothing, it should) and the time taken.

python -m tests.bench.clean_traffic [hours] [seed]
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from typing import Any

import msgspec

from drivers.contract import EndOfInput
from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from logger.calibration.coupler import Coupler
from logger.calibration.simulated import calibration
from logger.config.load import (
    AntennaOptions,
    FaultsOptions,
    StationOptions,
    TransmissionOptions,
    WatchdogOptions,
    WeatherOptions,
)
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Transmission

TRAFFIC: dict[str, Any] = {
    "transmissions_per_hour": 40,
    "seconds": [1, 25],
    "modes": ["fm", "am", "ssb"],
    "channels": [1, 20, 40],
    "power_w": [0.2, 12.0],
}


class Settings(msgspec.Struct):
    """What the pipeline reads of a configuration, at its defaults."""

    station: StationOptions = StationOptions()
    transmission: TransmissionOptions = TransmissionOptions()
    watchdog: WatchdogOptions = WatchdogOptions()
    faults: FaultsOptions = FaultsOptions()
    weather: WeatherOptions = WeatherOptions()
    antennas: tuple[AntennaOptions, ...] = ()


def main(hours: float, seed: int) -> None:
    """Run it."""
    options = msgspec.convert(
        {
            "seed": seed,
            "pace": "fast",
            "start_utc": "2026-01-01T00:00:00Z",
            "duration_s": hours * 3600,
            "block_s": 5.0,
            "operator": {"random": TRAFFIC},
        },
        SimulatedOptions,
    )
    driver = SimulatedDriver(options)
    driver.open()
    pipeline = Pipeline(Settings(), Coupler(calibration(options.coupler, options.adc)))
    counts: Counter[str] = Counter()
    spent_s = 0.0
    begin = time.perf_counter()
    try:
        while (block := driver.read(0.0, 0.0)) is not None:
            counts["pairs"] += len(block)
            before = time.perf_counter()
            rows = pipeline.process(block)
            spent_s += time.perf_counter() - before
            for row in rows:
                if isinstance(row, AlarmChange):
                    print(
                        f"  {(row.time_ns - driver.start_ns) / 1e9:.3f} s: {row.kind} {row.change}"
                    )
                    print(f"    {row.detail}")
                    counts[f"{row.kind} {row.change}"] += 1
                counts["transmissions"] += isinstance(row, Transmission) and row.ended
    except EndOfInput:
        counts["transmissions"] += any(
            isinstance(row, Transmission) and row.ended for row in pipeline.finish()
        )
    total_s = time.perf_counter() - begin
    print(f"{hours:g} h: {total_s:.1f} s, of which {spent_s:.1f} s in the pipeline")
    for name, count in sorted(counts.items()):
        print(f"  {count:>12,} {name}")


if __name__ == "__main__":
    main(
        float(sys.argv[1]) if len(sys.argv) > 1 else 24.0,
        int(sys.argv[2]) if len(sys.argv) > 2 else 1,
    )
