"""Hours of simulated traffic: a sound station raises nothing, a shorted plug what it must.

A whole day and more is run by tests/bench/clean_traffic.py.
"""

from __future__ import annotations

import msgspec
import pytest

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

HOUR_S = 3600.0
SHORTED_FROM_S = 1.0 * HOUR_S


class Settings(msgspec.Struct):
    """What the pipeline reads of a configuration, at its defaults."""

    station: StationOptions = StationOptions()
    transmission: TransmissionOptions = TransmissionOptions()
    watchdog: WatchdogOptions = WatchdogOptions()
    faults: FaultsOptions = FaultsOptions()
    weather: WeatherOptions = WeatherOptions()
    antennas: tuple[AntennaOptions, ...] = ()


def traffic(
    hours: float,
    *,
    seed: int = 1,
    rate_hz: float = 200.0,
    modes: tuple[str, ...] = ("fm", "am", "ssb"),
    power_w: tuple[float, float] = (0.2, 12.0),
    shorted: bool = False,
) -> tuple[list[AlarmChange], list[Transmission], int]:
    """Alarm changes, transmissions and the time of the first pair."""
    fault = {"kind": "short", "where": "shack-plug", "at_s": SHORTED_FROM_S}
    options = msgspec.convert(
        {
            "seed": seed,
            "rate_hz": rate_hz,
            "pace": "fast",
            "start_utc": "2026-01-01T00:00:00Z",
            "duration_s": hours * HOUR_S,
            "block_s": 5.0,
            "faults": [fault] if shorted else [],
            "operator": {
                "random": {
                    "transmissions_per_hour": 40,
                    "seconds": [1, 25],
                    "modes": modes,
                    "channels": [1, 20, 40],
                    "power_w": power_w,
                }
            },
        },
        SimulatedOptions,
    )
    driver = SimulatedDriver(options)
    driver.open()
    pipeline = Pipeline(Settings(), Coupler(calibration(options.coupler, options.adc)))
    alarms: list[AlarmChange] = []
    transmissions: list[Transmission] = []
    rows = []
    try:
        while (block := driver.read(0.0, 0.0)) is not None:
            rows += pipeline.process(block)
    except EndOfInput:
        rows += pipeline.finish()
    for row in rows:
        if isinstance(row, AlarmChange):
            alarms.append(row)
        elif isinstance(row, Transmission) and row.ended:
            transmissions.append(row)
    return alarms, transmissions, driver.start_ns


@pytest.mark.nightly
def test_two_hours_raise_nothing() -> None:
    """`tests.bench.clean_traffic` has the whole day."""
    alarms, transmissions, _ = traffic(2)
    assert alarms == []
    assert len(transmissions) > 57
    assert {row.channel for row in transmissions} == {1, 20, 40}
    assert max(row.forward_w_max for row in transmissions) > 12
    # Every SWR that is shown lies within what the station can have.
    assert all(row.swr < 2.0 for row in transmissions if row.swr is not None)


@pytest.mark.parametrize("rate_hz", [20.0, 1000.0])
def test_other_rates_raise_nothing(rate_hz: float) -> None:
    alarms, transmissions, _ = traffic(1, seed=3, rate_hz=rate_hz)
    assert alarms == []
    assert len(transmissions) > 25


def of_the_limits(alarms: list[AlarmChange]) -> list[AlarmChange]:
    """Those of the two limits; each channel has also changed since it was used last."""
    others = [row for row in alarms if row.kind not in ("high-swr", "high-reflected-power")]
    assert {row.kind for row in others} <= {"sudden-change", "baseline-shift"}
    assert ("sudden-change", "raised") in {(row.kind, row.change) for row in others}
    return [row for row in alarms if row not in others]


@pytest.mark.nightly
def test_a_shorted_plug_with_a_steady_carrier() -> None:
    # 4 W and more come back whole, above the 2 W limit for good: each alarm once, none cleared.
    alarms, transmissions, start_ns = traffic(2, modes=("fm",), power_w=(4.0, 12.0), shorted=True)
    alarms = of_the_limits(alarms)
    assert sorted((row.kind, row.change) for row in alarms) == [
        ("high-reflected-power", "raised"),
        ("high-swr", "raised"),
    ]
    short_ns = start_ns + int(SHORTED_FROM_S * 1e9)
    first = next(row for row in transmissions if row.end_ns > short_ns + 100_000_000)
    for row in alarms:
        assert row.start_ns == first.start_ns
        assert row.time_ns <= max(first.start_ns, short_ns) + 60_000_000


@pytest.mark.nightly
def test_a_shorted_plug_with_mixed_traffic() -> None:
    # Reflected power goes with the transmitter's, but the cause is one: each alarm once.
    alarms, transmissions, start_ns = traffic(2, seed=3, shorted=True)
    alarms = of_the_limits(alarms)
    assert sorted((row.kind, row.change) for row in alarms) == [
        ("high-reflected-power", "raised"),
        ("high-swr", "raised"),
    ]
    peak_w = {row.start_ns: row.reflected_w_max for row in transmissions}
    for row in alarms:
        assert row.time_ns > start_ns + int(SHORTED_FROM_S * 1e9)
        assert row.start_ns is not None
        assert row.kind == "high-swr" or peak_w[row.start_ns] > 2.0
