"""Causes of trouble: what each does to the feedline, its contacts and the data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from tests.foreign_faults.draws import DAY_S, Floats, Integers, Random, log_uniform
from tests.foreign_faults.habits import SETTLE_S, Gap, Traffic, Weather
from tests.foreign_faults.station import Feedline


@dataclass(frozen=True)
class Opening:
    """A contact opens to `resistance`, or a crash of static reads as `rho`, within key-down `over`.

    `start_s` counts from key-down.
    """

    over: int
    start_s: float
    duration_s: float
    resistance: float = np.inf
    rho: float | None = None

    @property
    def end_s(self) -> float:
        """End since key-down."""
        return self.start_s + self.duration_s


@dataclass(frozen=True)
class Moments:
    """Moments (m,) within key-downs: index of the key-down, seconds since it."""

    traffic: Traffic
    weather: Weather
    over: Integers
    inside_s: Floats

    @property
    def time_s(self) -> Floats:
        """Seconds since the start of the history."""
        return self.traffic.start_s[self.over] + self.inside_s


@dataclass(frozen=True)
class Cause:
    """A trouble from `onset_s` to `end_s`, at the plug `place`: "mast" or "radio".

    After unsuccessful work at `reworked_s` a contact opens `rework` times as often.
    """

    kind: ClassVar[str]
    family: ClassVar[str] = "feedline"
    onset_s: float
    place: str = "mast"
    end_s: float = np.inf
    reworked_s: float = np.inf
    rework: float = 1.0

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        """Draw the parameters."""
        raise NotImplementedError

    def is_active(self, time_s: Floats) -> NDArray[np.bool_]:
        """Between onset and end."""
        return np.asarray((time_s >= self.onset_s) & (time_s < self.end_s))

    def change(self, line: Feedline, moments: Moments) -> Feedline:
        """Return the condition of the feedline with this trouble."""
        return line

    def openings(self, traffic: Traffic, weather: Weather, rng: Random) -> list[Opening]:
        """Draw short departures."""
        return []

    def gaps(self) -> tuple[Gap, ...]:
        """Return times without data."""
        return ()

    def days(self, time_s: Floats) -> Floats:
        """Days since onset, not below 0."""
        return np.maximum(time_s - self.onset_s, 0) / DAY_S

    def _bursts(
        self, traffic: Traffic, per_minute: Floats, rng: Random, lengths_s: tuple[float, float]
    ) -> list[Opening]:
        """Draw bursts of 1 to 6 openings at a rate (n,) per keyed minute."""
        rate = np.where(self.is_active(traffic.start_s), per_minute, 0.0)
        rate = rate * np.where(traffic.start_s >= self.reworked_s, self.rework, 1.0)
        openings = []
        counts = rng.poisson(rate * traffic.duration_s / 60)
        for over in np.flatnonzero(counts):
            for _ in range(counts[over]):
                start = rng.uniform(SETTLE_S, traffic.duration_s[over])
                for _ in range(rng.integers(1, 7)):
                    length = log_uniform(rng, *lengths_s)
                    full = rng.random() < 0.6
                    ohm = np.inf if full else log_uniform(rng, 25, 600)
                    if start + length < traffic.duration_s[over] - 0.02:
                        openings.append(Opening(int(over), start, length, ohm))
                    start += length + log_uniform(rng, 0.03, 1.5)
        return openings


@dataclass(frozen=True)
class LoosePlug(Cause):
    """A plug that opens more and more often, most openings of 8 to 250 ms, a few of seconds."""

    kind: ClassVar[str] = "loose-plug"
    first_per_minute: float = 0.1
    most_per_minute: float = 3.0
    growth_days: float = 5.0

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        first, most = log_uniform(rng, 0.02, 0.2), log_uniform(rng, 0.8, 6)
        return cls(onset_s, place, first_per_minute=first, most_per_minute=most,
                   growth_days=log_uniform(rng, 2, 10))  # fmt: skip

    def openings(self, traffic: Traffic, weather: Weather, rng: Random) -> list[Opening]:
        growth = np.exp(np.minimum(self.days(traffic.start_s) / self.growth_days, 20))
        rate = np.minimum(self.first_per_minute * growth, self.most_per_minute)
        short = self._bursts(traffic, 0.93 * rate, rng, (0.008, 0.25))
        return short + self._bursts(traffic, 0.07 * rate, rng, (0.4, 3.0))


@dataclass(frozen=True)
class WindContact(Cause):
    """A contact that chatters in gusts above `calm_m_s` and never below."""

    kind: ClassVar[str] = "wind-contact"
    calm_m_s: float = 6.0
    per_minute: float = 2.0  # at 3 m/s above it

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        return cls(onset_s, place, calm_m_s=rng.uniform(4.5, 8.5),
                   per_minute=log_uniform(rng, 0.7, 5))  # fmt: skip

    def openings(self, traffic: Traffic, weather: Weather, rng: Random) -> list[Opening]:
        gust = weather.interpolate(weather.gust_m_s, traffic.start_s)
        above = np.maximum(gust - self.calm_m_s, 0) / 3
        rate = np.minimum(self.per_minute * above**1.5, 20)
        return self._bursts(traffic, rate, rng, (0.003, 0.08))


@dataclass(frozen=True)
class Water(Cause):
    """Water creeps into the line, faster while it rains: loss, and a reflection of its own."""

    kind: ClassVar[str] = "water"
    most_db: float = 2.0
    most_water: float = 0.3
    creep_days: float = 10.0

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        return cls(onset_s, place, most_db=rng.uniform(0.8, 4), most_water=rng.uniform(0.1, 0.6),
                   creep_days=log_uniform(rng, 3, 18))  # fmt: skip

    def change(self, line: Feedline, moments: Moments) -> Feedline:
        weather, time_s = moments.weather, moments.time_s
        soaking = np.cumsum(0.35 + 2.5 * weather.wetness) / 24
        onset = weather.interpolate(soaking, np.array([self.onset_s]))
        days = np.maximum(weather.interpolate(soaking, time_s) - onset, 0)
        part = (1 - np.exp(-days / self.creep_days)) * self.is_active(time_s)
        return line.add(wet_db=self.most_db * part, water=self.most_water * part)


@dataclass(frozen=True)
class HotJoint(Cause):
    """A joint whose resistance rises with its heat while the key is down, and cools at rest."""

    kind: ClassVar[str] = "hot-joint"
    ohm: float = 15.0  # added after minutes of 4 W
    heating_s: float = 15.0
    cooling_s: float = 30.0
    growth_days: float = 3.0

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        return cls(onset_s, place, ohm=log_uniform(rng, 8, 45), heating_s=log_uniform(rng, 5, 30),
                   cooling_s=log_uniform(rng, 15, 90), growth_days=rng.uniform(0.2, 7))  # fmt: skip

    def change(self, line: Feedline, moments: Moments) -> Feedline:
        traffic = moments.traffic
        limit = traffic.mean_w() / 4.0
        fade = np.exp(-traffic.duration_s / self.heating_s)
        rest = np.diff(traffic.start_s, append=np.inf) - traffic.duration_s
        cool = np.exp(-rest / self.cooling_s)
        heat, warmth = np.zeros(len(traffic)), 0.0
        for i in range(len(traffic)):
            heat[i] = warmth
            warmth = (limit[i] + (warmth - limit[i]) * fade[i]) * cool[i]
        top = limit[moments.over]
        warm = top + (heat[moments.over] - top) * np.exp(-moments.inside_s / self.heating_s)
        strength = 1 - 0.6 * np.exp(-self.days(moments.time_s) / self.growth_days)
        ohm = self.ohm * strength * np.minimum(warm, 3) * self.is_active(moments.time_s)
        return line.add(**{f"{self.place}_ohm": ohm})


@dataclass(frozen=True)
class Detuned(Cause):
    """The resonance jumps by `step_khz`: an element slipped, a radial fell off."""

    kind: ClassVar[str] = "detuned"
    step_khz: float = 600.0

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        return cls(onset_s, place, step_khz=rng.choice([-1, 1]) * log_uniform(rng, 250, 1800))

    def change(self, line: Feedline, moments: Moments) -> Feedline:
        return line.add(resonance_khz=self.step_khz * self.is_active(moments.time_s))


@dataclass(frozen=True)
class DetectorLoss(Cause):
    """A port loses (or, drifting, gains) `change_db`: at once, or over `drift_days`."""

    kind: ClassVar[str] = "detector"
    family: ClassVar[str] = "instrument"
    port: str = "reflected"
    change_db: float = -3.0
    drift_days: float = 0.0

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        drift = 0.0 if rng.random() < 0.5 else log_uniform(rng, 3, 25)
        sign = -1 if drift == 0 or rng.random() < 0.7 else 1
        return cls(onset_s, place, port=str(rng.choice(["forward", "reflected"])),
                   change_db=sign * log_uniform(rng, 1.6, 8), drift_days=drift)  # fmt: skip

    def change(self, line: Feedline, moments: Moments) -> Feedline:
        part = 1.0 * self.is_active(moments.time_s)
        if self.drift_days:
            part = part * (1 - np.exp(-self.days(moments.time_s) / self.drift_days))
        return line.add(**{f"{self.port}_db": self.change_db * part})


@dataclass(frozen=True)
class Unplugged(Cause):
    """The bridge is unplugged for hours or days, perhaps twice."""

    kind: ClassVar[str] = "unplugged"
    family: ClassVar[str] = "no data"
    spans_s: tuple[tuple[float, float], ...] = ()

    @classmethod
    def draw(cls, rng: Random, onset_s: float, place: str) -> Self:
        spans, begin = [], onset_s
        for _ in range(rng.integers(1, 3)):
            end = begin + log_uniform(rng, 2 * 3600, 4 * DAY_S)
            spans.append((begin, end))
            begin = end + log_uniform(rng, 1800, 2 * DAY_S)
        return cls(onset_s, place, end_s=spans[-1][1], spans_s=tuple(spans))

    def gaps(self) -> tuple[Gap, ...]:
        return tuple(Gap(begin, end, "unplugged") for begin, end in self.spans_s)


CAUSES: dict[str, type[Cause]] = {
    cause.kind: cause
    for cause in (LoosePlug, WindContact, Water, HotJoint, Detuned, DetectorLoss, Unplugged)
}
