"""Rule `detector-fault`, power and gain from session to session, on invented weeks.

Sessions follow one another at 5 to 20 h, in one mode and on one channel each; the watts of a mode,
the scatter of speech and the weather are drawn here and are no formula of the rule.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from logger.physics import reflection
from logger.rows import Transmission
from logger.watchdog.detector_fault import level
from tests.test_store import SECOND, T0, transmission

HOUR_NS = 3600 * SECOND
CRESTS = {"fm": 1.03, "am": 2.5, "ssb": 8.0}  # highest over mean watts
STATIONS: dict[str, tuple[dict[str, tuple[float, float]], dict[int, float]]] = {
    # watts and scatter (ln) of each mode; reflection of each channel
    "carrier": ({"fm": (4.0, 0.01)}, {1: 0.18, 20: 0.13, 40: 0.09}),
    "two modes": ({"fm": (4.0, 0.01), "am": (1.2, 0.02)}, {3: 0.11, 38: 0.2}),
    "speech": ({"ssb": (1.0, 0.2)}, {20: 0.15}),
}
Effect = Callable[[float, float], tuple[float, float]]  # watts, rho -> as read
EFFECTS: dict[str, tuple[Effect, str]] = {
    "power halved": (lambda w, r: (w / 2, r), "at the same reflection"),
    "power down by 1.5 dB": (lambda w, r: (w * 10**-0.15, r), "at the same reflection"),
    "power up by 1.5 dB": (lambda w, r: (w * 10**0.15, r), "at the same reflection"),
    "forward gain": (lambda w, r: (w * 10**-0.15, r * 10**0.075), "gain of the forward"),
    "reflected gain": (lambda w, r: (w, r * 10**-0.075), "reflected reading has lost gain"),
}


def sessions(
    name: str, days: float, seed: int, effect: Effect, since_day: float
) -> list[tuple[float, Transmission]]:
    """Return (day, transmission) of an invented station; the effect begins at a day."""
    rng = np.random.default_rng(seed)
    modes, channels = STATIONS[name]
    rows = []
    day = 0.0
    weather = 0.0
    while day < days:
        mode, channel = rng.choice(list(modes)), int(rng.choice(list(channels)))
        watts, scatter = modes[mode]
        weather = 0.7 * weather + 0.015 * float(rng.standard_normal())
        at_ns = T0 + round(day * 24 * HOUR_NS)
        for _ in range(int(rng.integers(2, 7))):
            read_w = watts * math.exp(scatter * float(rng.standard_normal()))
            rho = channels[channel] * math.exp(weather + 0.01 * float(rng.standard_normal()))
            if day >= since_day:
                read_w, rho = effect(read_w, rho)
            low, high = (float(reflection.swr(rho + d)) for d in (-0.002, 0.002))
            rows.append(
                (
                    day,
                    transmission(
                        at_ns,
                        swr=float(reflection.swr(rho)),
                        swr_noise_low=low,
                        swr_noise_high=high,
                        forward_w_mean=read_w,
                        forward_w_max=read_w * CRESTS[mode],
                        channel=channel,
                    ),
                )
            )
            at_ns += round(float(rng.uniform(10, 90)) * SECOND)
        day += float(rng.uniform(5, 20)) / 24
    return rows


def changes(rows: list[tuple[float, Transmission]]) -> list[tuple[float, str | None]]:
    """Return (day, words) whenever what is said begins or ends."""
    memory = level.Memory()
    said: list[tuple[float, str | None]] = []
    for day, row in rows:
        words = level.judge(memory, row)
        if bool(words) != bool(said and said[-1][1]):
            said.append((day, words))
    return said


@pytest.mark.parametrize("name", STATIONS)
@pytest.mark.parametrize("what", EFFECTS)
def test_change_of_1_5_db_is_detected_within_two_days(name: str, what: str) -> None:
    effect, words = EFFECTS[what]
    said = changes(sessions(name, 17.0, 2, effect, 14.0))
    assert said
    day, first = said[0]
    assert 14.0 <= day <= (16.5 if name == "speech" else 16.0)
    assert first is not None
    assert words in first


def test_a_change_clears_when_it_is_over() -> None:
    def effect(watts: float, rho: float) -> tuple[float, float]:
        return watts / 2, rho

    bad = sessions("two modes", 23.0, 3, effect, 21.0)
    good = sessions("two modes", 26.0, 3, effect, 99.0)
    said = changes(bad + [(day, row) for day, row in good if day > bad[-1][0]])
    assert [bool(words) for _, words in said] == [True, False]


def test_a_change_that_stays_becomes_the_usual_level() -> None:
    said = changes(sessions("carrier", 40.0, 4, EFFECTS["power halved"][0], 21.0))
    assert [bool(words) for _, words in said] == [True, False]


@pytest.mark.nightly
@pytest.mark.parametrize("name", STATIONS)
def test_two_months_of_usual_use_raises_nothing(name: str) -> None:
    assert changes(sessions(name, 60.0, 5, lambda w, r: (w, r), 999.0)) == []


@pytest.mark.parametrize(
    "effect",
    [
        lambda w, r: (w * 1.15, min(2 * r + 0.2, 0.9)),  # another load, and a little more power
        lambda w, r: (w * 0.6, 0.95),  # an open line
        lambda w, r: (w, r * 1.3),  # the reflection alone rises
    ],
)
def test_changes_of_reflection_are_left_to_other_rules(effect: Effect) -> None:
    assert changes(sessions("two modes", 30.0, 6, effect, 21.0)) == []


def test_wet_days_on_a_single_channel_are_no_lost_gain() -> None:
    rng = np.random.default_rng(12)
    steady = 0.09
    rows = []
    for day in range(21):
        wet = 0.02 * rng.uniform(0.3, 1) * (rng.random() < 0.4)
        for hour in rng.choice([7, 12, 18], 2, replace=False):
            for minute in range(4):
                rho = abs(steady - wet + 0.001 * complex(*rng.standard_normal(2)))
                at_ns = T0 + ((day * 24 + int(hour)) * 60 + minute) * 60 * SECOND
                low, high = (float(reflection.swr(rho + d)) for d in (-0.001, 0.001))
                swr = float(reflection.swr(rho))
                change = {"swr": swr, "swr_noise_low": low, "swr_noise_high": high}
                rows.append((float(day), transmission(at_ns, channel=20, **change)))
    assert changes(rows) == []


def test_one_session_in_a_new_mode_is_no_change() -> None:
    rows = sessions("carrier", 30.0, 7, lambda w, r: (w, r), 99.0)
    first = next(day for day, _ in rows if day > 21)
    other = sessions("carrier", 30.0, 7, lambda w, r: (w / 4, r), 21.0)
    mixed = [
        o if day == first else one for one, o in zip(rows, other, strict=True) for day in [one[0]]
    ]
    assert changes(mixed) == []


def test_an_unreadable_transmission_does_not_join_two_sessions() -> None:
    """The first of each session is too short to count."""
    rows = sessions("carrier", 30.0, 7, lambda w, r: (w, r), 99.0)
    with_tests: list[tuple[float, Transmission]] = []
    for number, (day, row) in enumerate(rows):
        if number == 0 or rows[number - 1][0] != day:
            before_ns = row.start_ns - 60 * SECOND
            with_tests.append((day, transmission(before_ns, settled_samples=0)))
        with_tests.append((day, row))
    memories = level.Memory(), level.Memory()
    for memory, some in zip(memories, (rows, with_tests), strict=True):
        for _, row in some:
            level.judge(memory, row)
    plain, tested = ([one.session for one in memory.readings] for memory in memories)
    assert len(set(plain)) > 10
    assert np.diff(tested).tolist() == np.diff(plain).tolist()
