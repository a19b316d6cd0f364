"""Rule `detector-fault` by whole transmissions: noise, zeros and gain, against what is usual.

What pairs show (clipped, reversed, stuck) is also tested in test_watchdog.py.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest

from drivers.contract import SampleBlock
from logger.blocks import Noise, PowerBlock
from logger.physics import reflection
from logger.pipeline import Pipeline
from logger.rows import AlarmChange, Flag, Memory
from logger.stages.keying import OwnPower
from logger.stages.view import UNKNOWN_POWER, View
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


# --- pairs, by themselves ---

MS = 1_000_000
VALID_V = COUPLER.content.valid.reflected_v[1]
IMPOSSIBLE = QUIET_VIEW.impossible_ratio


class Pairs:
    """Pairs in a row of 1 ms each; volts by the detector laws, without noise."""

    def __init__(self, step_ns: int = MS) -> None:
        self.step_ns = step_ns
        self.columns: dict[str, list[np.ndarray]] = {}

    def add(
        self,
        count: int,
        forward_w: float | np.ndarray = 0.0,
        reflected_w: float = 0.0,
        *,
        keyed: bool | None = None,
        settled: bool = True,
        clipped: bool = False,
        foreign: bool = False,
        reflected_v: float | np.ndarray | None = None,
    ) -> Pairs:
        powers = [np.zeros(count) + watts for watts in (forward_w, reflected_w)]
        readings = [port.volts(w) for port, w in zip(PORTS, powers, strict=True)]
        if reflected_v is not None:
            readings[1] = np.zeros(count) + reflected_v
            powers[1] = PORTS[1].watts(readings[1])
        is_keyed = np.full(count, bool(np.any(powers[0] > 0.1)) if keyed is None else keyed)
        new = {
            "forward_v": readings[0],
            "reflected_v": readings[1],
            "forward_w": powers[0],
            "reflected_w": powers[1],
            "flags": np.full(count, Flag.CLIPPED if clipped else 0, np.uint8),
            "settled": is_keyed & settled,
            "keyed": is_keyed,
            "foreign": np.full(count, foreign),
        }
        for name, column in new.items():
            self.columns.setdefault(name, []).append(column)
        return self

    def findings(
        self, pairs: int, own: OwnPower = UNKNOWN_POWER, rule: object = None
    ) -> list[tuple[str, float, str]]:
        """Changes in blocks of so many pairs, with the pairs from the start."""
        rule = rule or detector_fault.rule(None, detector_fault.Memory(), active=False)
        whole = {name: np.concatenate(parts) for name, parts in self.columns.items()}
        count = len(whole["keyed"])
        time_ns = T0 + self.step_ns * np.arange(count)
        found: list[Finding] = []
        for begin, end in itertools.pairwise([*range(0, count, pairs), count]):
            part = {name: column[begin:end] for name, column in whole.items()}
            keyed, foreign = part.pop("keyed"), part.pop("foreign")
            block = PowerBlock(time_ns[begin:end], **part, aux={})
            view = replace(QUIET_VIEW, block=block, keyed=keyed, foreign=foreign, own=own)
            found += rule.update(view)  # type: ignore[attr-defined]
        return [(each.change, (each.time_ns - T0) / self.step_ns, each.detail) for each in found]


PORTS = COUPLER.forward, COUPLER.reflected
CUTS = pytest.mark.parametrize("pairs", [17, 10**6])


@CUTS
def test_a_converter_at_its_end_for_50_ms(pairs: int) -> None:
    """Cleared by a second of settled pairs on the air; unkeyed and unsettled ones count for
    neither."""
    short = Pairs().add(100, 4.0, 0.1).add(50, 4.0, 0.1, clipped=True).add(100, 4.0, 0.1)
    assert short.findings(pairs) == []
    record = Pairs().add(100, 4.0, 0.1).add(51, 4.0, 0.1, clipped=True)
    record.add(600, 4.0, 0.1).add(300).add(200, 4.0, 0.1, settled=False).add(900, 4.0, 0.1)
    raised, cleared = record.findings(pairs)
    assert raised[:2] == ("raised", 150)
    assert "converter overloaded" in raised[2]
    assert cleared == ("cleared", 1251, "readings are sound again")


@CUTS
@pytest.mark.parametrize("share", [0.95, 1.05])
def test_half_a_second_of_more_reflection_than_any_load_causes(pairs: int, share: float) -> None:
    record = Pairs().add(100, 4.0, 0.1)
    record.add(600, 1.0, share * IMPOSSIBLE).add(1500, 4.0, 0.1)
    found = record.findings(pairs)
    if share < 1:
        assert found == []
        return
    raised, cleared = found
    assert raised[:2] == ("raised", 600)
    assert raised[2].startswith("reflected reads above forward")
    assert cleared[:2] == ("cleared", 1700)
    assert Pairs().add(100, 4.0, 0.1).add(499, 1.0, 1.05 * IMPOSSIBLE).findings(pairs) == []


@CUTS
@pytest.mark.parametrize(("share", "count"), [(0.175, 0), (0.185, 1)])
def test_strong_unkeyed_pairs_show_swapped_ports_at_once(
    pairs: int, share: float, count: int
) -> None:
    at_v = COUPLER.reflected.zero_v + share * VALID_V
    assert len(Pairs().add(600, reflected_v=at_v).findings(pairs)) == count


@CUTS
def test_swapped_ports_stand_until_the_reflected_reading_moves(pairs: int) -> None:
    """By more than four steps and three deviations of the noise; then a second of sound pairs."""
    least_v = 4 * STEP_V + 3 * 5e-4
    bad_w = 1.2 * IMPOSSIBLE
    bad_v = float(COUPLER.reflected.volts(np.array([bad_w]))[0])
    record = Pairs().add(600, 1.0, bad_w)
    for off, times in ((0.8, 2000), (1.2, 2000)):
        record.add(times, 8.0, reflected_v=bad_v + off * least_v)
    raised, cleared = record.findings(pairs)
    assert raised[:2] == ("raised", 500)
    assert cleared[:2] == ("cleared", 600 + 2000 + 1000)


OWN = OwnPower((4.0,), (0.16, 0.2, 0.9))


@CUTS
def test_a_second_of_a_foreign_signal_is_told_once_in_thirty_days(pairs: int) -> None:
    signal = {"foreign": True, "keyed": False, "reflected_w": 0.5}
    record = Pairs(10 * MS).add(50, 4.0, 0.2).add(50).add(100, **signal).add(30)
    record.add(101, **signal).add(490).add(20, **signal).add(600).add(300, **signal).add(600)
    raised, cleared = record.findings(pairs, OWN)
    assert raised[:2] == ("raised", 330)
    assert raised[2].startswith("another transmitter is heard while the key is up: 0.5 W")
    # Quiet for five seconds; a shorter signal starts them anew.
    assert cleared == ("cleared", 331 + 490 + 20 + 500, "the other transmitter is silent")
    for days, count in ((29.9, 0), (30.1, 1)):
        memory = detector_fault.Memory(foreign_ns=T0 - round(days * 86_400e9))
        rule = detector_fault.rule(None, memory, active=False)
        found = Pairs(10 * MS).add(150, **signal).findings(pairs, OWN, rule)
        assert len(found) == count
    # Before any transmission of ours is known, three alike in a row are swapped ports.
    record = Pairs(10 * MS)
    for _ in range(2):
        record.add(150, **signal).add(50)
    assert record.findings(pairs) == []
    (early,) = record.add(150, **signal).findings(pairs)
    assert early[2].startswith("reflected reads above forward")


@CUTS
@pytest.mark.parametrize(
    ("watts", "between", "dead"),
    [
        ((0.2, 0.2, 0.2), None, True),
        ((0.165, 0.2, 0.235), None, True),
        ((0.2, 0.2), None, False),
        ((0.2, 0.155, 0.2, 0.2), None, False),
        ((0.2, 0.245, 0.2, 0.2), None, False),
        ((0.2, 0.2, 0.2), 4.0, False),
    ],
)
def test_three_signals_like_our_own_are_ours_with_a_dead_forward_detector(
    pairs: int, watts: Sequence[float], between: float | None, dead: bool
) -> None:
    """Within a fifth of the median reflected power of ours, none of which comes between them."""
    memory = detector_fault.Memory(foreign_ns=T0 - SECOND)  # nothing else is due
    rule = detector_fault.rule(None, memory, active=False)
    record = Pairs(10 * MS)
    for reflected_w in watts:
        record.add(120, reflected_w=reflected_w, foreign=True, keyed=False).add(50)
        if between:
            record.add(50, between, 0.2).add(50)
    found = record.findings(pairs, OWN, rule)
    assert [each[2][:29] for each in found] == ["reflected reads above forward"] * dead
    if dead:
        assert found[0][1] == 170 * (len(watts) - 1) + 100


def stuck(step_ns: int, keyed_s: float, off_v: float, still_v: float = 0.0, **how: Any) -> Pairs:
    """Two transmissions with a pause between them and one reflected reading all the time."""
    pairs = round(keyed_s / 2 * SECOND / step_ns)
    at_v = COUPLER.reflected.zero_v + off_v
    drift = still_v * (np.arange(pairs) % 2)
    record = Pairs(step_ns)
    record.add(pairs, 8.0, reflected_v=at_v + drift, **how).add(50, reflected_v=at_v)
    return record.add(pairs, 8.0, reflected_v=at_v + drift, **how)


@CUTS
@pytest.mark.parametrize(
    ("off_steps", "keyed_s", "still_steps", "count"),
    [
        (40.0, 1.9, 0.0, 0),
        (40.0, 2.3, 0.0, 1),
        (40.0, 2.3, 0.9, 1),
        (40.0, 9.0, 1.2, 0),
        (1.0, 57.0, 0.0, 0),
        (1.0, 63.0, 0.0, 1),
    ],
)
def test_a_reading_within_a_step_for_two_seconds_or_a_minute_at_zero(
    pairs: int, off_steps: float, keyed_s: float, still_steps: float, count: int
) -> None:
    """Time on the air, with a pause in which it does not move either."""
    step_ns = 20 * MS
    record = stuck(step_ns, keyed_s, off_steps * STEP_V, still_steps * STEP_V)
    found = record.findings(pairs)
    assert len(found) == count
    if found:
        change, at, detail = found[0]
        assert change == "raised"
        assert "never moves" in detail
        keyed_pairs = at - 50  # of the pause
        needed = 2.0 if off_steps > 10 else 60.0
        assert keyed_pairs * step_ns / SECOND == pytest.approx(needed, abs=0.045)


def test_a_reading_without_a_pause_may_be_steady() -> None:
    at_v = COUPLER.reflected.zero_v + 40 * STEP_V
    assert Pairs(20 * MS).add(600, 8.0, reflected_v=at_v).findings(100) == []
    assert stuck(20 * MS, 9.0, 40 * STEP_V, settled=False).findings(100) == []


@pytest.mark.parametrize(("share", "count"), [(0.9, 0), (1.15, 1)])
def test_a_still_reading_counts_at_a_power_where_swr_1_1_would_move_it(
    share: float, count: int
) -> None:
    """By four steps."""
    at_v = np.array([COUPLER.reflected.zero_v + 4 * STEP_V])
    least_w = float(COUPLER.reflected.watts(at_v)[0]) * (2.1 / 0.1) ** 2
    record = Pairs(20 * MS)
    for _ in range(2):
        record.add(100, share * least_w, reflected_v=at_v[0] + 40 * STEP_V, keyed=True)
        record.add(50, reflected_v=at_v[0] + 40 * STEP_V)
    assert len(record.findings(100)) == count


def noisy_transmissions(pattern: str, apart_s: float) -> list[tuple[str, int]]:
    """Changes, with the number of the transmission, of a rule that has learned the noise.

    x is a transmission after which the noise is ten times the usual one, o is a quiet one.
    """
    rule = detector_fault.rule(None, detector_fault.Memory(), active=False)
    found = []
    for number, noise in enumerate("o" * 12 + pattern):
        sd_v = 5e-3 if noise == "x" else 5e-4
        rule.update(replace(QUIET_VIEW, noise=Noise((sd_v, 5e-4), (0.0, 0.0))))
        start_ns = T0 + round(number * apart_s * SECOND)
        for change in rule.row(transmission(start_ns), 0):
            found.append((change.change, number - 12))
            assert change.time_ns == transmission(start_ns).end_ns
    return found


@pytest.mark.parametrize(
    ("pattern", "apart_s", "expected"),
    [
        ("xxxx", 301, [("raised", 2)]),
        ("xxxx", 299, [("raised", 3)]),
        ("xxoxxoxx", 900, []),
        ("xxoxxx", 900, [("raised", 5)]),
        ("xxxooxoo", 900, [("raised", 2)]),
        ("xxxooxooo", 900, [("raised", 2), ("cleared", 8)]),
        ("xxxoooxx", 900, [("raised", 2), ("cleared", 5)]),
        ("xxxoooxxx", 900, [("raised", 2), ("cleared", 5), ("raised", 8)]),
    ],
)
def test_noise_at_the_end_of_three_in_a_row_and_over_ten_minutes(
    pattern: str, apart_s: float, expected: list[tuple[str, int]]
) -> None:
    assert noisy_transmissions(pattern, apart_s) == expected
