"""Weeks of a station, day by day: realistic operating, weather, and at most one fault.

A day has one to three sessions of overs. Around each over (3 s before, 5 s after) and each foreign
signal the stream has the bridge's full rate; the idle rest of the day has one pair every `idle_s`.
A fault begins at a random hour of the day after the sound ones and lasts to the end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.foreign_stations.contact import Open, draw_burst
from tests.foreign_stations.detector import DIODES
from tests.foreign_stations.envelope import Over
from tests.foreign_stations.intruder import Intruder
from tests.foreign_stations.record import EPOCH_NS, Record
from tests.foreign_stations.render import Condition, render
from tests.foreign_stations.station import Station, draw_station, with_diodes

DAY_S = 86_400.0


@dataclass(frozen=True)
class Size:
    """How bad this fault is: `part` from 0 to 1, and a direction in the plane of reflection."""

    part: float
    turn: complex


Change = Callable[[Condition, float, Size], Condition]  # condition, days since onset, size


def ramp(days: float, over_days: float) -> float:
    """Return how far a slow fault has come, 0 to 1."""
    return min(days / over_days, 1.0)


def shift(least: float, most: float, over_days: float) -> Change:
    """Return a change of the reflection that takes `over_days`."""
    return lambda c, d, s: replace(
        c,
        reflection_shift=c.reflection_shift
        + s.turn * (least + (most - least) * s.part) * ramp(d, over_days),
    )


def wet_line(c: Condition, d: float, s: Size) -> Condition:
    """Water creeps in over three weeks: more loss, and a reflection of its own."""
    progress = ramp(d, 21.0)
    return replace(
        c,
        line_factor=10.0 ** (-(1.0 + 3.0 * s.part) * progress / 10.0) * np.exp(0.6j * progress),
        reflection_shift=c.reflection_shift + 0.12 * s.turn * progress,
    )


CHANGES: dict[str, Change] = {
    "hot-joint": lambda c, d, s: replace(
        c, hot_ohm=(8.0 + 40.0 * s.part) * (0.4 + 0.6 * ramp(d, 10.0)), hot_s=10.0 + 30.0 * s.part
    ),
    "water-in-line": wet_line,
    "plug-worsening": lambda c, d, s: replace(c, series_ohm=(6 + 25 * s.part) * ramp(d, 14.0)),
    "element-slipped": shift(0.05, 0.2, 1e-6),
    "element-creeping": shift(0.06, 0.2, 14.0),
    "line-open": lambda c, d, s: replace(c, series_ohm=1e5),
    "line-shorted": lambda c, d, s: replace(c, line_factor=0.0, reflection_shift=0.95 * s.turn),
    "reflected-detector-down": lambda c, d, s: replace(c, reflected_db=-2.0 - 2.0 * s.part),
    "reflected-diode-dead": lambda c, d, s: replace(c, reflected_dead=True),
    "forward-gain-step": lambda c, d, s: replace(c, forward_db=-1.2 - 0.8 * s.part),
    "power-halved": lambda c, d, s: replace(c, power_factor=0.5),
    "zero-drift": lambda c, d, s: replace(
        c, zero_shift_v=(0.0, (0.01 + 0.04 * s.part) * ramp(d, 7.0))
    ),
}
CONTACTS: dict[str, tuple[str, float, float]] = {  # kind, bursts a keyed minute at onset and later
    "loose-plug": ("open", 0.3, 3.0),
    "key-down-opens": ("key-down", 0.0, 0.0),  # in half of the overs
    "long-opens": ("long", 0.2, 1.5),
    "arcing-contact": ("arc", 0.3, 3.0),
    "series-contact": ("series", 0.5, 4.0),
    "plug-worsening": ("series", 0.05, 1.0),
}
FAULTS = tuple(sorted({*CHANGES, *CONTACTS, "foreign-carrier"}))
SETTINGS = ((1.0,), (0.2,), (1.0, 0.25), (1.0, 0.3, 0.1))  # parts of the full power
SOUND = (
    "sound-calm",
    "sound-windy",
    "sound-speech",
    "sound-modes",
    "sound-wet-days",
    "sound-shack-temperature",
    "sound-neighbour",
)


@dataclass(frozen=True)
class Weather:
    """Weather by day (days,): mean degC, daily swing, wind scale, wet 0 to 1."""

    mean_c: np.ndarray
    swing_c: np.ndarray
    wind: np.ndarray
    wet: np.ndarray

    def outdoor_c(self, seconds: float) -> float:
        """Return the outdoor temperature; warmest at 15 h."""
        day = min(int(seconds // DAY_S), len(self.mean_c) - 1)
        turn = 2 * np.pi * (seconds / DAY_S - 15 / 24)
        return float(self.mean_c[day] + self.swing_c[day] * np.cos(turn))


def draw_weather(days: int, wind: float, wet: float, rng: np.random.Generator) -> Weather:
    """Return weather with fronts of a few days; `wet` is the part of days with rain."""
    front = np.zeros(days)
    for day in range(1, days):
        front[day] = 0.75 * front[day - 1] + 0.66 * rng.standard_normal()
    return Weather(
        10.0 + 4.0 * front + 0.08 * np.arange(days),
        rng.uniform(1.5, 6.0, days),
        wind * np.exp(0.5 * rng.standard_normal(days)),
        np.where(rng.random(days) < wet, rng.uniform(0.3, 1.0, days), 0.0),
    )


@dataclass(frozen=True)
class History:
    """Days of one station; iterate to get the records.

    onset_ns   when the fault began, None for a sound station (a shack that cools, or warms, by 12
               degrees is sound)
    """

    cause: str
    station: Station
    seed: int
    sound_days: int
    days: int
    minutes_a_day: float
    idle_s: float
    onset_s: float
    weather: Weather
    size: Size
    start_ns: int = EPOCH_NS

    @property
    def onset_ns(self) -> int | None:
        """Time of onset."""
        if self.cause in SOUND:
            return None
        return self.start_ns + round(self.onset_s * 1e9)

    def __iter__(self) -> Iterator[Record]:
        return (self.day(number) for number in range(self.days))

    def condition(self, seconds: float) -> Condition:
        """Return the condition at a second since the start of the history."""
        day = min(int(seconds // DAY_S), self.days - 1)
        shack_c = 20.0 + 0.15 * (self.weather.outdoor_c(seconds) - 12.0)
        since = (seconds - self.onset_s) / DAY_S
        if self.cause == "sound-shack-temperature":
            shack_c += 12.0 * np.sign(self.size.turn.real) * ramp(max(since, 0.0), 14.0)
        condition = Condition(
            shack_c=shack_c,
            outdoor_c=self.weather.outdoor_c(seconds),
            wind=float(self.weather.wind[day]),
            reflection_shift=0.02 * self.size.turn * float(self.weather.wet[day]),
        )
        if since >= 0 and self.cause in CHANGES:
            condition = CHANGES[self.cause](condition, since, self.size)
        return condition

    def day(self, number: int) -> Record:
        """Return the record of a day, seconds counted from its midnight."""
        rng = np.random.default_rng([4, self.seed, number])
        begin = number * DAY_S
        overs = plan_day(self.station, self.minutes_a_day, rng)
        opens = self.draw_opens(overs, begin, rng)
        intruders = self.draw_intruders(overs, begin, rng)
        return render(
            self.station,
            overs,
            opens,
            intruders,
            lambda seconds: self.condition(begin + seconds),
            seed=int(rng.integers(2**31)),
            start_ns=self.start_ns + round(begin * 1e9),
            span_s=(0.0, DAY_S),
            idle_s=self.idle_s,
        )

    def draw_opens(
        self, overs: Sequence[Over], begin: float, rng: np.random.Generator
    ) -> list[Open]:
        """Return the openings of a bad contact in the overs of a day."""
        if self.cause not in CONTACTS:
            return []
        kind, first, later = CONTACTS[self.cause]
        opens: list[Open] = []
        for over in overs:
            since = (begin + over.start_s - self.onset_s) / DAY_S
            if since < 0:
                continue
            rate = first + (later - first) * ramp(since, 10.0) * (0.3 + 0.7 * self.size.part)
            count = rng.poisson(rate * over.duration_s / 60.0)
            if kind == "key-down":
                count = int(rng.random() < 0.5)
            bursts = [draw_burst(over, rng, kind) for _ in range(count)]
            end = -1.0
            for contact in sorted((o for b in bursts for o in b), key=lambda o: o.start_s):
                if contact.start_s > end + 0.02:
                    opens.append(contact)
                    end = contact.start_s + contact.duration_s
        return opens

    def draw_intruders(
        self, overs: Sequence[Over], begin: float, rng: np.random.Generator
    ) -> list[Intruder]:
        """Return the foreign signals of a day."""
        is_neighbour = self.cause == "sound-neighbour"
        if not is_neighbour and (self.cause != "foreign-carrier" or begin < self.onset_s):
            return []
        signals: list[Intruder] = []
        for hour in rng.uniform(6, 22, rng.integers(1, 4)):
            at = float(hour) * 3600
            for _ in range(rng.integers(1, 7) if is_neighbour else 1):  # a neighbour's overs
                signal = Intruder(
                    at,
                    float(rng.uniform(3, 60)) if is_neighbour else float(rng.uniform(60, 300)),
                    power_w=float(np.exp(rng.uniform(np.log(0.02), np.log(0.5)))),
                    path="antenna" if is_neighbour else str(rng.choice(["both", "reflected"])),
                    offset_hz=float(rng.uniform(-900, 900)),
                    mode=str(rng.choice(["fm", "ssb"])) if is_neighbour else "fm",
                )
                at = signal.end_s + float(rng.uniform(2, 60))
                if all(s.end_s < signal.start_s - 1 or s.start_s > at for s in signals):
                    signals.append(signal)
        for over in overs:
            if rng.random() < 0.1:  # begins before key-down and goes on into the over
                start = over.start_s - float(rng.uniform(0.5, 3.0))
                if all(s.end_s < start - 5 or s.start_s > over.end_s + 5 for s in signals):
                    length = float(rng.uniform(1, 3 + 0.5 * over.duration_s))
                    signals.append(Intruder(start, length, 0.1, "antenna", rng.uniform(-900, 900)))
        return signals


def plan_day(station: Station, minutes: float, rng: np.random.Generator) -> list[Over]:
    """Return the overs of a day, `minutes` of them in all, in one to three sessions."""
    count = int(rng.integers(1, 4))
    hours = np.sort(rng.choice([7.5, 10.0, 12.5, 16.0, 18.5, 21.0], count, replace=False))
    overs = []
    for hour in hours:
        at = (float(hour) + float(rng.uniform(0, 0.5))) * 3600
        left = minutes * 60 / count * float(rng.uniform(0.7, 1.3))
        mode = str(rng.choice(station.modes))
        channel = int(rng.choice(station.channels))
        most = {"fm": 0.85, "cw": 0.85, "am": 0.25}.get(mode, 0.95) * station.highest_w
        if len(station.powers) > 1:
            most *= float(rng.choice(station.powers))
        limit = at + 2.3 * 3600
        while left > 1 and at < limit - 130:
            duration = float(np.clip(np.exp(rng.normal(np.log(14), 0.8)), 2.0, 120.0))
            duration = max(2.0, min(duration, left))
            watts = most * (1 + 0.01 * float(rng.standard_normal()))
            overs.append(
                Over(
                    at, duration, mode, watts, channel,
                    rise_s=float(rng.uniform(1e-3, 8e-3)), fall_s=float(rng.uniform(1e-3, 8e-3)),
                    droop=0.03, voice=int(rng.integers(2)),
                )
            )  # fmt: skip
            left -= duration
            at += duration + float(np.exp(rng.uniform(np.log(3), np.log(60))))
    return overs


def history(
    cause: str,
    seed: int,
    sound_days: int = 21,
    fault_days: int = 10,
    minutes_a_day: float = 5.0,
    *,
    station: Station | None = None,
    idle_s: float = 1.0,
) -> History:
    """Return the days of a random (or given) station with a cause of FAULTS or a kind of SOUND."""
    if cause not in FAULTS and cause not in SOUND:
        raise ValueError(f"unknown cause: {cause}")
    rng = np.random.default_rng([5, seed])
    station = station or draw_station(seed)
    if cause == "sound-speech":
        station = replace(station, modes=("ssb",))
    if cause == "sound-modes":
        station = replace(station, modes=("fm", "am", "ssb", "cw", "two-tone"))
    if cause == "sound-shack-temperature":
        chance = np.random.default_rng([6, seed])
        powers = SETTINGS[chance.integers(len(SETTINGS))]
        station = replace(with_diodes(station, str(chance.choice(sorted(DIODES)))), powers=powers)
    days = sound_days + fault_days
    wind = {"sound-calm": 0.3, "sound-windy": 3.0}.get(cause, float(rng.uniform(0.5, 1.5)))
    weather = draw_weather(days, wind, 0.4 if cause == "sound-wet-days" else 0.0, rng)
    size = Size(float(rng.random()), complex(np.exp(2j * np.pi * rng.random())))
    onset_s = (sound_days + float(rng.uniform(0.3, 0.6))) * DAY_S
    return History(
        cause, station, seed, sound_days, days, minutes_a_day, idle_s, onset_s, weather, size
    )
