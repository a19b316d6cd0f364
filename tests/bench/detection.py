"""Prints what change detection adds to the pipeline, in nanoseconds a pair on one core.

Two kinds of traffic at 200 pairs/s: a carrier for a third of the time, as `tests/bench/bulk.py` has
it, and a lively station of the model, overs of three modes without pauses beyond their margins. The
pipeline runs with and without the levels, the excursions and the rules that learn; best of some.

    python -m tests.bench.detection [rounds]
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from unittest.mock import patch

import numpy as np

from drivers.contract import SampleBlock
from logger import pipeline as pipeline_module
from logger import watchdog
from logger.calibration.coupler import Coupler
from logger.calibration.file import parse
from logger.pipeline import Pipeline
from logger.rows import Excursion
from logger.stages import usual_level
from logger.stages.quarters import Quarters
from tests.bench.bulk import readings
from tests.station import CALIBRATION
from tests.station_model import exact, random_station, random_traffic
from tests.station_model.pipeline import Settings

PAIRS = 2_000_000
BLOCK = 1 << 15
BAR_NS = 150.0


class _Nothing:
    """Stands in for the levels and for the excursions."""

    def __init__(self, *_: object) -> None:
        pass

    def update(self, *_: object) -> list[Excursion]:
        """No excursion, no quarter."""
        return []

    finish = update


class _NoLevels(_Nothing):
    memory = usual_level.UsualLevelMemory()

    def update(self, *_: object) -> Quarters | None:  # type: ignore[override]
        """No quarter."""
        return None

    advance = finish = update


def carrier() -> tuple[list[SampleBlock], Coupler]:
    """A third of the time keyed."""
    times, forward, reflected = readings(PAIRS)
    blocks = [
        SampleBlock(times[at : at + BLOCK], forward[at : at + BLOCK], reflected[at : at + BLOCK])
        for at in range(0, PAIRS, BLOCK)
    ]
    return blocks, Coupler(parse(CALIBRATION, "bench"))


def lively() -> tuple[list[SampleBlock], Coupler]:
    """All modes, five channels, wind, hardly ever unkeyed."""
    rng = np.random.default_rng(3)
    station = random_station(rng)
    seconds = PAIRS / station.rate_hz
    overs = random_traffic(rng, 10.0, 3 * seconds, 0.8 * seconds, [1, 10, 20, 30, 40])
    whole = station.record(rng, overs)
    blocks = [
        SampleBlock(
            whole.time_ns[at : at + BLOCK],
            whole.forward_v[at : at + BLOCK],
            whole.reflected_v[at : at + BLOCK],
            {"channel": whole.channel[at : at + BLOCK]},
        )
        for at in range(0, len(whole), BLOCK)
    ]
    return blocks, Coupler(exact(station.coupler))


def run_ns(blocks: Sequence[SampleBlock], coupler: Coupler) -> float:
    """Nanoseconds a pair through a fresh pipeline."""
    pipeline = Pipeline(Settings(), coupler)
    begun = time.process_time()
    for block in blocks:
        pipeline.process(block)
    pipeline.finish()
    return (time.process_time() - begun) * 1e9 / sum(map(len, blocks))


def main(rounds: int) -> None:
    """Print all figures."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    print("ns a pair      whole   without   detection")
    for name, (blocks, coupler) in (("carrier", carrier()), ("lively", lively())):
        whole = without = np.inf
        for _ in range(rounds):
            whole = min(whole, run_ns(blocks, coupler))
            with (
                patch.object(pipeline_module, "Levels", _NoLevels),
                patch.object(pipeline_module, "Excursions", _Nothing),
                patch.object(watchdog, "LEARNING", ()),
            ):
                without = min(without, run_ns(blocks, coupler))
        added = whole - without
        print(
            f"{name:12}{whole:8.0f}{without:10.0f}{added:12.0f}"
            f"   bar {BAR_NS:.0f}: {'met' if added <= BAR_NS else 'MISSED'}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
