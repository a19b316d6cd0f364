"""Rule `detector-fault` by whole transmissions: noise, zeros and gain, against what is usual.

What pairs show (clipped, reversed, stuck) is tested in test_watchdog.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import msgspec
import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.blocks import Noise, PowerBlock
from logger.physics import reflection
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Memory
from logger.stages.view import View
from logger.watchdog import detector_fault
from logger.watchdog.rule import Finding
from tests.test_store import SECOND, T0, transmission
from tests.test_watchdog import COUPLER, FULL_V, START_NS, STEP_V, Settings, cut, told, volts

KIND = detector_fault.KIND
RAISED, CLEARED = (KIND, "raised"), (KIND, "cleared")
RATE_HZ = 50.0
CYCLE_S = 60.0  # a transmission of 4 s a minute


def minutes(
    noise_v: Callable[[np.ndarray], np.ndarray] = lambda minute: np.full((2, len(minute)), 5e-4),
    moved_v: Callable[[np.ndarray], np.ndarray] = lambda minute: np.zeros((2, len(minute))),
    *,
    count: int,
) -> SampleBlock:
    """Pairs of so many minutes; noise and displacement of both readings, volts, by the minute."""
    parts = [(5.0, 0.0, 1.0), (4.0, 4.0, 1.5), (CYCLE_S - 9.0, 0.0, 1.0)] * count
    both = np.stack(volts(parts, RATE_HZ))
    minute = np.arange(both.shape[1]) / (RATE_HZ * CYCLE_S)
    noise = np.random.default_rng(3).standard_normal(both.shape) * noise_v(minute)
    read = np.clip(np.rint((both + noise + moved_v(minute)) / STEP_V) * STEP_V, 0.0, FULL_V)
    times = START_NS + np.arange(len(minute)) * round(1e9 / RATE_HZ)
    return SampleBlock(times, read[0], read[1], {}, (STEP_V, STEP_V), FULL_V)


def changes_of(parts: Sequence[SampleBlock]) -> list[AlarmChange]:
    pipeline = Pipeline(Settings(), COUPLER)
    return [row for part in parts for row in pipeline.process(part) if isinstance(row, AlarmChange)]


def on(port: int, value: float, from_minute: float, to_minute: float, usual: float) -> Callable:
    def by_minute(minute: np.ndarray) -> np.ndarray:
        both = np.full((2, len(minute)), usual)
        both[port, (minute >= from_minute) & (minute < to_minute)] = value
        return both

    return by_minute


@pytest.mark.parametrize("port", [0, 1])
def test_a_reading_that_becomes_noisy(port: int) -> None:
    whole = minutes(on(port, 0.02, 15, 60, 5e-4), count=110)
    found = changes_of(cut(whole, range(0, len(whole), 3000)))
    assert told(found) == [RAISED, CLEARED]
    first, last = ((each.time_ns - START_NS) / 60e9 for each in found)
    assert 17 < first < 45  # the median of many minutes has to change,
    assert 60 < last < 95  # and to change back
    assert "is noisy" in found[0].detail
    assert ("forward", "reflected")[port] in found[0].detail
    assert changes_of([whole]) == found


def test_noise_that_was_always_there_is_usual() -> None:
    assert changes_of([minutes(on(0, 0.02, 0, 999, 5e-4), count=60)]) == []
    assert changes_of([minutes(on(1, 2e-3, 15, 99, 5e-4), count=60)]) == []  # four times


@pytest.mark.parametrize("port", [0, 1])
def test_a_zero_that_moves(port: int) -> None:
    whole = minutes(moved_v=on(port, 0.06, 10, 50, 0.0), count=100)
    found = changes_of(cut(whole, range(0, len(whole), 3000)))
    assert told(found) == [RAISED, CLEARED]
    assert "zero" in found[0].detail
    assert ("forward", "reflected")[port] in found[0].detail
    assert changes_of([whole]) == found


def test_a_zero_that_drifts_a_little_is_doubt_only() -> None:
    assert changes_of([minutes(moved_v=on(1, 0.004, 10, 99, 0.0), count=60)]) == []


def test_noise_is_remembered_across_a_restart() -> None:
    whole = minutes(on(1, 0.02, 20, 99, 5e-4), count=60)
    begin = round(RATE_HZ * CYCLE_S * 20)
    first = Pipeline(Settings(), COUPLER)
    learned = {
        row.rule: row.content for row in first.process(whole[:begin]) if isinstance(row, Memory)
    }
    for memories, want in ((learned, [RAISED]), ({}, [])):
        pipeline = Pipeline(Settings(), COUPLER, (), memories)
        rows = pipeline.process(whole[begin:])
        assert told([row for row in rows if isinstance(row, AlarmChange)]) == want


# --- gain ---

QUIET_VIEW = View(
    PowerBlock(
        np.array([T0]),
        *(np.zeros(1) for _ in range(4)),
        np.zeros(1, np.uint8),
        np.zeros(1, bool),
        {},
    ),
    np.zeros(1, bool),
    Noise((5e-4, 5e-4), (0.0, 0.0)),
    COUPLER,
    (STEP_V, STEP_V),
    np.zeros(1, bool),
)
USUAL = {1: 0.25, 20: 0.08, 40: 0.3}


class Station:
    """The rule by itself, fed with transmissions on three channels in turn."""

    def __init__(self, channels: Sequence[int] = (1, 20, 40)) -> None:
        self.rule = detector_fault.rule(None, detector_fault.Memory(), active=False)
        self.channels = channels
        self._rng = np.random.default_rng(7)
        self._count = 0
        self.work_ns = 0

    def send(
        self,
        count: int,
        factor: dict[int, float] | float = 1.0,
        power: float = 1.0,
        calibration_id: str = "abc",
    ) -> list[Finding]:
        findings = []
        for _ in range(count):
            channel = self.channels[self._count % len(self.channels)]
            each = factor if isinstance(factor, float) else factor.get(channel, 1.0)
            rho = USUAL[channel] * each * (1 + 0.02 * self._rng.standard_normal())
            self._count += 1
            row = transmission(
                T0 + self._count * 60 * SECOND,
                swr=float(reflection.swr(min(rho, 0.97))),
                forward_w_mean=4.0 * power * (1 + 0.05 * self._rng.standard_normal()),
                channel=channel,
                calibration_id=calibration_id,
            )
            self.rule.update(replace(QUIET_VIEW))
            findings += self.rule.row(row, self.work_ns)
            form = type(self.rule.memory)  # as after a restart
            content = msgspec.json.encode(self.rule.memory)
            self.rule = detector_fault.rule(
                None,
                msgspec.json.decode(content, type=form),
                active=bool(self.rule.memory.cause),
            )
        return findings


def test_gain_lost_on_the_reflected_port() -> None:
    station = Station()
    assert station.send(30) == []
    (raised,) = station.send(9, 0.4)
    assert raised.change == "raised"
    assert "the reflected reading has lost gain" in raised.detail
    assert "0.4 times" in raised.detail
    (cleared,) = station.send(6)
    assert cleared.change == "cleared"


def test_gain_lost_on_the_forward_port() -> None:
    station = Station()
    assert station.send(30) == []
    (raised,) = station.send(9, 2.5, power=0.16)
    assert "the forward reading has lost gain" in raised.detail


@pytest.mark.parametrize(
    ("factor", "power"),
    [
        ({1: 0.4, 20: 2.5, 40: 0.45}, 1.0),  # an element slips: low and high move apart
        ({1: 0.4}, 1.0),  # one channel only
        (2.5, 1.0),  # rises everywhere at the same power: the antenna
        (0.7, 1.0),  # a line that becomes wet
        (1.0, 0.1),  # another power
        (0.4, 0.1),  # cannot be told
    ],
    ids=str,
)
def test_other_changes_are_not_lost_gain(factor: dict[int, float] | float, power: float) -> None:
    station = Station()
    assert station.send(30) == []
    assert station.send(60, factor, power) == []


def test_two_channels_are_too_few() -> None:
    station = Station((1, 40))
    assert station.send(30) == []
    assert station.send(30, 0.4) == []


def test_a_slow_change_is_no_lost_gain() -> None:
    station = Station()
    assert station.send(30) == []
    for step in range(100):
        assert station.send(3, 0.985**step) == []


@pytest.mark.parametrize("how", ["work", "calibration"])
def test_work_and_another_calibration_begin_anew(how: str) -> None:
    station = Station()
    assert station.send(30) == []
    assert [each.change for each in station.send(9, 0.4)] == ["raised"]
    if how == "work":
        station.work_ns = T0 + 40 * 60 * SECOND
    (cleared,) = station.send(20, 0.4, calibration_id="abc" if how == "work" else "new")
    assert cleared.change == "cleared"


def test_a_lost_gain_that_stays_is_one_alarm() -> None:
    station = Station()
    station.send(30)
    found = station.send(200, 0.4)
    assert [each.change for each in found][:1] == ["raised"]
    assert len(found) <= 2  # in the end it is what is usual, and told by the shift of the levels


def test_one_alarm_at_a_time() -> None:
    """Clipping while the noise stands is no second alarm, and its end clears nothing."""
    whole = minutes(on(1, 0.02, 15, 999, 5e-4), count=60)
    clipped = whole.forward_v.copy()
    begin = round(RATE_HZ * (CYCLE_S * 55 + 5.5))
    clipped[begin : begin + round(1.5 * RATE_HZ)] = FULL_V
    found = changes_of(cut(replace(whole, forward_v=clipped), range(0, len(whole), 3000)))
    assert [each for each in told(found) if each[0] == KIND] == [RAISED]


def test_years_of_usual_traffic_raise_nothing() -> None:
    station = Station()
    rng = np.random.default_rng(1)
    for _ in range(300):
        power = float(rng.choice([0.2, 1.0, 3.0]))
        assert station.send(int(rng.integers(1, 12)), float(rng.uniform(0.8, 1.25)), power) == []


def test_the_memory_is_small() -> None:
    station = Station()
    station.send(60)
    assert len(msgspec.json.encode(station.rule.memory)) < 1000
