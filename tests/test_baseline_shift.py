"""Rule `baseline-shift`: raised for another level, not for weather; see its docstring."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import msgspec
import numpy as np
import pytest
import scipy.optimize

from logger.config.load import FalseAlarmOptions, WatchdogOptions
from logger.physics import reflection
from logger.rows import AlarmChange, Transmission
from logger.watchdog import Watchdog, baseline_shift
from logger.watchdog.baseline_step import Series, fit_steps
from tests.test_store import SECOND, T0, second, transmission

KIND = baseline_shift.KIND
HOUR = 3600 * SECOND
YEAR_H = 8766


def sent(at_s: float, rho: float, *, channel: int | None = 20, **changes: object) -> Transmission:
    """A transmission of 10 s; noise of 1e-4."""
    start_ns = T0 + round(at_s * 1e6) * 1000
    figures = {
        name: float(reflection.swr(value))
        for name, value in (
            ("swr", rho),
            ("swr_noise_low", rho - 2e-4),
            ("swr_noise_high", rho + 2e-4),
        )
    }
    figures |= {"channel": channel, "end_ns": start_ns + 10 * SECOND}
    return transmission(start_ns, **(figures | changes))


def judged(
    rows: Sequence[Transmission],
    guard: Watchdog | None = None,
    **options: object,
) -> list[AlarmChange]:
    guard = guard or Watchdog(WatchdogOptions(**options))
    return [change for row in rows for change in guard.rows([row]) if change.kind == KIND]


def told(changes: Sequence[AlarmChange]) -> list[str]:
    return [change.change for change in changes]


def evening(
    levels: Sequence[float], *, first_s: float = 0, step_s: float = 120, seed: int = 1
) -> list[Transmission]:
    """Transmissions one after another with a scatter of 1 % of rho."""
    rng = np.random.default_rng(seed)
    return [
        sent(first_s + k * step_s, rho * (1 + 0.01 * rng.standard_normal()))
        for k, rho in enumerate(levels)
    ]


@pytest.mark.parametrize("factor", [0.35, 0.5, 1.5, 2.0])
def test_a_plain_shift_is_found_in_the_same_evening(factor: float) -> None:
    rows = evening([0.25] * 30 + [0.25 * factor] * 10)
    (raised,) = judged(rows)
    assert raised.change == "raised"
    number = [row.start_ns for row in rows].index(raised.start_ns)
    assert 30 + baseline_shift.RUN - 1 <= number <= 38
    assert raised.time_ns == rows[number].end_ns + 1000
    assert raised.value == pytest.approx(reflection.swr(0.25 * factor), rel=0.02)
    assert raised.severity == "warning"
    before, now = raised.detail.split(" before, now ")
    assert before.startswith("SWR 1.6")
    assert now.startswith(f"{raised.value:.2f} (")
    assert "on channel 20 since 20" in now
    assert now.endswith("this may be seasonal (less than a year of readings)")


def days(count: int, *, shift: float = 0.0, from_day: int = 0, seed: int = 3) -> list[Transmission]:
    """Six transmissions a day; a scatter of 4 % that hours share."""
    rng = np.random.default_rng(seed)
    return [
        sent(
            86_400 * day + 3600 * (9 + 2 * k),
            0.25 * (1 + 0.04 * rng.standard_normal() + shift * (day >= from_day)),
        )
        for day in range(count)
        for k in range(6)
    ]


def test_a_small_shift_is_found_within_days() -> None:
    for sign in (1, -1):
        rows = days(40, shift=sign * 0.15, from_day=30)  # SWR 1.67, 0.13 lower or 0.14 higher
        raised, cleared = judged(rows)
        assert (raised.change, cleared.change) == ("raised", "cleared")
        day = (raised.time_ns - T0) / 86_400e9
        assert 30 < day < 35, day


def test_levels_that_come_back_clear_it_once() -> None:
    rows = evening([0.25] * 30 + [0.4] * 10 + [0.25] * 10 + [0.26] * 20)
    changes = judged(rows)
    assert told(changes) == ["raised", "cleared"]
    back = [row.start_ns for row in rows].index(changes[1].start_ns)
    assert back == 40 + baseline_shift.RUN - 1
    assert "usual level" in changes[1].detail


def test_single_outliers_raise_nothing() -> None:
    rng = np.random.default_rng(5)
    levels = np.where(rng.random(600) < 0.1, 0.7, 0.25)
    # Three in a row at one tenth each come about once in a thousand.
    levels[2:][(levels[2:] > 0.5) & (levels[1:-1] > 0.5)] = 0.25
    assert judged(evening(list(levels), step_s=700)) == []


def test_a_repair_clears_it_and_begins_anew() -> None:
    guard = Watchdog(WatchdogOptions())
    rows = evening([0.25] * 30 + [0.4] * 8)
    assert told(judged(rows, guard)) == ["raised"]
    repaired_ns = rows[-1].end_ns + 60 * SECOND
    guard.know_work([repaired_ns])
    later = evening([0.4] * 30, first_s=38 * 120 + 600)
    (cleared,) = judged(later, guard)
    assert cleared.change == "cleared"
    assert "worked on" in cleared.detail
    assert cleared.start_ns == later[0].start_ns
    # The new level is the baseline now, and the old one a shift.
    assert told(judged(evening([0.25] * 8, first_s=3 * 3600), guard)) == ["raised"]


@pytest.mark.parametrize("late", [False, True])
def test_a_repair_before_the_shift_is_seen_raises_nothing(late: bool) -> None:
    guard = Watchdog(WatchdogOptions())
    assert judged(evening([0.25] * 30), guard) == []
    guard.know_work([T0 + 30 * 120 * SECOND])
    assert judged(evening([0.4] * 40, first_s=30 * 120 + 60), guard) == []
    if late:  # work of before the latest one changes nothing
        guard.know_work([T0 + 5 * SECOND, T0 + 30 * 120 * SECOND])
        assert told(judged(evening([0.25] * 8, first_s=3 * 3600), guard)) == ["raised"]


def test_another_calibration_begins_anew() -> None:
    guard = Watchdog(WatchdogOptions())
    assert judged(evening([0.25] * 30), guard) == []
    other = [
        msgspec.structs.replace(row, calibration_id="other")
        for row in evening([0.4] * 30, first_s=7200)
    ]
    assert judged(other, guard) == []
    assert told(judged(evening([0.4] * 5, first_s=20_000), guard)) == []


def test_a_level_that_stands_for_long_becomes_the_baseline() -> None:
    rows = days(30, shift=0.6, from_day=10)
    changes = judged(rows)
    assert told(changes) == ["raised", "cleared"]
    assert (changes[1].time_ns - changes[0].time_ns) / 86_400e9 == pytest.approx(7, abs=1.5)
    # In one evening it does not, however many there are.
    assert told(judged(evening([0.25] * 30 + [0.4] * 200))) == ["raised"]


def test_channels_are_compared_with_themselves() -> None:
    levels = {1: 0.33, 20: 0.1, 40: 0.25}
    rng = np.random.default_rng(2)
    rows = [
        sent(k * 100, levels[channel] * (1 + 0.01 * rng.standard_normal()), channel=channel)
        for k, channel in enumerate(rng.choice([1, 20, 40], 400))
    ]
    assert judged(rows) == []
    swapped = [
        msgspec.structs.replace(row, channel={1: 20, 20: 1, 40: 40}[row.channel or 0])
        for row in rows[:60]
    ]
    moved = [
        msgspec.structs.replace(row, start_ns=row.start_ns + 50_000 * SECOND) for row in swapped
    ]
    assert told(judged([*rows, *moved])) == ["raised"]  # one alarm for both


def test_frequencies_stand_for_channels() -> None:
    rows = [
        sent(k * 100, 0.1 + 0.2 * (k % 2), channel=None, frequency_khz=(7050.0, 14_200.0)[k % 2])
        for k in range(100)
    ]
    assert judged(rows) == []
    guard = Watchdog(WatchdogOptions())
    judged(rows, guard)
    memory = msgspec.json.decode(guard.memories()[KIND])
    assert len(memory["channels"]) == 2


@pytest.mark.parametrize(
    "weak",
    [
        {"swr_noise_high": 3.3},
        {"swr": 3.1},
        {"settled_samples": 5},
        {"flags": 1},
        {"flags": 2},
        {"swr": None},
        {"swr_noise_low": None},
    ],
    ids=str,
)
def test_what_tells_too_little_is_passed_over(weak: dict[str, object]) -> None:
    rows = evening([0.25] * 30)
    poor = [sent(30 * 120 + k * 120, 0.45, **weak) for k in range(30)]
    assert judged([*rows, *poor]) == []
    assert told(judged([*rows, *poor[:15], *evening([0.45] * 5, first_s=9000)])) == ["raised"]


def test_many_channels_do_not_make_a_large_memory() -> None:
    guard = Watchdog(WatchdogOptions())
    for k in range(2000):
        guard.rows([sent(k * 20, 0.2 + 0.001 * (k % 7), channel=k % 200)])
    assert len(guard.memories()[KIND]) < 15_000


def test_lost_memory_clears_an_open_alarm() -> None:
    guard = Watchdog(WatchdogOptions(), [KIND])
    assert told(judged(evening([0.4] * 30), guard)) == ["cleared"]


def test_a_restart_changes_nothing() -> None:
    rows = evening([0.25] * 30 + [0.4] * 9 + [0.25] * 9)
    whole = judged(rows)
    assert told(whole) == ["raised", "cleared"]
    guard, found = Watchdog(WatchdogOptions()), []
    for row in rows:
        found += judged([row], guard)
        still = [KIND] if told(found) == ["raised"] else []
        guard = Watchdog(WatchdogOptions(), still, guard.memories())
    assert found == whole


def test_seconds_do_not_count() -> None:
    guard = Watchdog(WatchdogOptions())
    before = guard.memories()
    assert guard.rows([second(T0)]) == []
    assert guard.memories()[KIND] == before[KIND]


def lively_year(seed: int, channels: int = 5) -> list[Transmission]:
    """A year on the air: 8 to 23 h, an hour in two, bursts; a temperature by day and season, wind,
    powers, and single odd ones."""
    rng = np.random.default_rng(seed)
    usual = rng.uniform(0.03, 0.33, channels)
    warm = rng.uniform(-0.08, 0.08)  # of rho, from night to noon
    weather = 0.0
    rows: list[Transmission] = []
    for hour in range(YEAR_H):
        weather = 0.97 * weather + rng.normal(0, 0.03 * math.sqrt(1 - 0.97**2))
        if hour % 24 < 8 or rng.random() < 0.5:
            continue
        daily = warm * math.sin(2 * math.pi * (hour % 24 - 9) / 24)
        for at_s in np.sort(rng.uniform(0, 3500, rng.poisson(2) + 1)):
            channel = int(rng.integers(channels))
            rho = usual[channel] * (1 + weather + daily + 0.02 * rng.standard_normal())
            rho += 0.002 * rng.standard_normal() + 0.3 * (rng.random() < 0.01)
            rows.append(sent(hour * 3600 + at_s, max(rho, 1e-3), channel=channel))
    return rows


@pytest.mark.nightly
def test_years_of_weather_raise_less_than_is_allowed() -> None:
    rate = 1.0
    options = WatchdogOptions(baseline_shift=FalseAlarmOptions(false_alarms_per_year=rate))
    count = 0
    for seed in range(2):
        rows = lively_year(seed)
        assert len(rows) > 7000
        count += told(judged(rows, Watchdog(options))).count("raised")
    # Two station-years; `tests.bench.foreign_years` has more.
    assert count <= 2 * rate


def weather(seed: int, years: float, *, step: float = 0.0, from_day: int = 0) -> list[Transmission]:
    """Three transmissions a day on most days; SWR with a season of 0.05 and a weather of 0.03 that
    a day hands on to the next."""
    rng = np.random.default_rng(seed)
    count, lasting = round(365.25 * years), 0.0
    phase = rng.uniform(0, 2 * math.pi)
    rows = []
    for day in range(count):
        lasting = 0.6 * lasting + 0.03 * 0.8 * rng.standard_normal()
        season = 0.05 * math.sin(2 * math.pi * day / 365.25 + phase)
        swr = max(1.05, 1.5 + season + lasting + step * (day >= from_day))
        if rng.random() < 0.8:
            for hour in (10, 13, 16):
                rho = (swr - 1) / (swr + 1) * (1 + 0.003 * rng.standard_normal())
                rows.append(sent(86_400 * day + 3600 * hour, rho))
    return rows


def test_weather_that_lasts_for_days_is_learned() -> None:
    raised = sum(told(judged(weather(seed, 3))).count("raised") for seed in range(2))
    assert raised <= 2  # in 6 years; 40 if days were taken for independent
    found = 0
    for seed in range(3):
        changes = judged(weather(seed, 1.2, step=0.25, from_day=400))
        found += any(400 <= (one.time_ns - T0) / 86_400e9 < 407 for one in changes)
    assert found == 3


# --- the step itself, and limits ---


@pytest.mark.parametrize("gaps", [[1, 1, 2, 1, 1, 3, 1, 1, 1], [1]])
def test_the_gain_of_a_step_is_that_of_the_likelihood(gaps: list[float]) -> None:
    """Against a general minimiser: AR(1) innovations of Student's t with 4 degrees of freedom."""
    rng = np.random.default_rng(12)
    day = np.cumsum([0.0, *gaps])
    count = len(day)
    extra = rng.uniform(1e-5, 3e-4, count)
    departure = 0.03 * rng.standard_normal(count) + 0.15 * (day >= min(6, count - 1))
    departure[count // 3] += 0.2 * (count > 3)  # a wild day
    first = np.array([1, 4, 5, 8]) if count > 3 else np.array([1])
    steps = fit_steps(Series(day, departure, extra, 2e-3, 5e-4, 2.5e-3, 0.03, 0.6), first)
    keep = 0.6 ** np.diff(day)
    sd = np.sqrt(np.append(0.03**2, 0.03**2 * (1 - keep**2)) + extra)

    def loss(offset: float, tilt: float, size: float, at: int) -> float:
        rest = departure - offset - tilt * day / day[-1] - size * (np.arange(count) >= at)
        news = np.append(rest[0], rest[1:] - keep * rest[:-1]) / sd
        fit = 2.5 * float(np.log1p(news**2 / 4).sum())
        return fit + offset**2 / (2 * 2e-3) + tilt**2 / (2 * 5e-4)

    def least(*start: float, at: int, size: float | None = None) -> float:
        given = [] if size is None else [size]
        found = scipy.optimize.minimize(
            lambda x: 100 * loss(*x[:2], *(given or x[2:]), at), start, tol=1e-12
        )
        return float(found.fun) / 100

    none = least(0.0, 0.0, at=count, size=0.0)
    for place, at in enumerate(first.tolist()):
        size = float(steps.size[place])
        assert steps.gain[place] == pytest.approx(none - least(0.0, 0.0, size, at=at), abs=0.03)
        assert none - least(0.0, 0.0, at=at, size=size) == pytest.approx(
            steps.gain[place], abs=0.03
        )
    if count < 3:
        return
    # The same averaged over sizes of 0.3.
    sizes = np.linspace(-0.1, 0.4, 26)
    ratios = np.array([none - least(0.0, 0.0, at=5, size=size) for size in sizes.tolist()])
    share = np.exp(-(sizes**2) / (2 * 0.3**2)) / (0.3 * math.sqrt(2 * math.pi)) * 0.02
    assert steps.evidence[2] == pytest.approx(math.log(np.exp(ratios) @ share), abs=0.25)


def steady(
    days_: int, swr: float = 1.5, *, every: int = 1, **changes: object
) -> list[Transmission]:
    """Four transmissions a day at one SWR, with a scatter of 0.01."""
    rng = np.random.default_rng(13)
    values = swr + 0.01 * rng.standard_normal((days_, 4))
    return [
        sent(86_400 * every * day + 3600 * (10 + hour), (value - 1) / (value + 1), **changes)
        for day in range(days_)
        for hour, value in enumerate(values[day].tolist())
    ]


def rise(size: float, day: int, count: int = 4) -> list[Transmission]:
    rho = (0.5 + size) / (2.5 + size)
    return [sent(86_400 * day + 3600 * (10 + hour), rho) for hour in range(count)]


@pytest.mark.parametrize(
    ("size", "count", "number"),
    [(0.38, 4, 1), (0.32, 4, 0), (0.38, 3, 0), (-0.38, 4, 1), (-0.32, 4, 0)],
)
def test_four_in_a_row_further_than_0_35_are_told_at_once(
    size: float, count: int, number: int
) -> None:
    guard = Watchdog(WatchdogOptions())
    judged(steady(30), guard)
    found = judged(rise(size, 30, count), guard)
    assert len(found) == number
    if found:
        assert found[0].time_ns == rise(size, 30)[3].end_ns + 1000
        assert found[0].value == pytest.approx(1.5 + size, abs=0.01)
        day = np.datetime64(rise(size, 30)[0].start_ns, "ns").astype("datetime64[D]")
        assert f"SWR 1.50 before, now {found[0].value:.2f} (" in found[0].detail
        assert f"on channel 20 since {day}" in found[0].detail


def test_the_first_year_may_be_seasonal() -> None:
    for days_, seasonal in ((365, True), (366, False)):
        guard = Watchdog(WatchdogOptions())
        judged(steady(30), guard)
        memories = guard.memories()
        memory = msgspec.json.decode(memories[KIND])
        memory["channels"]["channel 20"]["first"] += 30 - days_
        again = Watchdog(WatchdogOptions(), [], {KIND: msgspec.json.encode(memory)})
        (raised,) = judged(rise(0.5, 30), again)
        assert ("this may be seasonal" in raised.detail) == seasonal


@pytest.mark.parametrize(("size", "raised"), [(0.1, False), (0.15, True), (-0.15, True)])
def test_a_step_is_told_on_its_second_day_if_it_is_larger_than_0_12(
    size: float, raised: bool
) -> None:
    guard = Watchdog(WatchdogOptions())
    judged(steady(60), guard)
    first, *later = [judged(rise(size, 60 + day), guard) for day in range(3)]
    assert first == []
    found = [change for changes in later for change in changes]
    assert told(found) == ["raised"] * raised
    if raised:
        assert found[0].value == pytest.approx(1.5 + size, abs=0.02)
        day_ = np.datetime64(rise(size, 60)[0].start_ns, "ns").astype("datetime64[D]")
        assert f"on channel 20 since {day_}" in found[0].detail
        before, now, low, high = map(float, re.findall(r"\d+\.\d+", found[0].detail)[:4])
        assert (before, now) == pytest.approx((1.5, 1.5 + size), abs=0.02)
        # Two days of a weather of 0.012, at least, that lasts for a day or two.
        assert low < now < high
        assert 0.02 < high - low < 0.065
        levels = msgspec.json.decode(guard.memories()[KIND])["shift"]["levels"]
        assert levels["channel 20"] == pytest.approx(1.5, abs=0.02)


@pytest.mark.parametrize(
    ("changes", "counts"),
    [
        ({"settled_samples": 19}, False),
        ({"settled_samples": 20}, True),
        ({"noise": 0.0205}, False),
        ({"noise": 0.0190}, True),
    ],
)
def test_what_counts(changes: dict[str, float], counts: bool) -> None:
    """Twenty settled pairs, and noise of a hundredth of the reflection coefficient, one sigma."""
    noise = changes.pop("noise", None)
    if noise:
        low, high = (float(reflection.swr(0.2 + off)) for off in (-1e-3, noise))
        changes |= {"swr_noise_low": low, "swr_noise_high": high}
    guard = Watchdog(WatchdogOptions())
    judged([sent(0.0, 0.2, **changes)], guard)
    assert bool(msgspec.json.decode(guard.memories()[KIND]).get("channels")) == counts


@pytest.mark.parametrize(("every", "since"), [(1, 11), (3, 21)])
def test_a_day_is_learned_when_it_is_ten_days_old_and_six_came_after_it(
    every: int, since: int
) -> None:
    guard = Watchdog(WatchdogOptions())
    judged(steady(40, every=every), guard)
    channel = msgspec.json.decode(guard.memories()[KIND])["channels"]["channel 20"]
    assert channel["day"] - channel["forecast"]["day"] == since
    assert [count for _, _, count in channel["held"]] == [4] * len(channel["held"])
    assert channel["count"] == 4
    assert channel["seen"] == 10
    assert channel["day"] - channel["first"] == 39 * every
    # Variance of a transmission about its day, over ten days.
    assert channel["scatter"] == pytest.approx(1e-4, rel=0.5)


@pytest.mark.parametrize(("sign", "low", "high"), [(1, 0.55, 1.0), (-1, 0.0, 0.2)])
def test_the_weather_of_channels_is_compared_day_by_day(sign: int, low: float, high: float) -> None:
    guard = Watchdog(WatchdogOptions())
    rng = np.random.default_rng(14)
    for day in range(80):
        weather_ = 0.04 * rng.standard_normal()
        rows = []
        for channel, off in ((1, weather_), (20, sign * weather_)):
            swr = 1.5 + off
            rows.append(
                sent(86_400 * day + 36_000 + channel, (swr - 1) / (swr + 1), channel=channel)
            )
        judged(rows, guard)
    memory = msgspec.json.decode(guard.memories()[KIND], type=baseline_shift.Memory)
    # Every day but the last six and today's, and the first, which has nothing before it.
    assert memory.likeness.pairs == pytest.approx(73, abs=3.5)
    assert low <= memory.likeness.correlation <= high


def test_a_raised_step_is_followed_by_another_or_by_the_return() -> None:
    guard = Watchdog(WatchdogOptions())
    judged(steady(30), guard)
    assert told(judged(rise(0.5, 30), guard)) == ["raised"]
    second = judged(rise(1.2, 31), guard)
    assert told(second) == ["cleared", "raised"]
    assert second[0].detail == "another step followed"
    assert "SWR 2.0" in second[1].detail
    (back,) = judged(rise(0.0, 32), guard)  # to the levels before the first
    assert (back.change, back.detail) == ("cleared", baseline_shift.RETURNED)


def test_a_level_clears_after_seven_days_with_readings() -> None:
    guard = Watchdog(WatchdogOptions())
    judged(steady(30), guard)
    found = [judged(rise(0.5, day), guard) for day in range(30, 40)]
    assert [len(each) for each in found] == [1, 0, 0, 0, 0, 0, 0, 1, 0, 0]
    assert found[7][0].detail == "the new level has lasted for 7 days with readings"


def test_the_levels_before_a_step_are_remembered_of_all_channels() -> None:
    guard = Watchdog(WatchdogOptions())
    for row in steady(30), steady(30, 1.3, channel=1):
        judged(row, guard)
    assert told(judged(rise(0.5, 30), guard)) == ["raised"]
    shift = msgspec.json.decode(guard.memories()[KIND])["shift"]
    assert shift["levels"] == pytest.approx({"channel 1": 1.3, "channel 20": 1.5}, abs=0.01)
    assert shift["raised_ns"] == rise(0.5, 30)[3].end_ns


def common(channels: int, before: int, size: float, seed: int = 0) -> list[int]:
    """Days after a step of all channels at which it is raised; each has weather of its own."""
    rng, guard, raised = np.random.default_rng(seed), Watchdog(WatchdogOptions()), []
    for day in range(before + 4):
        for channel in range(channels):
            swr = 1.6 + 0.05 * rng.uniform(-1.7, 1.7) + size * (day >= before)
            rho = (swr - 1) / (swr + 1)
            at_s = 86_400 * day + 36_000 + 60 * channel
            found = judged([sent(at_s, rho, channel=channel)], guard)
            raised += [day - before for change in found if change.change == "raised"]
    return raised


@pytest.mark.parametrize(
    ("before", "size", "seed", "days_"),
    [
        (25, 0.16, 1, [1]),
        (25, 0.16, 3, [1]),
        (25, 0.0, 0, []),
        (8, 0.18, 0, [1]),
        (7, 0.18, 0, [2]),
    ],
)
def test_a_step_of_several_channels_is_told_on_its_second_day(
    before: int, size: float, seed: int, days_: list[int]
) -> None:
    """With the first two seeds no channel alone is certain until the third day. Nothing is told
    before the tenth day with readings."""
    assert common(5, before, size, seed) == days_
