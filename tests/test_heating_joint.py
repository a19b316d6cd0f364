"""Rule `heating-joint`: raised by reflection that rises with key-down time and recovers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import msgspec
import numpy as np
import pytest

from drivers.contract import EndOfInput
from drivers.simulated.driver import SimulatedDriver, SimulatedOptions
from logger.calibration.coupler import Coupler
from logger.calibration.simulated import calibration
from logger.config.load import WatchdogOptions
from logger.physics import reflection
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Row
from logger.watchdog import Watchdog, heating_joint
from tests.test_store import SECOND, T0, second, transmission
from tests.test_watchdog import Settings

KIND = heating_joint.KIND
Course = Callable[[np.ndarray, float], np.ndarray]  # rho by key-down seconds and the rest before


def sent(
    at_s: float, rho: np.ndarray, channel: int = 20, power_w: float | np.ndarray = 4.0
) -> list[Row]:
    """The rows of a transmission with one value of rho a second."""
    start_ns = T0 + round(at_s) * SECOND
    swr = reflection.swr(rho).tolist()
    seconds = [
        second(start_ns + k * SECOND, start_ns, swr=value, flags=0, forward_w=watts)
        for k, (value, watts) in enumerate(
            zip(swr, np.broadcast_to(power_w, len(swr)).tolist(), strict=True)
        )
    ]
    end_ns = start_ns + len(swr) * SECOND
    return [*seconds, transmission(start_ns, end_ns=end_ns, channel=channel)]


def evening(
    course: Course, count: int, *, seed: int = 1, noise: float = 0.003, begin_s: float = 0.0
) -> list[list[Row]]:
    """Transmissions of 2 to 25 s with rests of 5 to 100 s."""
    rng = np.random.default_rng(seed)
    at_s, sendings = begin_s, []
    for _ in range(count):
        length, rest = int(rng.integers(2, 26)), float(rng.uniform(5, 100))
        at_s += rest
        rho = course(np.arange(length) + 0.5, rest) + noise * rng.standard_normal(length)
        sendings.append(sent(at_s, np.clip(rho, 1e-4, 0.99)))
        at_s += length
    return sendings


def judged(sendings: Sequence[Sequence[Row]], guard: Watchdog | None = None) -> list[AlarmChange]:
    guard = guard or Watchdog(WatchdogOptions())
    changes = [change for rows in sendings for change in guard.rows(rows)]
    return [change for change in changes if change.kind == KIND]


def told(changes: Sequence[AlarmChange]) -> list[str]:
    return [change.change for change in changes]


def hot(rise: float) -> Course:
    return lambda t_s, rest_s: 0.2 + rise * (1 - np.exp(-t_s / 10))


@pytest.mark.parametrize("rise", [0.06, 0.15, 0.4])
def test_a_hot_joint_is_found(rise: float) -> None:
    sendings = evening(hot(rise), 30)
    (raised,) = judged(sendings)
    assert raised.change == "raised"
    number = [rows[-1].start_ns for rows in sendings].index(raised.start_ns)
    assert heating_joint.LEAST_CYCLES <= number < 16
    assert raised.value is not None
    assert reflection.swr(0.2) < raised.value < reflection.swr(0.2 + rise)
    assert "SWR rises from 1." in raised.detail


def test_a_hot_joint_that_improves_the_match_is_found_but_no_tuner() -> None:
    fall = 0.08
    sound = evening(cold(), 80, noise=0.002)
    falling = evening(hot(-fall), 30, begin_s=20_000.0)
    guard = Watchdog(WatchdogOptions())
    assert judged(sound, guard) == []
    (raised,) = judged(falling, guard)
    assert raised.change == "raised"
    assert "SWR falls from 1." in raised.detail
    assert judged(evening(tuned(), 80)) == []


def test_a_joint_that_stays_warm_in_a_conversation_is_found_by_those_after_a_rest() -> None:
    heat, at_s, found = 0.0, 0.0, []
    guard = Watchdog(WatchdogOptions())
    for number in range(100):
        rest_s = 10.0 if number % 20 else 40_000.0
        at_s += rest_s
        heat *= math.exp(-rest_s / 1000)
        rho = 0.2 + 0.15 * (1 - (1 - heat) * np.exp(-(np.arange(20) + 0.5) / 10))
        heat = 1 - (1 - heat) * math.exp(-20 / 10)
        found += judged([sent(at_s, rho)], guard)
        at_s += 20
    assert told(found) == ["raised"]


def test_rise_below_the_margin_raises_nothing() -> None:
    assert judged(evening(hot(0.009), 300, noise=0.0005)) == []


def cold() -> Course:
    """Sound: wind sways it by 10 %, at another pace in each transmission."""
    rng = np.random.default_rng(9)

    def course(t_s: np.ndarray, rest_s: float) -> np.ndarray:
        pace, phase = rng.uniform(0.1, 2), rng.uniform(0, 6.3)
        means = np.sinc(pace) * np.sin(2 * np.pi * pace * t_s + phase)
        return 0.3 * (1 + 0.1 * means)

    return course


def drifting() -> Course:
    """Warms up over the evening and never recovers."""
    since_s = [0.0]

    def course(t_s: np.ndarray, rest_s: float) -> np.ndarray:
        since_s[0] += rest_s
        rho = 0.2 + 0.4 * (1 - np.exp(-(since_s[0] + t_s) / 600))
        since_s[0] += t_s[-1]
        return np.asarray(rho)

    return course


def tuned() -> Course:
    """Somebody tunes in each transmission: it starts high and falls."""
    return lambda t_s, rest_s: 0.4 - 0.2 * (1 - np.exp(-t_s / 5))


def one_way_jumps() -> Course:
    """Each transmission has a level of its own."""
    rng = np.random.default_rng(4)
    return lambda t_s, rest_s: np.full(len(t_s), rng.uniform(0.1, 0.5))


@pytest.mark.parametrize("make", [cold, drifting, tuned, one_way_jumps])
def test_other_courses_raise_nothing(make: Callable[[], Course]) -> None:
    for seed in range(4):
        assert judged(evening(make(), 500, seed=seed)) == []


@pytest.mark.nightly
def test_years_without_one_raise_less_than_is_allowed() -> None:
    """20,000 transmissions with noise of long tails, a year of 55 a day."""
    rng = np.random.default_rng(0)
    count = 0
    for seed in range(2):
        rule = heating_joint.rule(WatchdogOptions(), heating_joint.Memory(), active=False)
        for *seconds, transmission_ in evening(cold(), 10_000, seed=seed, noise=0.0):
            rho = reflection.rho_of_swr([row.figure("swr")[0] for row in seconds])
            rho = rho + 0.01 * rng.standard_t(3, len(rho))
            for row, value in zip(
                seconds, reflection.swr(np.minimum(np.abs(rho), 0.9)), strict=True
            ):
                row.figure("swr")[0] = value
            for row in (*seconds, transmission_):
                count += [found.change for found in rule.row(row, 0)].count("raised")
    assert count <= 1


def test_it_clears_when_nothing_rises_any_more() -> None:
    guard = Watchdog(WatchdogOptions())
    assert told(judged(evening(hot(0.15), 20), guard)) == ["raised"]
    later = evening(hot(0.0), 20, begin_s=10_000.0)
    (cleared,) = judged(later, guard)
    assert cleared.change == "cleared"
    assert "no longer" in cleared.detail


def test_a_repair_clears_it() -> None:
    guard = Watchdog(WatchdogOptions())
    sendings = evening(hot(0.15), 22)
    assert told(judged(sendings[:20], guard)) == ["raised"]
    guard.know_work([sendings[19][-1].end_ns + SECOND])
    (cleared,) = judged(sendings[20:], guard)
    assert "worked on" in cleared.detail
    assert cleared.start_ns == sendings[20][-1].start_ns


def test_a_restart_between_transmissions_changes_nothing() -> None:
    sendings = evening(hot(0.15), 12)
    whole = judged(sendings)
    assert told(whole) == ["raised"]
    guard, found = Watchdog(WatchdogOptions()), []
    for rows in sendings:
        found += judged([rows], guard)
        guard = Watchdog(WatchdogOptions(), [KIND] if found else [], guard.memories())
    assert found == whole


def test_another_power_is_no_heat() -> None:
    rows = []
    for k in range(40):  # a law that is a little wrong reads strong and weak apart
        weak = sent(100 * k, np.full(10, 0.2), power_w=1.0)
        strong = sent(100 * k, np.full(20, 0.3), power_w=8.0)
        rows.append([*weak[:-1], *strong[10:-1], strong[-1]])
    assert judged(rows) == []


@pytest.mark.parametrize("mode", ["fm", "am", "ssb"])
@pytest.mark.parametrize("ohm", [0.0, 40.0])
def test_a_simulated_plug_that_gets_hot(mode: str, ohm: float) -> None:
    options = msgspec.convert(
        {
            "pace": "fast",
            "duration_s": 1300,
            "start_utc": "2026-01-01T00:00:00Z",
            "block_s": 5.0,
            "faults": [{"kind": "heating", "ohm": ohm, "heat_s": 10}] if ohm else [],
            "operator": {
                "transmissions": [
                    {"at_s": 20 + 80 * k, "duration_s": 20, "mode": mode, "power_w": 8}
                    for k in range(16)
                ]
            },
        },
        SimulatedOptions,
    )
    driver = SimulatedDriver(options)
    driver.open()
    pipeline = Pipeline(Settings(), Coupler(calibration(options.coupler, options.adc)))
    rows: list[Row] = []
    try:
        while (block := driver.read(0.0, 0.0)) is not None:
            rows += pipeline.process(block)
    except EndOfInput:
        rows += pipeline.finish()
    changes = [row for row in rows if isinstance(row, AlarmChange) and row.kind == KIND]
    assert [(change.kind, change.change) for change in changes] == [(KIND, "raised")] * (ohm > 0)
