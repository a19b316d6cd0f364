"""The antenna of a transmission by its SWR, on stations of `tests.station_model` (3 s).

Two antennas of 58 and 29 ohm at the same line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import msgspec
import numpy as np
import pytest

from logger.calibration.coupler import Coupler
from logger.config.load import AntennaOptions, StationOptions
from logger.pipeline import Pipeline
from logger.rows import SecondRows, Transmission
from logger.stages.antennas import Antennas, LevelNames
from tests.station_model.calibrated import exact
from tests.station_model.line import Antenna
from tests.station_model.pipeline import PAIRS, Settings, blocks
from tests.station_model.station import Record, Station, random_station
from tests.station_model.traffic import Over
from tests.test_store import second, transmission

VERTICAL, BEAM = Antenna(58.0, 5.0, 27_205.0), Antenna(29.0, 5.0, 27_205.0)
BROKEN = Antenna(120.0, 5.0, 27_205.0)  # as neither of them
Course = tuple[Antenna, Antenna]  # during the first and the second half of an over


def steady(*antennas: Antenna) -> tuple[Course, ...]:
    return tuple((antenna, antenna) for antenna in antennas)


@cache
def station(seed: int) -> Station:
    return replace(random_station(np.random.default_rng([50, seed]), sway=0.05), faults=())


def play(seed: int, courses: Sequence[Course]) -> Record:
    """An over of 4 s for each course, in FM on channel 20."""
    overs = [Over(20.0 * n + 10, 20.0 * n + 14, "fm", 20, 4.0) for n in range(len(courses))]
    records = {
        antenna: replace(station(seed), antenna=antenna).record(
            np.random.default_rng([51, seed]), overs, since_s=-60.0
        )
        for antenna in {antenna for course in courses for antenna in course}
    }
    (first, *_) = records.values()
    half = np.clip((first.t - 10) // 20, 0, len(courses) - 1).astype(int)
    late = first.t - 20 * half > 12
    joined = {
        name: np.select(
            [
                np.isin(half, [n for n, course in enumerate(courses) if course[side] is antenna])
                & (late == bool(side))
                for antenna in records
                for side in (0, 1)
            ],
            [getattr(records[antenna], name) for antenna in records for _ in (0, 1)],
        )
        for name in ("forward_v", "reflected_v")
    }
    return replace(first, **joined)


def run(
    seed: int, courses: Sequence[Course], antennas: tuple[AntennaOptions, ...], pairs: int
) -> list[Transmission]:
    own = station(seed)
    pipeline = Pipeline(Settings(antennas=antennas), Coupler(exact(own.coupler)))
    rows = [row for b in blocks(own, play(seed, courses), pairs) for row in pipeline.process(b)]
    rows += pipeline.finish()
    return [row for row in rows if isinstance(row, Transmission) and row.ended]


@cache
def stated(seed: int) -> tuple[AntennaOptions, ...]:
    """The SWR that each antenna reads, as a person takes it from a report."""
    vertical, beam = (
        round(row.swr or 0.0, 2) for row in run(seed, steady(VERTICAL, BEAM), (), PAIRS)
    )
    return (
        AntennaOptions(name="vertical", swr=vertical),
        AntennaOptions(name="beam", swr={"1": 9.0, "20": beam}),
    )


def names(seed: int, courses: Sequence[Course], pairs: int = PAIRS) -> list[str | None]:
    return [row.antenna for row in run(seed, courses, stated(seed), pairs)]


SEEDS = (1, 3, 4)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_level_names_the_antenna(seed: int) -> None:
    courses = steady(VERTICAL, BEAM, BEAM, VERTICAL)
    expected = ["vertical", "beam", "beam", "vertical"]
    assert names(seed, courses) == expected
    assert names(seed, courses, 171) == expected  # however the stream is cut


@pytest.mark.parametrize("seed", SEEDS)
def test_a_change_within_a_transmission_is_none_of_antenna(seed: int) -> None:
    courses = [*steady(VERTICAL), (VERTICAL, BEAM), *steady(BEAM, BEAM, VERTICAL, BEAM)]
    expected = ["vertical", "vertical", None, None, "vertical", "beam"]
    assert names(seed, courses) == expected


@pytest.mark.parametrize("seed", SEEDS)
def test_a_level_of_neither_is_a_change_of_the_one_in_use(seed: int) -> None:
    assert names(seed, steady(BROKEN, BEAM, BROKEN, VERTICAL, BROKEN)) == [
        None,
        "beam",
        "beam",
        "vertical",
        "vertical",
    ]


def named(options: Sequence[AntennaOptions], *rows: Transmission | SecondRows) -> list[str | None]:
    level_names = LevelNames(Antennas(options, StationOptions()))
    return [
        row.antenna
        for row in level_names.name(list(rows))
        if isinstance(row, Transmission) and row.ended
    ]


def test_what_does_not_decide_is_unknown() -> None:
    options = [AntennaOptions(name="a", swr=1.2), AntennaOptions(name="b", swr=1.7)]
    over = transmission(channel=7, frequency_khz=None)
    at = over.end_ns, over.start_ns
    own = second(*at, swr=1.22, swr_noise_low=1.2, swr_noise_high=1.24)
    assert named(options, over, own) == ["a"]
    assert named(options, msgspec.structs.replace(over, ended=False), own) == []
    assert named(options, over) == [None]  # nothing was readable
    noisy = second(*at, swr=1.22, swr_noise_low=1.0, swr_noise_high=1.5)
    assert named(options, over, noisy) == [None]
    told = msgspec.structs.replace(over, antenna="b")
    assert named(options, told, own) == ["b"]
    # Levels too near to each other, and one that is not stated.
    assert named([options[0], AntennaOptions(name="b", swr=1.3)], over, own) == [None]
    assert named([*options, AntennaOptions(name="c")], over, own) == [None]
    assert named([*options, AntennaOptions(name="c", swr={"20": 1.2})], over, own) == [None]
    assert named([*options, AntennaOptions(name="c", bands="40m")], over, own) == ["a"]


def test_levels_by_channel() -> None:
    with pytest.raises(ValueError, match="figures by channel"):
        AntennaOptions(name="a", swr={"low": 1.2})
    antennas = Antennas([AntennaOptions(name="a", swr={"1": 1.4, "21": 1.2})], StationOptions())
    assert antennas.levels(11, None) == {"a": pytest.approx(0.3 / 2.3)}
    assert antennas.levels(40, None) == {"a": pytest.approx(0.2 / 2.2)}
    assert antennas.levels(None, 27_005.0) == {}
