"""Steps shared with neighbours; `tests.bench.fleet_learning` has the figures of a whole fleet."""

from __future__ import annotations

import numpy as np
import pytest

from logger.fleet.learning.facts import Series, StationFacts, explain_steps, panel_of
from logger.fleet.learning.shared_steps import (
    Cause,
    Panel,
    distance_km,
    judge,
    learn,
    neighbours,
    search,
)
from logger.utc import DAY_NS
from tests.bench.fleet_learning import rate, record, searched, with_neighbours

STATIONS, DAYS, FIRST = 12, 200, 20_000
STORM, FAULT = 150, 170  # days
EXPOSED = np.array([0.3, -0.2, 0.25, 0.1, 0.0, -0.15, 0.35, 0.2, -0.3, 0.05, 0.15, 0.25])


def fleet(*, fault: float = 0.0, day: int = FAULT, update: float = 0.0) -> Panel:
    """Stations with a storm of five days each month; the first may have a fault."""
    rng = np.random.default_rng(5)
    level = 1.3 + 0.01 * rng.standard_normal((STATIONS, DAYS))
    for begin in range(30, DAYS, 30):
        level[:, begin : begin + 5] += EXPOSED[:, None]
    level[0, day:] += fault
    level[:, day:] += update
    level[rng.random(level.shape) < 0.2] = np.nan
    level[:, [day, -1]] = np.where(np.isnan(level[:, [day, -1]]), 1.3, level[:, [day, -1]])
    place = np.column_stack([54 + 0.05 * np.arange(STATIONS), np.full(STATIONS, 9.0)])
    return Panel(level, np.arange(STATIONS), place, FIRST)


def test_a_step_with_the_neighbours_is_weather_and_one_alone_its_own() -> None:
    panel = fleet(fault=0.2)
    learned = learn(panel)
    storm = judge(panel, learned, 0, FIRST + STORM, FIRST + STORM + 2)
    assert storm.cause is not Cause.OWN  # it reaches all of these few stations
    assert storm.size == pytest.approx(0.3, abs=0.04)
    assert storm.neighbours == STATIONS - 1
    own = judge(panel, learned, 0, FIRST + FAULT, FIRST + FAULT + 2)
    assert own.cause is Cause.OWN
    assert own.size == pytest.approx(0.2, abs=0.03)
    assert judge(panel, learned, 3, FIRST + FAULT, FIRST + FAULT + 2).cause is not Cause.OWN


def test_a_fault_that_begins_in_a_storm_is_not_hidden() -> None:
    panel = fleet(fault=0.4, day=STORM + 1)
    learned = learn(panel)
    as_known = [
        judge(panel, learned, 0, FIRST + STORM, FIRST + STORM + days).cause for days in range(1, 15)
    ]
    assert as_known[-1] is Cause.OWN
    # A station that weather does not move: at once.
    panel.level[4] += np.where(np.arange(DAYS) >= STORM + 1, 0.4, 0.0)
    step = judge(panel, learn(panel), 4, FIRST + STORM + 1, FIRST + STORM + 3)
    assert step.cause is Cause.OWN


def test_a_change_of_all_stations_is_network_wide() -> None:
    panel = fleet(update=0.15)
    step = judge(panel, learn(panel), 0, FIRST + FAULT, FIRST + FAULT + 2)
    assert step.cause is Cause.NETWORK


def test_few_neighbours_tell_nothing() -> None:
    panel = fleet(fault=0.2)
    panel.place[1:] += 20.0  # far away
    assert judge(panel, learn(panel), 0, FIRST + FAULT, FIRST + FAULT + 2).cause is Cause.ALONE
    panel.place[0] = np.nan  # unknown: all others
    assert len(neighbours(panel, 0)) == STATIONS - 1
    assert judge(panel, learn(panel), 0, FIRST + FAULT, FIRST + FAULT + 2).cause is Cause.OWN


def test_the_past_is_judged_by_the_past() -> None:
    panel = fleet(fault=0.2)
    now = FIRST + FAULT + 2
    cut = panel._replace(level=panel.level[:, : now - FIRST + 1])
    learned, learned_then = learn(panel), learn(cut)
    for mine, then in zip(learned, learned_then, strict=True):
        np.testing.assert_array_equal(mine[:, : now - FIRST + 1], then)
    assert judge(panel, learned, 0, now - 2, now) == judge(cut, learned_then, 0, now - 2, now)
    found = search(cut, learned_then, 0, now)
    assert found is not None
    assert abs(found.day - FIRST - FAULT) <= 1


def test_distances() -> None:
    # A degree of latitude is 111.2 km; Greenwich to 1 degree east at 60 degrees, half of it.
    places = np.array([[61.0, 0.0], [60.0, 1.0]])
    assert distance_km(np.array([60.0, 0.0]), places) == pytest.approx([111.2, 55.6], abs=0.1)


def test_the_report_explains_the_latest_steps() -> None:
    panel = fleet(fault=0.2, day=DAYS - 6)
    stations = []
    for number, level in enumerate(panel.level):
        days = np.flatnonzero(np.isfinite(level))
        series = Series("channel 20", tuple((days + FIRST).tolist()), tuple(level[days]), 1)
        stations.append(
            StationFacts(
                place=tuple(panel.place[number]),
                cable="RG-58",
                age="any",
                excursions=0,
                keyed_hours=1.0,
                series=(series,),
                shifts_ns=((FIRST + DAYS - 4) * DAY_NS,) if number == 0 else (),
            )
        )
    again, names = panel_of(stations)
    np.testing.assert_array_equal(again.level, panel.level)
    assert names == ["channel 20"] * STATIONS
    (step,) = explain_steps(stations, (FIRST + DAYS) * DAY_NS)
    assert (step.station, step.step.cause, step.is_raised) == (0, Cause.OWN, True)
    assert abs(step.day - FIRST - (DAYS - 6)) <= 2
    assert explain_steps([], 0) == []


def test_false_steps_of_an_invented_fleet_halve_and_faults_are_still_found() -> None:
    data = record(11, 20, 400)
    learned = learn(data.panel)
    judged, _ = with_neighbours(data, learned)
    alone, shared = rate(data, data.alarms), rate(data, judged + searched(data, learned))
    assert alone.bad >= 10
    assert shared.bad <= alone.bad / 2
    assert len(shared.delays) >= len(alone.delays) - 1
