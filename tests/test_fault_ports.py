"""A changed forward port beside a changed load: readings of both ports, by their definition."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import msgspec
import pytest

from logger.rows import FaultFamily, Row, Transmission
from logger.store.faults import Faults
from logger.store.regroup import regroup
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS
from tests.test_fault_store import OPTIONS, grouping, write
from tests.test_faults import Station, alarm
from tests.test_store import SECOND, T0, transmission

PER_SESSION = 8
WATTS, SWR = 4.0, 1.4
FEEDLINE, INSTRUMENT = FaultFamily.FEEDLINE, FaultFamily.INSTRUMENT


def sessions(
    first: int,
    past: int,
    *,
    watts: float = WATTS,
    swr: float = SWR,
    gain_db: float | Callable[[float], float] = 0.0,
) -> Iterator[Transmission]:
    """Yield two sessions a day as a forward port reads them that has changed by decibels."""
    for number in range(first, past):
        for place in range(PER_SESSION):
            start_ns = T0 + number * DAY_NS // 2 + place * 60 * SECOND
            change_db = gain_db(number / 2) if callable(gain_db) else gain_db
            forward_w = watts * 10 ** (change_db / 10)
            reflected_w = watts * ((swr - 1) / (swr + 1)) ** 2
            rho = math.sqrt(reflected_w / forward_w) + 0.001 * ((7 * number + 3 * place) % 5 - 2)
            yield msgspec.structs.replace(
                transmission(start_ns, swr=(1 + rho) / (1 - rho)),
                forward_w_mean=forward_w,
                forward_w_max=1.02 * forward_w,
            )


def families(station: Station) -> list[FaultFamily]:
    """Families of the faults in the order in which they opened, as they are in the end."""
    return list({change.opened_ns: change.family for change in station.changes}.values())


def test_power_that_reads_less_at_the_same_reflected_power_is_a_fault_of_the_port() -> None:
    station = Station().feed([*sessions(0, 40), *sessions(40, 60, gain_db=-3.0)])
    (opened,) = station.changes
    assert opened.family == INSTRUMENT
    assert opened.first_ns == T0 + 20 * DAY_NS
    assert opened.time_ns - opened.first_ns < DAY_NS
    assert opened.summary == (
        "Instrument: incident power reads 0.5 times what it was, at the same reflected power: the"
        " forward port of the coupler has lost gain, so SWR reads too high"
    )


def test_a_port_that_drifts_is_one_fault() -> None:
    def drifts(day: float) -> float:
        return 0.15 * max(day - 20, 0.0)

    station = Station().feed(list(sessions(0, 120, gain_db=drifts)))
    assert (station.story, families(station)) == (["opened"], [INSTRUMENT])
    assert "has gained gain, so SWR reads too low" in station.changes[0].summary


@pytest.mark.parametrize("watts", [1.0, 2.0, 8.0])
def test_another_power_setting_is_no_fault_and_neither_is_going_back(watts: float) -> None:
    rows = [*sessions(0, 40), *sessions(40, 52, watts=watts), *sessions(52, 70)]
    assert Station().feed(rows).changes == []


def test_a_load_that_takes_other_power_is_no_fault_of_the_port() -> None:
    """As with a transmitter that reduces its power at a high SWR."""
    station = Station().feed([*sessions(0, 40), *sessions(40, 80, watts=2.0, swr=3.5)])
    assert families(station) == [FEEDLINE]


@pytest.mark.parametrize("order", ["load first", "port first"])
def test_a_port_and_a_load_are_two_faults(order: str) -> None:
    is_load_first = order == "load first"
    between = sessions(40, 60, swr=2.2) if is_load_first else sessions(40, 60, gain_db=-4.0)
    both = sessions(60, 80, swr=2.2, gain_db=-4.0)
    station = Station().feed([*sessions(0, 40), *between, *both])
    expected = [FEEDLINE, INSTRUMENT] if is_load_first else [INSTRUMENT, FEEDLINE]
    assert (station.story, families(station)) == (["opened", "opened"], expected)


def told_of_the_feedline() -> list[Row]:
    """A port that halves twice over; a rule of the level is the first to notice."""
    after = list(sessions(40, 60, gain_db=-6.0))
    first = alarm("baseline-shift", after[0].end_ns, value=1.93)
    later = alarm("sudden-change", after[-1].end_ns + SECOND, value=1.93)
    return [*sessions(0, 40), after[0], first, *after[1:], later]


def test_what_was_told_of_the_feedline_is_corrected_in_one_sentence() -> None:
    station = Station().feed(told_of_the_feedline())
    assert station.story == ["opened", "explained"]
    opened, explained = station.changes
    assert (opened.family, explained.family) == (FEEDLINE, INSTRUMENT)
    assert explained.opened_ns == opened.opened_ns
    assert explained.summary.startswith(
        "Instrument, not feedline or antenna: incident power reads 0.25 times what it was"
    )


def test_a_correction_is_stored_told_and_derived_again(tmp_path: Path) -> None:
    with closing(StoreWriter.open(tmp_path / "station.sqlite")) as store:
        rows = told_of_the_feedline()
        write(store, rows, batch=50)
        repository = Faults(store.database)
        assert repository.family(1) == INSTRUMENT
        assert repository.figures(1).startswith("Instrument, not feedline")
        assert repository.explained_cause(1) is None
        before = grouping(store)
        regroup(store, OPTIONS)
        assert grouping(store) == before
        time_ns = repository.latest_ns(1) + SECOND
        assert repository.explain(1, "detector", 0.9, "Probably a detector.", time_ns) is not None
        regroup(store, OPTIONS)
        changes = [event.change for event in repository.changes(1)]
        assert changes == ["opened", "explained", "explained"]


def test_a_mended_port_is_verified_and_its_levels_are_learned_anew() -> None:
    work_ns = T0 + 30 * DAY_NS - 3600 * SECOND
    rows = [*sessions(0, 40), *sessions(40, 60, gain_db=-4.0), *sessions(60, 90)]
    station = Station([work_ns]).feed(rows)
    assert station.story == ["opened", "repaired", "closed"]
    assert Station([work_ns]).feed([*rows, *sessions(90, 110, swr=2.2)]).story[3:] == ["opened"]


def test_less_power_that_cools_a_joint_is_no_fault_of_the_port() -> None:
    """A joint that lowers the reflection: at a quarter of the power, half of that is undone."""

    def swr(number: int) -> float:
        rho = 1 / 12 + 0.03 * ((number * 5) % 7 - 3) / 3
        return (1 + rho) / (1 - rho)

    heated = [row for n in range(40, 60) for row in sessions(n, n + 1, swr=swr(n))]
    shift = alarm("baseline-shift", heated[4].end_ns + SECOND, value=1.18)
    heat = alarm("heating-joint", heated[60].end_ns + SECOND, value=1.25)
    rows = [*sessions(0, 40), *heated[:5], shift, *heated[5:61], heat, *heated[61:]]
    station = Station().feed([*rows, *sessions(60, 64, watts=1.0), *sessions(64, 70, swr=1.18)])
    assert families(station) == [FEEDLINE]
