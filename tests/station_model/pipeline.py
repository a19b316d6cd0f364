"""A record through the product's real pipeline, as the daemon would feed it."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from drivers.contract import SampleBlock
from logger.config.load import (
    AntennaOptions,
    FaultsOptions,
    StationOptions,
    TransmissionOptions,
    WatchdogOptions,
    WeatherOptions,
)
from tests.station_model.station import Record, Station

PAIRS = 4000  # of a block; what is found must not depend on it


class Settings(msgspec.Struct):
    """What the pipeline reads of a configuration, at its defaults: one false alarm a year."""

    station: StationOptions = StationOptions()
    transmission: TransmissionOptions = TransmissionOptions()
    watchdog: WatchdogOptions = WatchdogOptions()
    faults: FaultsOptions = FaultsOptions()
    weather: WeatherOptions = WeatherOptions()
    antennas: tuple[AntennaOptions, ...] = ()


def blocks(station: Station, record: Record, pairs: int = PAIRS) -> Iterator[SampleBlock]:
    """The record as a driver would give it."""
    step_v = station.converter.step_v
    for begin in range(0, len(record), pairs):
        part = slice(begin, begin + pairs)
        yield SampleBlock(
            record.time_ns[part],
            record.forward_v[part],
            record.reflected_v[part],
            {"channel": record.channel[part]},
            (step_v, step_v),
            station.converter.full_scale_v,
        )
