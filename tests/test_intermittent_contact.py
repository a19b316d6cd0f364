"""Rule `intermittent-contact`: the rate of excursions against what is usual."""

from __future__ import annotations

import msgspec
import pytest
from scipy.stats import nbinom

from logger.config.load import WatchdogOptions
from logger.rows import Excursion, Transmission
from logger.watchdog import Watchdog
from logger.watchdog.intermittent_contact import (
    HOUR_NS,
    LEAST,
    SECOND_NS,
    IntermittentContact,
    Memory,
    probability,
)
from logger.watchdog.rule import Finding

START_NS = 1_770_000_000 * SECOND_NS


@pytest.mark.parametrize("count", [1, 3, 6])
@pytest.mark.parametrize("hours", [0.1, 1.0, 3.0])
@pytest.mark.parametrize(("events", "usual"), [(0.5, 10.0), (40.5, 210.0)])
def test_probability_is_the_negative_binomial(
    count: int, hours: float, events: float, usual: float
) -> None:
    expected = nbinom.sf(count - 1, events, usual / (usual + hours))
    assert probability(count, hours, events, usual) == pytest.approx(expected, rel=1e-9)


class Station:
    """Transmissions of a minute, so many an hour, with excursions where told."""

    def __init__(self, memory: Memory | None = None, *, active: bool = False) -> None:
        self.rule = IntermittentContact(1.0, memory or Memory(), active=active)
        self.now_ns = START_NS
        self.found: list[Finding] = []

    def minute(self, *excursions_s: float, work_ns: int = 0) -> list[Finding]:
        start_ns = self.now_ns
        found: list[Finding] = []
        for at in excursions_s:
            found += self.rule.row(excursion(start_ns + round(at * 1e9)), work_ns)
        found += self.rule.row(transmission(start_ns), work_ns)
        self.now_ns += 5 * 60 * SECOND_NS
        self.found += found
        return found


def excursion(time_ns: int) -> Excursion:
    return Excursion(time_ns=time_ns, duration_ms=20.0, swr_peak=30.0, swr_beside=1.4)


def transmission(start_ns: int) -> Transmission:
    return Transmission(
        start_ns=start_ns,
        end_ns=start_ns + 60 * SECOND_NS,
        ended=True,
        samples=12_000,
        forward_w_mean=4.0,
        forward_w_max=4.0,
        reflected_w_mean=0.1,
        reflected_w_max=4.0,
        swr=1.4,
        swr_low=1.3,
        swr_high=1.5,
        swr_max=30.0,
        energy_j=240.0,
        channel=20,
        frequency_khz=None,
        calibration_id="c",
        flags=0,
        swr_noise_low=1.39,
        swr_noise_high=1.41,
        settled_samples=12_000,
    )


def test_one_crash_of_static_is_no_alarm() -> None:
    station = Station()
    station.minute(20.0, 20.3, 20.9)
    for _ in range(30):
        station.minute()
    assert station.found == []


def test_six_in_an_evening_are_one_alarm() -> None:
    station = Station()
    for _ in range(6):
        station.minute(30.0)
        station.minute()
    (finding,) = station.found
    assert finding.change == "raised"
    assert finding.value == LEAST
    assert "3 short excursions of 20 to 20 ms" in finding.detail


def test_usual_rate_of_excursions_raises_nothing() -> None:
    """A station that has had one in each hour on the air for weeks."""
    station = Station(Memory(past_events=200.0, past_hours=200.0))
    for _ in range(3):
        for minute in range(24):
            station.minute(*([10.0] if minute == 12 else []))
    assert station.found == []
    for _ in range(12):
        station.minute(10.0, 40.0)
    assert [finding.change for finding in station.found] == ["raised"]


def test_it_clears_after_an_hour_of_rest_on_the_air() -> None:
    station = Station()
    for _ in range(4):
        station.minute(30.0)
    for minute in range(60):
        assert [each.change for each in station.minute()] == (["cleared"] if minute == 59 else [])


def test_it_clears_with_a_repair() -> None:
    station = Station()
    for _ in range(4):
        station.minute(30.0)
    assert [each.change for each in station.minute(work_ns=station.now_ns - 1)] == ["cleared"]


def test_history_outlives_a_restart_and_fades_slowly() -> None:
    station = Station()
    station.minute(30.0)
    station.now_ns += 7 * HOUR_NS
    station.minute()
    station.now_ns += 7 * HOUR_NS
    station.minute()
    memory = station.rule.memory
    assert memory.past_events == 1.0
    assert memory.past_hours == pytest.approx(2 / 60)
    assert memory.events == []


def test_rows_are_judged_in_their_order_and_told_just_after_them() -> None:
    """A finding has a microsecond of its own after the excursion; the transmission comes last."""
    excursions = [excursion(START_NS + at * SECOND_NS) for at in (10, 20, 30)]
    guard = Watchdog(WatchdogOptions())
    rows = [transmission(START_NS), excursions[2], excursions[0], excursions[1]]
    (change,) = guard.rows(rows, start_at=lambda time_ns: time_ns - 7)
    assert (change.kind, change.change, change.value) == ("intermittent-contact", "raised", 3.0)
    assert change.time_ns == START_NS + 30 * SECOND_NS + 20_000_000 + 1000
    assert change.start_ns == START_NS + 30 * SECOND_NS - 7
    # The same in the order of time, as they come.
    again = Watchdog(WatchdogOptions())
    found = [again.rows([row], start_at=lambda time_ns: time_ns - 7) for row in excursions]
    assert found == [[], [], [change]]
    # Work counts for transmissions that began after it.
    guard.know_work([START_NS + 300 * SECOND_NS, START_NS + 900 * SECOND_NS])
    assert guard.rows([transmission(START_NS + 200 * SECOND_NS)]) == []
    (cleared,) = guard.rows([transmission(START_NS + 301 * SECOND_NS)])
    assert cleared.change == "cleared"
    assert "worked on" in cleared.detail
    assert cleared.time_ns == START_NS + 361 * SECOND_NS + 1000
    assert cleared.start_ns == START_NS + 301 * SECOND_NS


def test_events_are_stored_as_arrays() -> None:
    station = Station()
    station.minute(30.0)
    events = msgspec.to_builtins(station.rule.memory)["events"]
    assert events == [[START_NS + 30 * SECOND_NS, 20.0, 30.0]]
