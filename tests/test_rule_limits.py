"""Where rules begin and cease to report: on either side of each limit that they state."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from scipy.stats import nbinom, norm

from logger.blocks import Noise, PowerBlock
from logger.config.load import (
    FalseAlarmOptions,
    HighReflectedPowerOptions,
    HighSwrOptions,
    WatchdogOptions,
)
from logger.physics import reflection
from logger.rows import Excursion, Transmission
from logger.stages.quarters import QUARTER_NS, Quarters
from logger.stages.view import View
from logger.watchdog import (
    Watchdog,
    baseline_shift,
    heating_joint,
    high_reflected_power,
    high_swr,
    sudden_change,
)
from logger.watchdog.detector_fault import gain, level, noisy, zero
from logger.watchdog.hold import COUNT, EXCESS, FORWARD, REFLECTED, SUMS, Hold, HoldEvidence
from logger.watchdog.intermittent_contact import IntermittentContact
from logger.watchdog.intermittent_contact import Memory as ContactMemory
from logger.watchdog.reflected_limit import inverse_time
from logger.watchdog.rule import Finding
from tests.test_detector_fault import QUIET_VIEW
from tests.test_heating_joint import sent
from tests.test_store import SECOND, T0, transmission
from tests.test_watchdog import COUPLER, FULL_V, alarms, at_s, block

HOUR = 3600 * SECOND
DAY = 24 * HOUR


def row_of(rho: float, start_ns: int = T0, **changes: object) -> Transmission:
    """A transmission with a reflection coefficient, and noise of 0.001 of it."""
    figures: dict[str, object] = {
        name: float(reflection.swr(rho + off))
        for name, off in (("swr", 0.0), ("swr_noise_low", -0.002), ("swr_noise_high", 0.002))
    }
    figures |= {"end_ns": start_ns + 10 * SECOND, "forward_w_mean": 4.0}
    return transmission(start_ns, **(figures | changes))


# --- the time that a limit may be passed ---


@pytest.mark.parametrize(
    ("swr", "expected_ms"),
    [(3.01, 5000), (3.04, 5000), (3.2, 1000), (3.5, 340), (4, 136), (5, 50), (8, 14), (1e9, 1.76)],
)
def test_the_worse_the_shorter(swr: float, expected_ms: float) -> None:
    """Against the figures that the module states, for a limit of 3 and 50 ms."""
    needed = inverse_time(50_000_000, (4 / 3) ** 2)
    rho2 = ((swr - 1) / (swr + 1)) ** 2
    sums = np.zeros((SUMS, 1))
    sums[COUNT], sums[FORWARD], sums[REFLECTED] = 10, 40.0, 40.0 * rho2
    sums[EXCESS] = 40.0 * (rho2 - 0.25)
    assert needed(sums)[0] / 1e6 == pytest.approx(expected_ms, rel=0.05)


def test_below_the_limit_the_longest_time_holds() -> None:
    sums = np.zeros((SUMS, 1))
    sums[FORWARD], sums[REFLECTED], sums[EXCESS] = 10.0, 2.0, -0.5
    assert inverse_time(50_000_000, 1.5)(sums)[0] == 100 * 50_000_000


# --- gain of one port ---


class GainStation:
    """The rule's part by itself, on three channels in turn."""

    def __init__(self, taught: int = 5, channels: Sequence[int] = (1, 20, 40)) -> None:
        self.memory = gain.Memory()
        self.channels = itertools.cycle(channels)
        for _ in range(taught * len(channels)):
            assert self.send(1.0) is None

    def send(self, factor: float, power: float = 1.0, **changes: object) -> str | None:
        channel = next(self.channels)
        rho = {1: 0.25, 20: 0.1, 40: 0.3}.get(channel, 0.2) * factor
        changes = {"channel": channel, "forward_w_mean": 4.0 * power} | changes
        return gain.judge(self.memory, row_of(rho, **changes))

    def run(self, factors: Sequence[float], power: float = 1.0) -> list[bool]:
        return [self.send(factor, power) is not None for factor in factors]


@pytest.mark.parametrize(("factor", "told"), [(0.52, False), (0.48, True)])
def test_port_that_loses_half_is_detected_at_the_fourth(factor: float, told: bool) -> None:
    assert GainStation().run([factor] * 4) == [False, False, False, told]
    # The forward port: reflection rises, and power falls by the square.
    assert GainStation().run([1 / factor] * 4, factor**2)[-1] == told


@pytest.mark.parametrize(("off", "told"), [(0.65, True), (0.75, False)])
def test_the_power_must_fit_the_port(off: float, told: bool) -> None:
    for sign in (-1, 1):
        assert GainStation().run([0.4] * 4, math.exp(sign * off))[-1] == told
        assert GainStation().run([2.5] * 4, 2.5**-2 * math.exp(sign * off))[-1] == told


@pytest.mark.parametrize(("spread", "told"), [(0.2, True), (0.3, False)])
def test_channels_must_agree(spread: float, told: bool) -> None:
    factors = [0.4, 0.4 * math.exp(-spread), 0.4, 0.4]
    assert GainStation().run(factors)[-1] == told


def test_a_usual_transmission_ends_the_run() -> None:
    assert GainStation().run([0.4, 0.4, 0.7, 0.4, 0.4, 0.4, 0.4]) == [False] * 6 + [True]
    assert not any(GainStation().run([0.4, 0.4, 0.64, 0.4, 0.4]))  # goes on, and disagrees


@pytest.mark.parametrize(("taught", "told"), [(4, False), (5, True)])
def test_five_transmissions_teach_a_channel(taught: int, told: bool) -> None:
    assert any(GainStation(taught).run([0.4] * 4)) == told


def test_three_channels_are_needed() -> None:
    assert not any(GainStation(channels=(1, 20)).run([0.4] * 8))


def test_run_of_twenty_becomes_usual() -> None:
    station = GainStation()
    assert station.run([0.4] * 21) == [False] * 3 + [True] * 17 + [False]
    assert station.run([0.4] * 15) == [False] * 15
    assert station.run([0.16] * 4)[-1]


def test_rows_without_gain_are_ignored() -> None:
    weak: list[dict[str, object]] = [{"settled_samples": 19}, {"swr": None}, {"swr": 1.015}]
    for changes in weak:
        station = GainStation()
        station.run([0.4] * 3)
        assert station.send(0.4, **changes) is None
    station = GainStation()
    station.run([0.4] * 3)
    assert station.send(0.4, settled_samples=20) is not None


def test_the_usual_reflection_follows_eight_transmissions() -> None:
    memory = gain.Memory()
    values = [0.2] * 8 + [0.25] * 3
    level_ln = [math.log(value) for value in values]
    for rho in values:
        gain.judge(memory, row_of(rho))
    usual = memory.usual["channel 20"]
    before = float(np.mean(level_ln[:8]))
    expected = level_ln[-1] + (before - level_ln[-1]) * (7 / 8) ** 3
    assert usual.ln_rho == pytest.approx(expected, abs=1e-4)
    assert usual.ln_w == pytest.approx(math.log(4.0), abs=1e-5)
    assert usual.count == 8
    for channel in range(1, 60):
        gain.judge(memory, row_of(0.2, channel=channel))
    assert len(memory.usual) == 40
    assert "channel 59" in memory.usual


# --- noise and zero ---


def view_of(
    sd_v: tuple[float, float] = (1e-3, 1e-3),
    zero_u_v: tuple[float, float] = (0.0, 0.0),
    step_v: float = 1e-5,
) -> View:
    return replace(QUIET_VIEW, noise=Noise(sd_v, zero_u_v), step_v=(step_v, step_v))


def noise_memory(count: int = 10, sd_v: float = 1e-3) -> noisy.Memory:
    memory = noisy.Memory()
    for _ in range(count):
        noisy.learn(memory, view_of((sd_v, sd_v)))
    return memory


@pytest.mark.parametrize("port", ["forward", "reflected"])
@pytest.mark.parametrize(
    ("sd_v", "standing", "told"),
    [(7.8e-3, False, False), (8.2e-3, False, True), (3.9e-3, True, False), (4.1e-3, True, True)],
)
def test_eight_times_the_usual_noise(port: str, sd_v: float, standing: bool, told: bool) -> None:
    now = (sd_v, 1e-3) if port == "forward" else (1e-3, sd_v)
    words = noisy.fault(noise_memory(), view_of(now), standing=standing)
    assert (words is not None) == told
    if words:
        assert f"the {port} reading is noisy: {1e3 * sd_v:.2g} mV" in words
        assert "1 mV before" in words


def test_noise_below_four_steps_is_no_fault() -> None:
    for sd_v, told in ((3.9e-2, False), (4.1e-2, True)):
        assert (
            noisy.fault(noise_memory(), view_of((sd_v, 1e-3), step_v=1e-2), standing=False)
            is not None
        ) == told


def test_ten_transmissions_teach_the_noise_and_its_mean_is_geometric() -> None:
    loud = view_of((1.0, 1.0))
    assert noisy.fault(noise_memory(9), loud, standing=False) is None
    assert noisy.fault(noise_memory(10), loud, standing=False) is not None
    memory = noisy.Memory()
    for sd_v in (1e-3, 4e-3) * 10:
        noisy.learn(memory, view_of((sd_v, 2 * sd_v)))
    assert np.exp(memory.ln_sd) == pytest.approx([2e-3, 4e-3], rel=1e-4)
    for _ in range(1000):
        noisy.learn(memory, view_of((1e-3, 1e-3)))
    assert memory.count == 64
    assert np.exp(memory.ln_sd) == pytest.approx([1e-3, 1e-3], rel=1e-3)


@pytest.mark.parametrize("port", [0, 1])
@pytest.mark.parametrize(("step_v", "what"), [(1e-6, "range"), (0.05, "steps")])
def test_a_zero_that_moves_by_more_than_its_limit(port: int, step_v: float, what: str) -> None:
    content = QUIET_VIEW.coupler.content
    top_v = (content.valid.forward_v, content.valid.reflected_v)[port][1]
    noise_v = (content.noise.forward_v, content.noise.reflected_v)[port]
    limit_v = 8 * 0.05 if what == "steps" else max(0.02 * top_v, 10 * noise_v)
    for share, standing, told in (
        (0.98, False, False),
        (1.02, False, True),
        (0.49, True, False),
        (0.51, True, True),
    ):
        moved = [0.0, 0.0]
        moved[port] = share * limit_v
        words = zero.fault(view_of(zero_u_v=(moved[0], moved[1]), step_v=step_v), standing=standing)
        assert (words is not None) == told
        if words:
            assert f"the zero of the {('forward', 'reflected')[port]} reading" in words


# --- power and gain from session to session ---


class Sessions:
    """Sessions of three transmissions at one level, twelve hours apart, on channels in turn."""

    def __init__(self, usual: int = 12, channels: Sequence[int] = (1, 20)) -> None:
        self.memory = level.Memory()
        self.channels = itertools.cycle(channels)
        self.now_ns = T0
        for _ in range(usual):
            assert self.session() is None

    def session(
        self, watts: float = 4.0, factor: float = 1.0, count: int = 3, **changes: object
    ) -> str | None:
        channel = next(self.channels)
        rho = {1: 0.2, 20: 0.12}.get(channel, 0.15) * factor
        words = None
        for _ in range(count):
            figures = {"channel": channel, "forward_w_mean": watts, "forward_w_max": 1.03 * watts}
            row = row_of(rho, self.now_ns, **(figures | changes))
            words = level.judge(self.memory, row)
            self.now_ns += 60 * SECOND
        self.now_ns += 12 * HOUR
        return words


@pytest.mark.parametrize("db", [-6.0, -3.0, -1.5, 1.5, 3.0])
def test_change_of_power_is_described_with_its_size(db: float) -> None:
    station = Sessions()
    factor = 10 ** (db / 10)
    assert station.session(4.0 * factor) is None
    words = station.session(4.0 * factor)
    assert words is not None
    assert "at the same reflection" in words
    said = float(words.split("reads ")[1].split(" times")[0])
    assert said == pytest.approx(factor, rel=0.07)


@pytest.mark.parametrize(("highest_w", "is_other"), [(3.5, True), (1.7, True), (1.03, False)])
def test_power_is_compared_within_a_mode_which_the_crest_tells(
    highest_w: float, is_other: bool
) -> None:
    """Speech of a quarter of the mean power is another mode; a carrier of a quarter is not."""
    station = Sessions()
    words = [station.session(1.0, forward_w_max=highest_w) for _ in range(3)]
    assert (words == [None] * 3) == is_other


@pytest.mark.parametrize("db", [-0.5, -0.3, 0.3, 0.5])
def test_small_change_of_power_is_no_fault(db: float) -> None:
    station = Sessions()
    assert [station.session(4.0 * 10 ** (db / 10)) for _ in range(5)] == [None] * 5


@pytest.mark.parametrize(("usual", "told"), [(9, False), (10, True)])
def test_ten_sessions_are_needed_to_compare_with(usual: int, told: bool) -> None:
    station = Sessions(usual)
    station.session(1.0)
    assert (station.session(1.0) is not None) == told


def test_a_pause_of_an_hour_parts_sessions() -> None:
    for minutes, sessions in ((59, 1), (61, 2)):
        memory = level.Memory()
        for at_ns in (T0, T0 + 10 * SECOND + minutes * 60 * SECOND):
            level.judge(memory, row_of(0.2, at_ns))
        assert len({one.session for one in memory.readings}) == sessions


def test_five_transmissions_of_a_session_count_and_ninety_in_all() -> None:
    station = Sessions(0)
    station.session(count=9)
    assert len(station.memory.readings) == 5
    for _ in range(30):
        station.session(count=9)
    assert len(station.memory.readings) == 90


@pytest.mark.parametrize(
    "weak",
    [{"settled_samples": 19}, {"forward_w_mean": 0.0}, {"swr": None}],
)
def test_rows_without_level_are_ignored(weak: dict[str, object]) -> None:
    memory = level.Memory()
    level.judge(memory, row_of(0.2, **weak))
    assert memory.readings == []
    level.judge(memory, row_of(0.2, settled_samples=20))
    assert len(memory.readings) == 1


def test_reflection_in_noise_is_not_read_and_power_is() -> None:
    memory = level.Memory()
    noisy_swr = float(reflection.swr(0.2 + 0.2))
    level.judge(memory, row_of(0.2, swr_noise_high=noisy_swr, swr_noise_low=1.0))
    level.judge(memory, row_of(0.005, swr_noise_low=1.0))
    assert [one.ln_rho for one in memory.readings] == [None, None]
    assert [one.ln_w for one in memory.readings] == pytest.approx([math.log(4.0)] * 2, abs=1e-4)


@pytest.mark.parametrize(("noise", "read"), [(0.19, True), (0.21, False)])
def test_reflection_is_read_up_to_a_fifth_of_noise(noise: float, read: bool) -> None:
    """One deviation; the interval has four."""
    memory = level.Memory()
    low, high = (float(reflection.swr(0.2 * (1 + sign * 2 * noise))) for sign in (-1, 1))
    level.judge(memory, row_of(0.2, swr_noise_low=low, swr_noise_high=high))
    (reading,) = memory.readings
    assert (reading.ln_rho is not None) == read
    assert reading.noise == pytest.approx(noise, abs=1e-3)


@pytest.mark.parametrize(("apart_h", "told"), [(6, False), (12, True)])
def test_gain_is_judged_by_five_days_of_weather(apart_h: float, told: bool) -> None:
    station = Sessions(0)
    said = []
    for number in range(14):
        said.append(station.session(factor=0.8 if number > 11 else 1.0))
        station.now_ns += (apart_h - 12) * HOUR
    assert (said[-1] is not None) == told


@pytest.mark.parametrize(("db", "told"), [(-1.1, False), (-1.2, True)])
def test_gain_of_two_sessions_on_one_day(db: float, told: bool) -> None:
    """1.13 dB, and five deviations of 0.02 at least of a day."""
    station = Sessions(12)
    station.now_ns += DAY - station.now_ns % DAY
    assert station.session(factor=10 ** (db / 20)) is None
    station.now_ns -= 10 * HOUR
    assert (station.session(factor=10 ** (db / 20)) is not None) == told


@pytest.mark.parametrize(("db", "told"), [(-1.0, False), (-1.3, True), (1.3, False)])
def test_gain_of_the_reflected_port(db: float, told: bool) -> None:
    station = Sessions()
    station.session(factor=10 ** (db / 20))
    words = station.session(factor=10 ** (db / 20))
    assert (words is not None) == told
    if words:
        assert "the reflected reading has lost gain" in words
        assert "on all channels alike" in words
        assert f"{10 ** (db / 20):.2g} times" in words


def test_gain_of_the_forward_port_differs_from_power() -> None:
    station = Sessions()
    station.session(4.0 * 10**-0.2, 10**0.1)
    words = station.session(4.0 * 10**-0.2, 10**0.1)
    assert words is not None
    assert "the gain of the forward reading has changed" in words


def test_on_one_channel_the_load_may_have_improved() -> None:
    """It must have been seen on two days, after eight days to compare with."""
    station = Sessions(18, channels=(20,))
    said = [station.session(factor=0.8) for _ in range(4)]
    assert said[0] is None
    words = said[3]
    assert words is not None
    assert "on the channel in use" in words
    assert "load has suddenly improved" in words


def test_a_new_level_is_usual_after_twelve_sessions() -> None:
    station = Sessions()
    said = [station.session(1.0) is not None for _ in range(16)]
    assert said == [False] + [True] * 11 + [False] * 4
    # The old level is a change now.
    station.session(4.0)
    assert station.session(4.0) is not None


def test_the_usual_level_again_clears_it() -> None:
    station = Sessions()
    station.session(1.0)
    assert station.session(1.0) is not None
    assert [station.session() is not None for _ in range(4)][-1] is False


# --- excursions that come too often ---


class Contact:
    """Transmissions of a minute each, five minutes apart."""

    def __init__(self, rate: float = 1.0, memory: ContactMemory | None = None) -> None:
        self.rule = IntermittentContact(rate, memory or ContactMemory(), active=False)
        self.now_ns = 1_770_000_000 * SECOND

    def send(self, *at_s: float, length_s: float = 60.0) -> list[Finding]:
        found: list[Finding] = []
        for at in at_s:
            found += self.rule.row(
                Excursion(
                    time_ns=self.now_ns + round(at * 1e9),
                    duration_ms=20.0 + at,
                    swr_peak=30.0 - at,
                    swr_beside=1.4,
                ),
                0,
            )
        end_ns = self.now_ns + round(length_s * 1e9)
        found += self.rule.row(row_of(0.2, self.now_ns, end_ns=end_ns), 0)
        self.now_ns += 5 * 60 * SECOND
        return found


@pytest.mark.parametrize("rate", [0.1, 1.0, 50.0])
@pytest.mark.parametrize(("events", "hours"), [(0.0, 0.0), (30.0, 100.0)])
def test_it_is_raised_where_chance_ends(rate: float, events: float, hours: float) -> None:
    """By the negative binomial distribution of scipy."""
    memory = ContactMemory(past_events=events, past_hours=hours)
    station = Contact(rate, memory)
    improbable = rate * 6 / (3 * 365.25 * 24)
    usual_events, usual_hours = 0.5 + events, 10 + hours
    for count in range(1, 60):
        found = station.send(5.0)
        # So many minutes on the air before this transmission, and one in it.
        share = (count / 60) / (usual_hours + count / 60)
        by_chance = float(nbinom.sf(count - 1, usual_events, 1 - share))
        assert bool(found) == (count >= 3 and by_chance < improbable)
        if found:
            assert found[0].value == count
            assert found[0].change == "raised"
            assert f"in {count} min on the air" in found[0].detail
            assert f"usually {usual_events / usual_hours:.2g} an hour" in found[0].detail
            return
    pytest.fail("not raised")


@pytest.mark.parametrize(("apart_s", "events"), [(0.95, 1), (1.05, 2)])
def test_excursions_of_a_second_are_one_event(apart_s: float, events: int) -> None:
    station = Contact()
    station.send(5.0, 5.0 + apart_s)
    assert len(station.rule.memory.events) == events
    first = station.rule.memory.events[0]
    assert first.swr_peak == 25.0
    assert first.duration_ms == pytest.approx(25.95 if events == 1 else 25.0)


def test_an_evening_is_six_hours_and_then_it_is_history() -> None:
    station = Contact()
    station.send(5.0)
    memory = station.rule.memory
    for _ in range(71):
        station.send()
    assert (len(memory.events), memory.past_events) == (1, 0.0)
    for _ in range(3):
        station.send()
    assert (len(memory.events), memory.past_events) == (0, 1.0)
    assert sum(memory.spells.values()) / 3600 + memory.past_hours == pytest.approx(75 / 60)
    for _ in range(30):
        station.send()
    assert 0.3 < memory.past_hours < 0.6
    assert max(memory.spells.values()) == 180.0  # a quarter of an hour has three of them


def test_the_oldest_history_fades() -> None:
    memory = ContactMemory(past_events=50.0, past_hours=600.0)
    Contact(memory=memory).send()
    assert memory.past_hours == pytest.approx(300.0)
    assert memory.past_events == pytest.approx(25.0)


# --- a joint that gets hot ---


def heat(
    rises: Sequence[float],
    *,
    start: float = 0.2,
    seconds: int = 12,
    rest_s: float = 60.0,
    watts: Sequence[float] = (4.0, 4.0),
    rate: float = 1.0,
) -> list[tuple[int, Finding]]:
    """Transmissions whose reflection rises by so much; findings, with the number of each."""
    options = WatchdogOptions(heating_joint={"false_alarms_per_year": rate})  # type: ignore[arg-type]
    options = msgspec.convert(msgspec.to_builtins(options), WatchdogOptions)
    rule = heating_joint.rule(options, heating_joint.Memory(), active=False)
    found: list[tuple[int, Finding]] = []
    at_s = 0.0
    for number, rise in enumerate(rises):
        course = start + rise * np.linspace(0, 1, seconds)
        for row in sent(at_s, course, power_w=np.linspace(*watts, seconds)):
            found += [(number, each) for each in rule.row(row, 0)]  # type: ignore[arg-type]
        at_s += seconds + rest_s
    return found


def test_four_hot_cycles_raise_and_five_cool_ones_clear() -> None:
    """A cycle ends when the next transmission begins: the first is judged with the second."""
    (raised_at, raised), (cleared_at, cleared) = heat([0.2] * 8 + [0.0] * 8)
    assert (raised_at, raised.change) == (4, "raised")
    assert (cleared_at, cleared.change) == (13, "cleared")
    assert raised.value == pytest.approx(float(reflection.swr(0.4 - 0.2 / 11)), rel=0.01)
    assert f"SWR rises from {reflection.swr(0.2 + 0.2 / 11):.2f} to" in raised.detail
    assert "averaged over 4 transmissions" in raised.detail


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"rest_s": 5.9 * 3600}, True),
        ({"rest_s": 3.9 * 86_400}, True),  # among those that begin after a rest
        ({"rest_s": 4.1 * 86_400}, False),
        ({"seconds": 8}, True),
        ({"seconds": 7}, False),
        ({"watts": (4.0, 2.0)}, True),
        ({"watts": (4.0, 0.9)}, False),
        ({"watts": (0.9, 4.0)}, False),
        ({"start": 0.6}, True),
    ],
    ids=str,
)
def test_requirements_of_a_cycle(given: dict[str, object], told: bool) -> None:
    assert bool(heat([0.2] * 10, **given)) == told  # type: ignore[arg-type]


@pytest.mark.parametrize(("start", "margin"), [(0.1, 0.01), (0.2, 0.01), (0.6, 0.03)])
def test_rise_within_the_margin_is_no_evidence(start: float, margin: float) -> None:
    """A hundredth, or a twentieth of the reflection; last seconds against first, of 12."""
    shown = 9 / 11  # of the whole rise, between the means of three seconds at either end
    assert heat([margin / shown] * 60, start=start) == []
    assert heat([2.5 * margin / shown] * 60, start=start) != []


def test_reflection_that_stays_up_has_no_cycle() -> None:
    """It rises while the key is down and begins as high the next time."""
    options = WatchdogOptions()
    rule = heating_joint.rule(options, heating_joint.Memory(), active=False)
    found: list[Finding] = []
    for number in range(12):
        course = 0.1 + 0.06 * (number + np.linspace(0, 1, 12))
        for row in sent(100.0 * number, course):
            found += rule.row(row, 0)  # type: ignore[arg-type]
    assert found == []


def test_fewer_false_alarms_take_more_cycles() -> None:
    counts = [heat([0.2] * 30, rate=rate)[0][0] for rate in (1000.0, 1.0, 1e-6, 1e-12)]
    assert counts[0] == counts[1] == 4
    assert counts[1] < counts[2] < counts[3]
    # Four deviations at most a cycle, one is taken off; 1.5 ln(4 * cycles a year / rate) / 2.9.
    height = 1.5 * math.log(4 * 50_000 / 1e-12) / 2.9
    assert counts[3] == math.ceil(height / 3)


# --- a level that changes within a transmission ---


def quarters_of(
    rho: np.ndarray, first: int, variance: float = 0.0, doubt: np.ndarray | float = 0.0
) -> Quarters:
    """Quarters of one transmission on channel 20; `doubt` is of rho."""
    count = len(rho)
    doubt = np.full(count, doubt) if isinstance(doubt, float) else doubt
    return Quarters(
        number=first + np.arange(count),
        start_ns=np.full(count, first * QUARTER_NS),
        place=np.full(count, "20"),
        ratio=rho**2,
        variance=np.full(count, variance),
        doubt=doubt * np.sqrt(rho**2 - doubt**2 / 4),  # so that the roots differ by it
        usual=np.full(count, np.nan),
        restless=np.zeros(count),
        forward_w=np.ones(count),
        first=np.zeros(count + 1, dtype=np.int64),
        pairs=None,  # type: ignore[arg-type]
    )


class SuddenStation:
    """The rule by itself."""

    def __init__(self) -> None:
        self.memory = sudden_change.Memory()
        self.rule = sudden_change.rule(WatchdogOptions(), self.memory, active=False)
        self.first = 4_000_000_000

    def send(self, rho: np.ndarray, doubt: np.ndarray | float = 0.0) -> list[Finding]:
        found = self.rule.quarters(quarters_of(rho, self.first, doubt=doubt))
        end_ns = (self.first + len(rho)) * QUARTER_NS
        found += self.rule.row(row_of(0.2, self.first * QUARTER_NS, end_ns=end_ns), 0)
        self.first += len(rho) + 400
        return found

    @property
    def normal(self) -> sudden_change.Normal:
        return self.memory.channels["20"]


def wind(rng: np.random.Generator, count: int, sd: float, phi: float) -> np.ndarray:
    rest = sd * rng.standard_normal(count)
    for n in range(1, count):
        rest[n] = phi * rest[n - 1] + math.sqrt(1 - phi**2) * rest[n]
    return rest


def test_levels_of_a_channel_are_the_mean_of_its_transmissions() -> None:
    station = SuddenStation()
    levels = [0.2 + 0.003 * (n % 3) for n in range(20)]
    for number, value in enumerate(levels, 1):
        station.send(np.full(40, value))
        assert station.normal.levels == number
        assert station.normal.level == pytest.approx(np.mean(levels[:number]), abs=1e-6)
        assert station.normal.scatter == pytest.approx(np.var(levels[:number]), abs=1e-9)
    for _ in range(60):
        station.send(np.full(40, 0.21))
    assert station.normal.levels == 20
    assert station.normal.level == pytest.approx(0.21, abs=5e-4)


@pytest.mark.parametrize(("sd", "phi"), [(0.01, 0.6), (0.004, 0.0), (0.02, 0.8)])
def test_the_winds_variance_and_correlation_are_learned(sd: float, phi: float) -> None:
    station, rng = SuddenStation(), np.random.default_rng(5)
    for _ in range(30):
        station.send(0.3 + wind(rng, 200, sd, phi))
    normal = station.normal
    assert math.sqrt(normal.square) == pytest.approx(sd, rel=0.15)
    assert normal.product / normal.square == pytest.approx(phi, abs=0.1)
    assert normal.square <= normal.worst < 3 * normal.square
    assert normal.quarters == 6000
    for _ in range(45):
        station.send(0.3 + wind(rng, 200, sd, phi))
    assert normal.quarters == 14_400


def test_a_drift_is_learned_and_is_no_wind() -> None:
    """From the first third to the last, which is two thirds of the way."""
    station, rng = SuddenStation(), np.random.default_rng(6)
    for _ in range(10):
        station.send(0.3 + 0.03 * np.linspace(0, 1, 240) + wind(rng, 240, 0.002, 0.0))
    assert math.sqrt(station.normal.drift) == pytest.approx(0.02, rel=0.1)
    assert math.sqrt(station.normal.square) == pytest.approx(0.002, rel=0.2)
    assert station.normal.drifts == 10


def test_short_transmissions_teach_their_level_only() -> None:
    station = SuddenStation()
    station.send(np.full(7, 0.2))
    assert (station.normal.levels, station.normal.quarters, station.normal.drifts) == (1, 0, 0)
    station.send(np.full(8, 0.2))
    assert (station.normal.levels, station.normal.quarters, station.normal.drifts) == (2, 8, 1)


def calm() -> SuddenStation:
    """A station that has learned a little wind."""
    station, rng = SuddenStation(), np.random.default_rng(7)
    for _ in range(20):
        assert station.send(0.2 + wind(rng, 200, 0.003, 0.3)) == []
    return station


@pytest.mark.parametrize(
    ("size", "most"), [(0.03, 10), (0.05, 4), (0.2, 2), (-0.05, 4), (0.012, 0), (-0.012, 0)]
)
def test_larger_steps_are_detected_sooner(size: float, most: int) -> None:
    """One quarter never decides; what a level drifts is none."""
    station, rng = calm(), np.random.default_rng(8)
    rho = 0.2 + wind(rng, 160, 0.003, 0.3) + size * (np.arange(160) >= 80)
    first = station.first
    found = station.send(rho)
    if not most:
        assert found == []
        return
    raised, cleared = found
    assert (raised.change, cleared.change) == ("raised", "cleared")
    quarters = raised.time_ns / QUARTER_NS - first - 80
    assert 2 <= quarters <= most
    assert raised.value == pytest.approx(float(reflection.swr(0.2 + size)), rel=0.02)
    assert f"SWR {reflection.swr(0.2):.2f} before" in raised.detail
    assert "within one transmission" in raised.detail
    assert cleared.time_ns == (first + 160) * QUARTER_NS


def test_level_changed_since_key_down_is_described_so() -> None:
    station = calm()
    (raised, _) = station.send(np.full(80, 0.4))
    assert "since this transmission began" in raised.detail
    # It is what the next are compared with.
    assert station.normal.level == pytest.approx(0.4, abs=1e-6)
    assert station.normal.levels == 1
    assert station.send(np.full(80, 0.4)) == []


@pytest.mark.parametrize(
    ("after", "is_raised"), [(0.4, True), (0.3, True), (0.1, True), (0.24, False), (0.17, False)]
)
def test_a_step_between_two_transmissions_does_not_become_the_level(
    after: float, is_raised: bool
) -> None:
    """The level that a quarter is compared with follows a capped value."""
    station = SuddenStation()
    for _ in range(15):
        assert station.send(np.full(40, 0.2)) == []
    first = station.first
    findings = station.send(np.full(40, after))
    assert [f.change for f in findings] == (["raised", "cleared"] if is_raised else [])
    if is_raised:
        assert findings[0].time_ns / QUARTER_NS - first <= 2
        assert "SWR 1.50 before" in findings[0].detail


def test_eight_quarters_at_the_old_level_clear_it() -> None:
    station, rng = calm(), np.random.default_rng(9)
    rho = 0.2 + wind(rng, 200, 0.003, 0.3)
    rho[80:120] += 0.1
    first = station.first
    raised, cleared = station.send(rho)
    assert raised.change == "raised"
    assert cleared.detail == "the level is back to what it was"
    assert cleared.time_ns / QUARTER_NS - first - 120 == pytest.approx(8, abs=1)
    assert cleared.value == pytest.approx(1.5, abs=0.05)
    # And it is raised anew.
    rho[80:120] += 0.0
    rho[150:] += 0.1
    again = station.send(rho)
    assert [each.change for each in again] == ["raised", "cleared", "raised", "cleared"]


def test_one_wild_quarter_decides_nothing() -> None:
    station, rng = calm(), np.random.default_rng(10)
    rho = 0.2 + wind(rng, 160, 0.003, 0.3)
    rho[80] = 0.9
    assert station.send(rho) == []


def test_sixty_four_channels_are_remembered() -> None:
    station = SuddenStation()
    for channel in range(70):
        quarters = replace(
            quarters_of(np.full(20, 0.2), station.first), place=np.full(20, str(channel))
        )
        station.rule.quarters(quarters)
        end_ns = (station.first + 20) * QUARTER_NS
        station.rule.row(row_of(0.2, station.first * QUARTER_NS, end_ns=end_ns), 0)
        station.first += 400
    assert list(station.memory.channels) == [str(channel) for channel in range(6, 70)]


def test_change_within_the_doubt_of_the_converter_raises_nothing() -> None:
    """Of the quarters compared, whichever leaves the most."""
    after = np.arange(160) >= 80
    rho = 0.2 + 0.05 * after
    assert [each.change for each in calm().send(rho)] == ["raised", "cleared"]
    for doubt in (np.full(160, 0.06), 0.06 * after, 0.06 * ~after):
        assert calm().send(rho, doubt) == []


def test_the_doubt_of_a_channels_level_counts_in_the_next_transmission() -> None:
    station = calm()
    station.send(np.full(80, 0.2), 0.25)
    assert station.normal.doubt == pytest.approx(0.25, rel=0.01)
    assert station.send(np.full(80, 0.4)) == []
    assert calm().send(np.full(80, 0.4)) != []


def test_the_doubt_of_a_weak_transmission_fades() -> None:
    station = calm()
    station.send(np.full(80, 0.2), 0.25)
    for _ in range(150):
        station.send(np.full(8, 0.2))
    assert station.normal.doubt == pytest.approx(0.25 * 0.99**150, rel=0.01)


def test_back_within_doubt_is_back() -> None:
    """The level before the change was read with doubt, those after it were not."""
    at = np.arange(240)
    rho = 0.2 + 0.3 * ((at >= 80) & (at < 140)) + 0.04 * (at >= 140)
    found = calm().send(rho, 0.06 * (at < 80))
    assert [each.change for each in found] == ["raised", "cleared"]
    assert found[1].detail == "the level is back to what it was"


# --- pairs ---


@pytest.mark.parametrize(("watts", "noise_v"), [(1.0, 3e-3), (1.0, 5e-3), (0.5, 3e-3)])
def test_pairs_below_the_limit_by_chance_do_not_end_a_run(watts: float, noise_v: float) -> None:
    """SWR 3.1 with a limit of 3: by the inverse-time curve after 2 s, as without noise, though one
    pair in ten reads below the limit."""
    whole = block([(5, 0, 1), (8, watts, 3.1), (2, 0, 1)], noise_v=noise_v)
    (raised,) = [each for each in alarms(whole, pairs=1000) if each.kind == "high-swr"]
    assert at_s(raised) - 5 == pytest.approx(1.95, abs=0.15)


@pytest.mark.parametrize("bad_s", [0.1, 0.5])
def test_a_second_of_sound_pairs_clears_a_clipped_converter(bad_s: float) -> None:
    whole = block([(1, 0, 1), (6, 4, 1.5), (1, 0, 1)])
    clipped = slice(400, 400 + round(200 * bad_s))
    whole.forward_v[clipped] = FULL_V
    raised, cleared = [each for each in alarms(whole, pairs=7) if each.kind == "detector-fault"]
    assert (raised.change, cleared.change) == ("raised", "cleared")
    assert at_s(raised) == pytest.approx(2.05, abs=0.006)
    assert 1.0 <= at_s(cleared) - (2 + bad_s) < 1.2  # a crest is held meanwhile


def test_the_usual_scatter_of_seconds_follows_fifty_transmissions() -> None:
    """Half of the mean square from one second to the next, and no more than nine times the usual
    at once."""
    for step, own in ((0.004, 8e-6), (0.02, 2e-4), (0.1, 9 * 0.005**2)):
        memory = heating_joint.Memory()
        rule = heating_joint.rule(WatchdogOptions(), memory, active=False)
        course = 0.3 + step / 2 * (-1.0) ** np.arange(12)
        for row in sent(0.0, course):
            rule.row(row, 0)  # type: ignore[arg-type]
        expected = 0.005**2 + (min(step**2 / 2, own) - 0.005**2) / 50
        assert memory.variance == pytest.approx(expected, rel=1e-3)
    memory = heating_joint.Memory()
    rule = heating_joint.rule(WatchdogOptions(), memory, active=False)
    for row in sent(0.0, np.array([0.3, 0.4, 0.3, 0.4])):  # three steps are too few
        rule.row(row, 0)  # type: ignore[arg-type]
    assert memory.variance == 0.005**2


@pytest.mark.parametrize(("sd", "phi"), [(0.03, 0.8), (0.05, 0.9)])
def test_wind_that_lasts_is_no_change(sd: float, phi: float) -> None:
    """What one quarter hands on to the next is taken off; otherwise the sums would pass."""
    for seed in range(2):
        station, rng = SuddenStation(), np.random.default_rng(seed)
        for _ in range(10):
            assert station.send(0.4 + wind(rng, 400, sd, phi)) == []


@pytest.mark.parametrize(("size", "told"), [(0.055, False), (0.1, True)])
def test_three_times_the_usual_drift_raises_nothing(size: float, told: bool) -> None:
    """Drifts of 0.02, and 0.01 to begin with: 0.054 in all."""
    station, rng = SuddenStation(), np.random.default_rng(6)
    for _ in range(12):
        station.send(0.3 + 0.03 * np.linspace(0, 1, 240) + wind(rng, 240, 0.002, 0.0))
    step = size * (np.arange(160) >= 80)
    assert bool(station.send(0.3 + wind(rng, 160, 0.002, 0.0) + step)) == told


# --- false alarms of levels ---


@pytest.mark.parametrize("rate", [0.1, 1.0, 12.0])
@pytest.mark.parametrize("channels", [1, 5, 20])
def test_the_gain_that_is_needed_allows_for_all_tests_of_a_year(rate: float, channels: int) -> None:
    """Each day, of each channel and of all together, to either side."""
    memory = baseline_shift.Memory(
        channels={f"channel {n}": baseline_shift.Channel() for n in range(channels)}
    )
    options = WatchdogOptions(baseline_shift=FalseAlarmOptions(false_alarms_per_year=rate))
    rule = baseline_shift.rule(options, memory, active=False)
    chance = rate / (2 * 365.25 * (channels + 1))
    expected = float(norm.isf(chance)) ** 2 / 2
    assert rule.least_gain - baseline_shift.MARGIN == pytest.approx(expected, rel=1e-6)


# --- reflected power and SWR, pair by pair ---

MS = 1_000_000


def powers(
    forward_w: np.ndarray | float,
    reflected_w: np.ndarray,
    noise_v: float = 1e-5,
    settled: bool = True,
) -> View:
    """Pairs of 1 ms of a transmission."""
    count = len(reflected_w)
    forward_w = np.zeros(count) + forward_w
    keyed = np.ones(count, dtype=bool)
    volts = COUPLER.forward.volts(forward_w), COUPLER.reflected.volts(reflected_w)
    time_ns = T0 + MS * np.arange(count)
    flags = np.zeros(count, np.uint8)
    block = PowerBlock(time_ns, *volts, forward_w, reflected_w, flags, keyed & settled, {})
    noise = Noise((noise_v, noise_v), (0.0, 0.0))
    return replace(QUIET_VIEW, block=block, keyed=keyed, foreign=~keyed, noise=noise)


def in_ms(found: Sequence[Finding]) -> list[tuple[str, int]]:
    return [(each.change, (each.time_ns - T0) // MS) for each in found]


def swr_rule(active: bool = False, **options: float) -> object:
    return high_swr.rule(HighSwrOptions(**options), active=active)


def watts_rule(active: bool = False, **options: float) -> object:
    return high_reflected_power.rule(HighReflectedPowerOptions(**options), active=active)


@pytest.mark.parametrize("hold_ms", [50.0, 80.0])
@pytest.mark.parametrize("multiple", [1.02, 1.1, 1.25, 1.5, 2.2])
def test_the_time_above_a_limit_by_the_curve(hold_ms: float, multiple: float) -> None:
    """hold (r^4 - 1) / (M^4 - 1) and at most 100 holds, to half a pair; M is the mean since the
    limit was crossed."""
    for make, limit, reference in ((swr_rule, 3.0, 4 / 3), (watts_rule, 2.0, 1.5**0.5)):
        rule = make(hold_ms=hold_ms)
        bound_w = 0.25 * 8.0 if make is swr_rule else 2.0
        excess = np.concatenate([np.full(20, 0.9), np.full(20, 1.01), np.full(9000, multiple)])
        mean = np.cumsum(excess[20:]) / np.arange(1, 9021)
        k = reference**8 - 1
        needed_ms = np.minimum(hold_ms * k / (mean**4 - 1), 100 * hold_ms)
        expected = 20 + int(np.argmax(np.arange(9020) >= needed_ms - 0.5))
        (raised,) = rule.update(powers(8.0, bound_w * excess))
        assert in_ms([raised]) == [("raised", expected)]
        assert raised.limit == limit
        average = float(mean[expected - 20])
        if make is swr_rule:
            swr = float(reflection.swr(0.5 * math.sqrt(average)))
            assert raised.value == pytest.approx(swr, rel=1e-4)
            assert raised.detail == (
                f"SWR {swr:.2f} at 8.00 W incident, {2 * average:.2f} W reflected"
            )
        else:
            assert raised.value == pytest.approx(2 * average, rel=1e-4)
            assert raised.detail == f"{2 * average:.2f} W reflected of 8.00 W incident"


@pytest.mark.parametrize(("hold_ms", "clear_ms"), [(50.0, 2000), (300.0, 3000)])
@pytest.mark.parametrize(("share", "clears"), [(0.99, True), (1.01, False)])
def test_ten_holds_or_two_seconds_below_the_lower_limit(
    hold_ms: float, clear_ms: int, share: float, clears: bool
) -> None:
    """A reflection coefficient 10 % lower; reflected power 20 % lower, at the power at which it was
    raised."""
    level = np.full(clear_ms + 50, share)
    expected = [("cleared", clear_ms)] * clears
    found = swr_rule(active=True, hold_ms=hold_ms).update(powers(8.0, 8 * 0.45**2 * level**2))
    assert in_ms(found) == expected
    # Raised before this process: at any power.
    found = watts_rule(active=True, hold_ms=hold_ms).update(powers(8.0, 1.6 * level))
    assert in_ms(found) == expected
    rule = watts_rule(hold_ms=hold_ms)
    assert len(rule.update(powers(16.0, np.full(2000, 4.0)))) == 1
    weak = powers(4.0, 1.6 / 4 * level)
    weak = replace(weak, block=replace(weak.block, time_ns=weak.block.time_ns + 10**10))
    assert in_ms(rule.update(weak)) == [("cleared", 10_000 + clear_ms)] * clears


def test_pairs_that_no_load_causes_or_are_not_settled_count_for_nothing() -> None:
    ratio = QUIET_VIEW.impossible_ratio
    assert swr_rule().update(powers(8.0, np.full(300, 8.2 * ratio))) == []
    assert len(swr_rule().update(powers(8.0, np.full(300, 7.8 * ratio)))) == 1
    assert swr_rule().update(powers(8.0, np.full(300, 6.0), settled=False)) == []


def test_less_than_half_of_the_limit_ends_a_run_however_noisy() -> None:
    """Every eighth pair; those nearer the limit are left in doubt by noise of 0.1 V."""
    for low, count in ((0.45, 0), (0.55, 1)):
        watts = 0.4 * np.where(np.arange(2000) % 8 == 7, low, 2.0)
        found = watts_rule(limit_w=0.4, hold_ms=200.0).update(powers(40.0, watts, noise_v=0.1))
        assert len(found) == count


def test_two_rules_at_one_pair_have_times_of_their_own() -> None:
    """InfluxDB keeps one point a time; the time is that of the pair and a microsecond more."""
    guard = Watchdog(WatchdogOptions())
    reflected_w = 2.0 * (16 / 9) * np.ones(200)  # both hold times at once
    options = WatchdogOptions(high_reflected_power=HighReflectedPowerOptions(limit_w=2 * 16 / 13.5))
    guard = Watchdog(options)
    changes = guard.update(powers(8.0, reflected_w), lambda _: T0 - 5)
    assert [each.kind for each in changes] == ["high-swr", "high-reflected-power"]
    assert [each.time_ns for each in changes] == [T0 + 50 * MS, T0 + 50 * MS + 1000]
    assert {each.start_ns for each in changes} == {T0 - 5}
    assert {each.severity for each in changes} == {"critical"}


@pytest.mark.parametrize("size", [1, 7])
def test_the_cut_of_the_quarters_does_not_matter(size: int) -> None:
    """What a quarter hands on to the next, the level so far, and the sums go on."""
    results = []
    for parts in (10_000, size):
        station, rng = SuddenStation(), np.random.default_rng(15)
        found = []
        for step in (0.0, 0.0, 0.0, 0.0, 0.1):
            rho = 0.3 + wind(rng, 120, 0.01, 0.7) + step * ((np.arange(120) // 40) == 1)
            for begin in range(0, 120, parts):
                part = quarters_of(rho[begin : begin + parts], station.first + begin, doubt=0.001)
                start_ns = np.full(len(part), station.first * QUARTER_NS)
                found += station.rule.quarters(replace(part, start_ns=start_ns))
            end_ns = (station.first + 120) * QUARTER_NS
            found += station.rule.row(row_of(0.3, station.first * QUARTER_NS, end_ns=end_ns), 0)
            station.first += 400
        results.append((found, station.memory))
    assert [each.change for each in results[0][0]] == ["raised", "cleared"]
    assert results[0] == results[1]


def test_memory_of_another_form_is_said_and_begins_anew(caplog: pytest.LogCaptureFixture) -> None:
    guard = Watchdog(WatchdogOptions(), [], {"sudden-change": b'{"channels": 5}'})
    (record,) = caplog.records
    assert record.levelname == "WARNING"
    assert "sudden-change" in record.getMessage()
    assert guard.memories() == Watchdog(WatchdogOptions()).memories()


@pytest.mark.parametrize(("last_ms", "at"), [(200, 4), (201, None)])
def test_a_run_survives_a_fifth_of_a_second_without_support(last_ms: int, at: int | None) -> None:
    times = MS * np.array([0, 50, 100, 150, last_ms])
    support = np.array([True, False, False, False, True])
    sums = np.zeros((SUMS, 5))
    sums[[COUNT, EXCESS]] = support
    found = Hold(50 * MS).find(HoldEvidence(times, sums, support, support, ~support & False))
    assert (found and found[0]) == at
